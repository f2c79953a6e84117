package rules

import (
	"fmt"
	"slices"
	"time"

	"liftbank/rules/bank"
	"liftbank/rules/daily"
	"liftbank/rules/detect"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/motor"
	"liftbank/rules/network"
	"liftbank/rules/parked"
	"liftbank/rules/power"
	"liftbank/rules/pump"
	"liftbank/rules/settings"
	"liftbank/rules/tap"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
	"liftbank/rules/view"
	"liftbank/rules/zero"
)

// Engine follows one unit: it holds the parts that know something, and the order of one step. It
// belongs to one goroutine.
type Engine struct {
	cfg Config
	set settings.Settings

	trust  *trust.Channels
	zeros  *zero.Learner
	taps   *tap.Learner
	strung *tap.Strings
	parked *parked.Learner
	power  *power.Monitor
	cells  *batteries
	net    *network.Meter
	ahead  *ahead
	motor  *motor.Detector
	pump   *pump.Watch
	feed   *feed.Judge
	output feed.Output
	supply feed.Supply
	count  bank.Counter
	days   daily.Book
	duty   daily.Duty
	serve  services
	found  *detect.Set
	book   finding.Book
	kept   *Kept // of batteries that were replaced; nil: none

	begun    bool
	scanned  bool          // in this start
	session  time.Duration // of the first scan of this start
	from     time.Duration // of the first scan, or the last new battery
	away     unit.Away     // when nobody watched
	last     time.Duration
	due      time.Duration // next time that capability, links and the like are worked out
	slow     bool          // they were in this step
	feedPath Estimate
	read     unit.Scan                  // what may be believed of the scan
	posts    unit.Scan                  // the posts as measured, for the network
	flows    [MaxBatteries]unit.Reading // the currents, believed or not, without the zeros
	ended    []pump.Ended
	motorIn  motor.Input
	work     Work
	looked   bool                       // a page is in use
	slept    time.Duration              // of the time since the last step, the board
	class    unit.Classes               // of the sensors, brought to the batteries
	brought  unit.Scan                  // the scan, brought to the batteries; of a parallel bank it is the scan itself
	temps    [MaxBatteries]unit.Reading // of the strings
	middle   network.Middles            // links between the batteries of strings
	plusV    Reading                    // lowest positive post of a string over the board's ground
	frame    view.Frame
	out      Output
}

// slowEvery is how often capability, links and the like are worked out: they change with runs and
// over hours.
const slowEvery = 5 * time.Second // between two workings out; our choice

// New returns an engine that knows nothing yet.
func New(cfg Config) (*Engine, error) {
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("rules: %w", err)
	}
	n := len(cfg.Batteries)
	cfg.Batteries = slices.Clone(cfg.Batteries) // a replaced one changes it
	cfg.Classes = cfg.Classes.OrDefault()
	e := &Engine{cfg: cfg, trust: trust.NewOf(cfg.Layout, n), taps: newTaps(&cfg), strung: tap.NewStrings(cfg.Layout, n, &cfg.Classes), parked: &parked.Learner{}}
	e.class = cfg.Classes
	cfg.Layout.BringClasses(&e.class, n)
	e.cells = newBatteries(cfg.Batteries, cfg.Layout, &e.class, &e.cfg.Classes)
	e.startLinks()
	if err := e.configure(); err != nil {
		return nil, fmt.Errorf("rules: %w", err)
	}
	e.zeros = newZeros(&cfg, &e.class, e.set.OwnDrawA+e.set.RadioA)
	e.power = newPower(&cfg, &e.set)
	e.frame.Away, e.frame.Chips, e.frame.Classes = &e.away, &e.cfg.Chips, &e.class
	e.join()
	e.out.Battery = make([]BatteryState, n)
	for i, b := range cfg.Batteries {
		e.out.Battery[i].ID = b.ID
	}
	e.out.Events = make([]Event, 0, 16)
	if err := e.watch(); err != nil {
		return nil, fmt.Errorf("rules: %w", err)
	}
	return e, nil
}

// Step applies one scan and returns what is known after it. Scans come in order of time; one that
// goes back is refused: the output stays as it was, without events.
func (e *Engine) Step(in *Input) *Output {
	e.out.Events = e.out.Events[:0]
	if e.begun && in.At.Mono < e.last {
		return &e.out
	}
	dt := e.begin(in)
	e.trust.Mask(e.frame.Raw, &e.read)
	bank.FillTemps(&e.read, e.frame.Temps)
	e.frame.TempC = e.frame.Temps[0]
	e.takeZeros()
	bankV, bankA := e.readings()
	if e.suppressed() {
		e.stepWork(bankV, bankA, dt)
		e.stepPower()
		return &e.out
	}

	began := e.stepMotor(bankV, bankA)
	moved := e.stepBatteries(e.frame.Raw, began)
	e.count.Energy(bankV, bankA, dt, began && e.cfg.HasCommand)
	e.stepFeed(bankA)
	stepNetwork(e.net, &e.frame, e.motor, e.trust, &e.posts, e.cfg.NegativeTap)
	e.stepMiddles()
	e.ahead.step(&e.frame, e.cells, e.motor)
	e.summarize(bankV, bankA)
	e.stepCounts(moved)
	e.stepPower()
	e.judge()
	e.emitFindings()
	return &e.out
}

// begin takes the time of a scan and returns the time since the last one.
func (e *Engine) begin(in *Input) (dt time.Duration) {
	if e.begun {
		dt = in.At.Mono - e.last
	} else {
		e.from = in.At.Mono
	}
	if !e.scanned {
		e.scanned, e.session = true, in.At.Mono
	}
	e.begun, e.last, e.out.At = true, in.At.Mono, in.At
	e.frame.Measured, e.frame.Raw = in, e.bring(in)
	e.trust.Begin(e.last)
	e.slept = e.power.Pass(e.last, in.At.WallTrusted)
	if dt > feed.LongestGap { // what has to last before it is said starts again
		e.book.ResetHolds()
		e.found.Gap()
		e.trust.Gap()
		e.strung.Gap()
		e.count.IsQuiet, e.output.HasAmps = false, false
		// Else it is part of the work, or of a sleep that the wake line would have ended: nothing came meanwhile.
		if !e.work.On && !(e.slept > 0 && e.cfg.WakeLine) {
			e.away.Add(e.last, dt)
		}
	}
	return dt
}

// judge has the findings judged: those that must be prompt at every scan, the others every five
// seconds.
func (e *Engine) judge() {
	f := &e.frame
	e.found.Judge(detect.First)
	f.Wired(e.book.AnyActive(detect.ParallelWired.Name))
	f.Series, f.Reversed = e.book.AnyActive(detect.SeriesWired.Name), e.book.AnyActive(detect.Reversed.Name)
	f.Look()
	e.checkChannels()
	e.learnZeros()
	e.learnTaps()
	e.found.Judge(detect.Swift)
	if e.slow {
		e.stepDay()
		e.noteFull()
		e.learnParked()
		e.serve.fill(&e.out.State, &e.away, e.session)
		e.found.Judge(detect.Slow)
	}
	if e.slow || e.book.Pending() {
		e.found.Explain()
	}
}

// checkChannels compares the channels with each other, and starts afresh what was learned from one
// that turns out to be wrong, or to be right again.
func (e *Engine) checkChannels() {
	f := &e.frame
	running, since := e.motor.Running()
	ran := e.motor.Last()
	facts := trust.Facts{
		Running: running, EverRan: ran.Number > 0, RanTo: ran.Start + ran.Duration, Quiet: f.QuietFor > 0, InSeries: f.WrongWired(),
		BankA: f.Bank.CurrentA, MinA: e.set.MotorMinA, RunFor: e.last - since, Reversed: f.Reversed,
	}
	for i := range e.cfg.Batteries {
		soc := &e.out.Battery[i].SoCPct
		spec := &e.cfg.Batteries[i]
		b := trust.BatteryFacts{FlowA: e.flows[i], RatedAh: spec.RatedAh, AtMostPct: 100, FullV: e.fullV(i)}
		if soc.Known {
			b.AtMostPct = soc.Value + 2*soc.Sigma
		}
		facts.Battery[i] = b
	}
	e.trust.Check(f.Raw, facts)
	if e.slow && !running {
		over := e.cells.overRating()
		e.trust.Rated(&over)
	}
	if len(f.Ended) > 0 {
		over, twins := e.cells.overRating(), e.twins()
		e.trust.Weak(&over, &twins)
	}
	for i := range e.cfg.Batteries {
		if e.trust.Turned(i) {
			e.cells.mistrust(i)
			e.count.Replaced(i)
			e.startLinks()
			e.pump.Drops.Count = 0
		}
	}
}

// twins returns what the runs before the one just ended show of the links.
func (e *Engine) twins() (t trust.Twins) {
	leads := e.out.Bank.LoadLeads
	t.Lead = [2]int{leads.Positive, leads.Negative}
	for i := range e.out.Links {
		l := &e.out.Links[i]
		if e.cfg.Layout != unit.Parallel {
			return t
		}
		t.Mohm[l.Side][l.From] = l.Mohm
	}
	return t
}

// fullV returns the voltage at which battery i rests when it is full, at its temperature.
func (e *Engine) fullV(i int) float64 {
	v := e.cfg.Batteries[i].Chemistry.RestedVFromSoC(100)
	if t := e.frame.Temps[i]; t.OK() {
		shift, _ := leadacid.RestedVAtReference(0, t.Value)
		v -= shift
	}
	return v
}

// OwnDrawA returns what the board draws from the bank, as the unit's owner has it.
func (e *Engine) OwnDrawA() float64 { return e.set.OwnDrawA }

// emitFindings passes on what happened to findings as events.
func (e *Engine) emitFindings() {
	e.out.Findings = e.book.Records
	for _, c := range e.book.Take() {
		kind := FindingChanged
		switch c.Kind {
		case finding.Raised:
			kind = FindingRaised
		case finding.Cleared:
			kind = FindingCleared
		}
		e.out.Events = append(e.out.Events, Event{Kind: kind, Finding: c.Record, Change: c})
	}
}
