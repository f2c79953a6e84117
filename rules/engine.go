package rules

import (
	"fmt"
	"time"

	"liftbank/rules/estimate"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
	"liftbank/rules/motor"
	"liftbank/rules/network"
)

// Engine follows one unit. It belongs to one goroutine.
type Engine struct {
	cfg   Config
	est   []*estimate.Battery
	load  []*loadtest.Meter
	judge []loadtest.Judge
	net   *network.Meter
	ahead forecasting
	motor *motor.Detector
	feed  *feed.Judge
	share shareState

	begun  bool
	startA time.Duration // of the first input
	last   time.Duration

	movedAh   float64 // stored less given in this step, by the count
	chargedWh float64
	drawnWh   float64
	lastW     float64
	haveW     bool
	judgeAt   time.Duration // next time that capability and verdict are worked out
	feedPath  Estimate
	slots     slots
	book      finding.Book
	det       Detectors
	tempRead  [MaxBatteries]bool // since this start
	watch     runWatch
	judged    bool          // capability and the like were worked out in this step
	deadSince time.Duration // last instant of current, or without a command
	deadV     Reading       // bank's voltage then
	dipped    bool          // it fell in the command under way
	out       Output
}

// New gives an engine that knows nothing yet.
func New(cfg Config) (*Engine, error) {
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("rules: %w", err)
	}
	n := len(cfg.Batteries)
	e := &Engine{
		cfg:   cfg,
		motor: motor.New(motor.Settings{MinA: cfg.MotorMinA, CycleRuns: cfg.LiftCycleRuns}),
		feed: feed.New(feed.Settings{
			Allowance: cfg.Thresholds.FeedAllowance, PresentV: cfg.Thresholds.FeedPresentV, PresentA: cfg.Thresholds.FeedPresentA,
		}),
	}
	taps := cfg.NegativeTap
	e.net = network.New(n, taps)
	e.ahead = newForecasting(&cfg)
	for _, side := range []network.Side{network.Positive, network.Negative} {
		for k := range n - 1 {
			e.out.Links = append(e.out.Links, LinkState{Side: side, From: k, To: k + 1})
		}
	}
	e.out.Battery = make([]BatteryState, n)
	e.out.Events = make([]Event, 0, 16)
	for i, b := range cfg.Batteries {
		e.est = append(e.est, estimate.New(estimate.Params{Chemistry: b.Chemistry, RatedAh: b.RatedAh}))
		e.load = append(e.load, loadtest.New(loadtest.Params{Chemistry: b.Chemistry, RatedCCA: b.RatedCCA}))
		e.judge = append(e.judge, loadtest.Judge{})
		e.out.Battery[i].ID = b.ID
	}
	e.buildFindings()
	return e, nil
}

// Step takes one scan in and gives what is known after it. Inputs come in order of time; one that goes back is refused by
// returning the output unchanged but for its events.
func (e *Engine) Step(in *Input) *Output {
	e.out.Events = e.out.Events[:0]
	if e.begun && in.At.Mono < e.last {
		return &e.out
	}
	if !e.begun {
		e.startA = in.At.Mono
	}
	dt := in.At.Mono - e.last
	if !e.begun {
		dt = 0
	}
	e.begun, e.last, e.out.At = true, in.At.Mono, in.At
	if dt > feed.LongestGap {
		e.breakOff()
	}

	var use Input // what may be believed
	e.believe(in, &use)
	bankV, bankA := e.bank(&use)
	began := e.stepMotor(&use, bankV, bankA)
	e.stepBatteries(in, &use, began)
	e.countEnergy(bankV, bankA, dt, began && e.cfg.HasCommand)
	e.stepFeed(&use, bankA)
	e.stepNetwork(in, &use)
	e.stepForecast(&use)
	e.summarise(bankV, bankA)
	e.judgeFindings(in, &use)
	e.tellFindings()
	return &e.out
}

// believe copies the input and takes out what contradicts the rest.
func (e *Engine) believe(in, use *Input) {
	*use = *in
	for i := range e.cfg.Batteries {
		b := &use.Battery[i]
		b.VoltageV = ownVoltage(b)
		if b.VoltageV.OK() && (b.VoltageV.Value < deadPostV || e.det.Sense.DeafV[i] >= deafRuns) {
			b.VoltageV.Quality = OutOfRange
		}
		if b.CurrentA.OK() && e.det.Sense.DeafA[i] >= deafRuns {
			b.CurrentA.Quality = OutOfRange
		}
		disbelieve(&b.VoltageV, e.doubt(i, batteryVoltage))
		disbelieve(&b.NegativeV, e.doubt(i, batteryNegative))
		disbelieve(&b.CurrentA, e.doubt(i, batteryCurrent))
		disbelieve(&b.TempC, e.doubt(i, batteryTemp))
	}
	disbelieve(&use.FeedV, e.doubt(-1, feedVoltage))
	disbelieve(&use.MotorV, e.doubt(-1, motorVoltage))
}

func disbelieve(r *Reading, doubt bool) {
	if doubt && r.OK() {
		r.Quality = OutOfRange
	}
}

// ownVoltage gives the voltage between a battery's own posts: without its negative's drop over the links. A negative post that can't
// be read leaves the voltage as it is, some tens of millivolts off while the motor runs.
func ownVoltage(b *BatteryInput) Reading {
	v := b.VoltageV
	if v.OK() && b.NegativeV.OK() {
		v.Value -= b.NegativeV.Value
	}
	return v
}

// bank gives the mean voltage of the batteries and the sum of their currents. With one current missing the sum is that of
// the others scaled up: good enough to see the motor, marked as not usable for counting.
func (e *Engine) bank(use *Input) (v, a Reading) {
	var sumV, sumA float64
	var nV, nA, fitted int
	for i := range e.cfg.Batteries {
		b := &use.Battery[i]
		if b.VoltageV.OK() {
			sumV, nV = sumV+b.VoltageV.Value, nV+1
		}
		if b.CurrentA.OK() {
			sumA, nA = sumA+b.CurrentA.Value, nA+1
		}
		if b.CurrentA.Quality != NotFitted {
			fitted++
		}
	}
	n := len(e.cfg.Batteries)
	if nV > 0 {
		v = Reading{sumV / float64(nV), Good}
	} else {
		v.Quality = use.Battery[0].VoltageV.Quality
	}
	switch {
	case nA == n:
		a = Reading{sumA, Good}
	case nA > 0:
		a = Reading{sumA * float64(n) / float64(nA), OutOfRange}
	case fitted > 0:
		a.Quality = NoAnswer
	}
	return v, a
}

// stepMotor follows the motor and reports whether a run began in this input.
func (e *Engine) stepMotor(use *Input, bankV, bankA Reading) (began bool) {
	for _, ed := range use.CommandEdges {
		b, ended := e.motor.Edge(ed.On, ed.At)
		if b {
			began = true
			e.beginRun(ed.At, true)
		}
		if ended {
			e.endRun()
		}
	}
	b, ended := e.motor.Step(motor.Reading{
		At:       use.At.Mono,
		CurrentA: bankA.Value, CurrentOK: bankA.OK() || bankA.Quality == OutOfRange,
		VoltageV: bankV.Value, VoltageOK: bankV.OK(),
		Energised: e.energised(use),
		Command:   use.MotorCommand == ContactOn, CommandOK: use.MotorCommand == ContactOn || use.MotorCommand == ContactOff,
	})
	if b {
		began = true
		_, start := e.motor.Running()
		e.beginRun(start, use.MotorCommand == ContactOn)
	}
	if ended {
		e.endRun()
	}
	return began
}

func (e *Engine) beginRun(at time.Duration, exact bool) {
	for _, m := range e.load {
		m.Begin(at, exact)
	}
}

func (e *Engine) endRun() {
	run := e.motor.Last()
	for _, m := range e.load {
		m.End(run.Start + run.Duration)
	}
	e.hearRun()
	e.ahead.ended = true
	e.out.Events = append(e.out.Events, Event{Kind: RunEnded, Run: run})
}

// stepBatteries feeds the estimators of each battery.
func (e *Engine) stepBatteries(in, use *Input, began bool) {
	running, _ := e.motor.Running()
	status, _ := e.feed.Status()
	idle := !running && (status == feed.Off || status == feed.Unknown)
	e.movedAh = 0
	for i := range e.cfg.Batteries {
		b := &use.Battery[i]
		s := estimate.Sample{
			At: use.At.Mono, VoltageV: b.VoltageV.Value, CurrentA: b.CurrentA.Value, TempC: e.temperature(use, i),
			VoltageOK: b.VoltageV.OK(), CurrentOK: b.CurrentA.OK(), Held: began && e.cfg.HasCommand, Idle: idle,
		}
		s.TempOK = s.TempC != noTemperature
		before, stored := e.share.counted(e.est[i]), e.est[i].StoredAh()
		e.est[i].Step(s)
		e.share.add(i, before, e.est[i])
		e.movedAh += e.est[i].StoredAh() - stored
		e.stepLoad(i, &in.Battery[i], s, running)
	}
}

// noTemperature marks that no thermometer of the bank can be believed; below absolute zero, so never a reading.
const noTemperature = -300.0

// temperature gives that of battery i, or of a neighbour in the same box.
func (e *Engine) temperature(use *Input, i int) float64 {
	if t := use.Battery[i].TempC; t.OK() {
		return t.Value
	}
	for j := range e.cfg.Batteries {
		if t := use.Battery[j].TempC; t.OK() {
			return t.Value
		}
	}
	return noTemperature
}

// stepLoad works on what was read, believed or not: a channel that answers to a run again shows it here.
func (e *Engine) stepLoad(i int, raw *BatteryInput, s estimate.Sample, running bool) {
	if !raw.VoltageV.OK() || raw.VoltageV.Value < deadPostV || !raw.CurrentA.OK() || raw.NegativeV.Faulty() {
		e.load[i].Forget()
		return
	}
	r := loadtest.Reading{At: s.At, VoltageV: ownVoltage(raw).Value, CurrentA: raw.CurrentA.Value, TempC: s.TempC, TempOK: s.TempOK}
	r.SoCPct, r.SoCSigma, r.SoCOK = e.est[i].SoC()
	if running {
		e.load[i].Run(&r)
	} else {
		e.load[i].Idle(&r)
	}
}

// stepNetwork gives the posts as measured to what works out links and leads; what is not believed is left out.
func (e *Engine) stepNetwork(in, use *Input) {
	running, since := e.motor.Running()
	status, _ := e.feed.Status()
	r := network.Reading{
		At: use.At.Mono, Running: running, RunFor: use.At.Mono - since,
		Feeding: use.WakeLine == ContactOn || status == feed.Present || status == feed.Unasked,
		MotorV:  use.MotorV.Value, MotorOK: use.MotorV.OK(), FeedV: use.FeedV.Value, FeedOK: use.FeedV.OK(),
	}
	for i := range e.cfg.Batteries {
		raw := &in.Battery[i]
		r.PositiveV[i], r.PositiveOK[i] = raw.VoltageV.Value, use.Battery[i].VoltageV.OK()
		r.CurrentA[i], r.CurrentOK[i] = raw.CurrentA.Value, use.Battery[i].CurrentA.OK()
		r.NegativeV[i], r.NegativeOK[i] = raw.NegativeV.Value, raw.NegativeV.OK()
		if raw.NegativeV.Quality == NotFitted && e.cfg.NegativeTap[i] {
			r.NegativeV[i], r.NegativeOK[i] = 0, true // the board's ground
		}
	}
	e.net.Step(&r)
}

// countEnergy takes in what flowed since the last step; held says that it flowed as it was then until now.
func (e *Engine) countEnergy(v, a Reading, dt time.Duration, held bool) {
	w, ok := v.Value*a.Value, v.OK() && a.OK()
	if e.haveW && dt <= 20*time.Minute && (ok || held) {
		mean := e.lastW
		if !held {
			mean = (w + e.lastW) / 2
		}
		if wh := mean * dt.Hours(); wh >= 0 {
			e.chargedWh += wh
		} else {
			e.drawnWh -= wh
		}
	}
	e.lastW, e.haveW = w, ok
}

func (e *Engine) stepFeed(use *Input, bankA Reading) {
	running, _ := e.motor.Running()
	temp := e.temperature(use, 0)
	if temp == noTemperature {
		temp = 25
	}
	posts := e.highestPost(use)
	e.feed.Step(feed.Reading{
		BankV: posts.Value, BankOK: posts.OK(),
		At: use.At.Mono, FeedV: use.FeedV.Value, FeedOK: use.FeedV.OK(),
		CurrentA: bankA.Value, CurrentOK: bankA.OK(), TempC: temp,
		Wake: use.WakeLine == ContactOn, WakeOK: use.WakeLine == ContactOn || use.WakeLine == ContactOff,
		MotorOn: running || bankA.OK() && -bankA.Value >= e.cfg.MotorMinA, // stuck, it runs without a command
	})
	status, since := e.feed.Status()
	e.out.Feed = FeedState{
		Status: status, Since: since, VoltageV: use.FeedV, WakeLine: use.WakeLine, Disconnect: use.Disconnect,
		WakeTime: e.feed.WakeTime(), FeedTime: e.feed.FeedTime(), PathMohm: e.feedPath,
	}
	run := &e.out.Motor
	run.Running, run.Runs, run.RunTime, run.LiftCycles = running, e.motor.Runs(), e.motor.Time(), e.motor.Cycles()
	run.Last, run.DeadCommands = e.motor.Last(), e.motor.DeadCommands()
	for i := range e.cfg.Batteries {
		e.out.Battery[i].In = use.Battery[i]
	}
}
