package detect_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/bank"
	"liftbank/rules/daily"
	"liftbank/rules/detect"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
	"liftbank/rules/pump"
	"liftbank/rules/settings"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
	"liftbank/rules/view"
	"liftbank/rules/zero"
)

const day = 24 * time.Hour

// played is a unit whose view is set by hand, in the words of a transcript, and what became of one
// finding there. What a detector may ask stays as it was set until it is set again.
//
// A line of commands is a verb, or whose figures follow: "all: voltage = 12.6, current = -60". The
// words are the keys of ofUnit and ofBattery; links, joints and doubted channels have lines of
// their own:
//
//	all: ..., a: ..., unit: ...        figures of every battery, of one, of the unit
//	link positive a-b: 2.3 ± 0.2       mΩ, or unknown; joint positive b: 1.4 ± 0.1
//	doubt battery a voltage: noise     by the ID of the doubt's text; none: believed again
//	wait 5m, wait 3d by 10m            scans once a second, or at that interval
//	fall charge 90 to 80 in 5d by 1h   of the bank, with scans
//	gap 1h                             without a scan
//	restart                            through the saved state
//	limit findings.hot_c = 55          in the configuration, and a restart
//	fit input oil                      signals that not every unit has, and a restart: input, control,
//	                                   ambient, oil, indicator, or everything
//	new battery a, joints opened       work on the unit
//	day ends, work day ends            a scan in which a day has ended
//	show, records, limits              evidence now; what there are records of; limits
//	active blocks-unequal a            another finding, raised
//
// In a bank of strings a battery's voltage is between its own posts, and what is set of bank, feed and motor
// in volts is for one battery: twice as much is read. "post" is what a tap reads over the bank's minus.
type played struct {
	t      require.TestingT
	name   string // of the finding that is told
	values limit.Values
	own    unit.Scan // each battery's voltages between its own posts, or over the one below
	post   [unit.MaxBatteries]unit.Reading
	came   unit.Scan // as measured
	raw    unit.Scan // brought to the batteries
	read   unit.Scan
	f      view.Frame
	days   daily.Memory
	pump   pump.State
	set    *detect.Set
	due    time.Duration // of the next look at what changes slowly
	quiet  time.Duration // since when nothing is on; negative: something is
	rest   []time.Duration
	ended  []time.Duration // motor runs to end in the next scan
	why    map[int]*unit.Text
	said   []string
	seen   func(c finding.Change) // of every finding; nil: nobody looks
	supply feed.Supply
}

// newPlayed returns a good unit of n batteries in parallel at rest, tractor and trailer parked.
func newPlayed(t require.TestingT, name string, n int) *played {
	return newPlayedOf(t, name, unit.Parallel, n)
}

// newPlayedOf returns one whose batteries are joined as a layout says.
func newPlayedOf(t require.TestingT, name string, l unit.Layout, n int) *played {
	u := &played{t: t, name: name, values: limit.Values{}, why: map[int]*unit.Text{}, quiet: -1,
		rest: make([]time.Duration, n)}
	u.f = view.Frame{
		Away:  &unit.Away{},
		State: &view.State{Battery: make([]view.BatteryState, n)}, Measured: &u.came, Raw: &u.raw, Read: &u.read,
		Layout: l, Trust: trust.NewOf(l, n),
		Days:   &u.days,
		Supply: &u.supply,
		Pump:   &u.pump, Temps: make([]unit.Reading, n), Batteries: make([]view.BatteryFacts, n),
	}
	for i := range n {
		id := string(rune('a' + i))
		u.f.Spec = append(u.f.Spec, view.Spec{ID: id, Chemistry: leadacid.Flooded, RatedAh: 100, RatedCCA: 900})
		u.f.Battery[i].ID = id
	}
	if l != unit.Parallel {
		u.string()
	}
	for _, side := range []network.Side{network.Positive, network.Negative} {
		for k := range n - 1 {
			if l != unit.Parallel {
				continue
			}
			u.f.Links = append(u.f.Links, view.LinkState{Side: side, From: k, To: k + 1,
				Mohm: unit.Estimate{Value: 0.5, Sigma: 0.1, Known: true}})
		}
		for k := 1; k < n-1 && l == unit.Parallel; k++ {
			u.f.Posts = append(u.f.Posts, view.PostState{Side: side, Battery: k})
		}
	}
	u.f.Trust.FeedAgreed = true
	u.start()
	u.do("all: voltage = 12.6, current = 0, temperature = 25, charge = 90 ± 2, verdict = fit")
	u.do("unit: wake = off, command = off, disconnect = none, feed voltage = 12.6, terminal = 0, feed = off")
	u.do("unit: charge = 90 ± 2, clock = set, motor leads = unknown")
	return u
}

// string joins the batteries in strings, with good links.
func (u *played) string() {
	good := unit.Estimate{Value: 0.5, Sigma: 0.1, Known: true}
	l, n := u.f.Layout, len(u.f.Spec)
	if l.Strings(n) > 1 {
		u.f.Links = append(u.f.Links, view.LinkState{Side: network.Positive, From: 1, To: 3, Mohm: good},
			view.LinkState{Side: network.Negative, From: 0, To: 2, Mohm: good})
	}
	for k := range l.Strings(n) {
		from, to := l.Lowest(k), l.Highest(k)
		u.f.Links = append(u.f.Links, view.LinkState{Side: network.Middle, From: from, To: to, Mohm: good})
		u.f.Strings = append(u.f.Strings, view.StringState{From: from, To: to})
	}
}

// measure fills in what the taps read, and brings that to the batteries.
func (u *played) measure() {
	u.own.At = u.f.At
	u.came = u.own
	l, n := u.f.Layout, len(u.f.Spec)
	for i := range n {
		b := &u.came.Battery[i]
		if below, ok := l.Below(i); ok {
			under := u.came.Battery[below].VoltageV.Value
			for _, r := range []*unit.Reading{&b.VoltageV, &b.NegativeV} {
				if r.OK() {
					r.Value += under
				}
			}
		}
		if p := u.post[i]; p.Quality != unit.NotFitted {
			b.VoltageV = p
		}
	}
	u.raw = u.came
	l.Bring(&u.raw, n)
}

// volts returns a voltage of bank, feed or motor that was given for one battery.
func (u *played) volts(r unit.Reading) unit.Reading {
	r.Value = u.f.Layout.Volts(r.Value)
	return r
}

// start puts the findings to work, with the limits that were set.
func (u *played) start() {
	u.f.Book = &finding.Book{}
	all := rules.Limits()
	require.NoError(u.t, limit.Apply(all, u.values))
	at := func(path string) float64 {
		l := limit.Find(all, path)
		require.NotNil(u.t, l, path)
		return l.Value()
	}
	seconds := func(path string) time.Duration { return time.Duration(at(path) * float64(time.Second)) }
	u.f.Settings = settings.Settings{
		MotorMinA: at("motor.min_current_a"), MotorUsualA: at("motor.run_a"), FeedAllowance: seconds("feed.allowance"),
		FeedPresentV: at("feed.present_v"), FeedPresentA: at("feed.present_a"), FeedRatedA: at("feed.rated_a"),
		FeedInputMinV: at("feed.least_input_v"), ReliefUpBar: at("oil.relief_up_bar"), ReliefDownBar: at("oil.relief_down_bar"),
		OwnDrawA: at("board.own_draw_a"), LowV: at("findings.bank_low_v"), RestTime: seconds("findings.rest_time"),
	}
	limit.InSeries(u.f.Settings.Limits(), u.f.Layout.Blocks())
	u.f.Power.MeanA = u.f.Settings.OwnDrawA
	var err error
	u.set, err = detect.Start(&u.f, u.values)
	require.NoError(u.t, err)
}

// restart saves what is remembered, and gives it to findings that have seen nothing.
func (u *played) restart() {
	text, err := json.Marshal(struct {
		Memory detect.Memory
		Book   finding.BookState
	}{u.set.Save(), u.f.Book.State()})
	require.NoError(u.t, err)
	var saved struct {
		Memory detect.Memory
		Book   finding.BookState
	}
	require.NoError(u.t, json.Unmarshal(text, &saved))
	old := u.f.Book.Records
	u.start()
	require.NoError(u.t, u.set.Restore(saved.Memory))
	require.NoError(u.t, u.f.Book.Restore(saved.Book))
	for i := range old {
		if k := u.f.Book.Find(old[i].Def.Name, old[i].Subject); k >= 0 {
			u.f.Book.Records[k].Because = old[i].Because // until it is judged again
		}
	}
}

// do plays one line.
func (u *played) do(line string) {
	line = strings.TrimSpace(line)
	if line == "" || line[0] == '#' {
		return
	}
	if whose, figures, ok := strings.Cut(line, ":"); ok {
		u.put(whose, strings.TrimSpace(figures))
		return
	}
	u.verb(line, strings.Fields(line))
	u.note()
}

func (u *played) verb(line string, word []string) {
	arg := func(i int) string {
		require.Greater(u.t, len(word), i, "%q wants more", line)
		return word[i]
	}
	switch word[0] {
	case "wait":
		every := time.Second
		if len(word) > 2 {
			every = u.span(arg(3))
		}
		for end := u.f.At.Mono + u.span(arg(1)); u.f.At.Mono < end; {
			u.scan(every)
		}
	case "fall": // fall charge 90 to 80 in 5d by 1h: evenly, known to 2 %
		from, to, span, every := u.number(arg(2)), u.number(arg(4)), u.span(arg(6)), u.span(arg(8))
		begin := u.f.At.Mono
		for u.f.At.Mono < begin+span {
			share := float64(u.f.At.Mono+every-begin) / float64(span)
			u.f.Bank.SoCPct = unit.Estimate{Value: from + (to-from)*share, Sigma: 2, Known: true}
			u.scan(every)
		}
	case "gap":
		u.f.At.Mono += u.span(arg(1))
		u.f.Away.Add(u.f.At.Mono, u.span(arg(1)))
		u.f.Trust.Begin(u.f.At.Mono)
		u.f.Book.ResetHolds()
		u.set.Gap()
		u.f.Trust.Gap()
	case "restart":
		u.restart()
	case "limit":
		x, err := strconv.ParseFloat(arg(3), 64)
		if err != nil {
			x = u.span(arg(3)).Seconds()
		}
		u.values[arg(1)] = x
		u.restart()
	case "fit":
		for _, what := range word[1:] {
			u.fit(what)
		}
		u.restart()
	case "new":
		if i := u.battery(arg(2)); i < len(u.f.Spec) {
			u.f.Batteries[i] = view.BatteryFacts{}
			u.rest[i] = u.f.At.Mono
			u.f.From = u.f.At.Mono
			u.set.Worked(detect.NewBattery, i)
		}
	case "runs": // runs 12 at 65 A, a down to 11.6, others to 11.8
		for range int(u.number(arg(1))) {
			u.do("unit: motor = running")
			u.do("all: current = -" + arg(3) + ", voltage = " + arg(11))
			u.do(strings.TrimSuffix(arg(5), ",") + ": voltage = " + strings.TrimSuffix(arg(8), ","))
			for range 15 {
				u.scan(time.Second)
			}
			u.do("unit: motor = stopped")
			u.do("all: current = 0, voltage = 12.6")
			for range 60 {
				u.scan(5 * time.Second)
			}
		}
	case "active": // another finding, raised by hand
		if i := u.f.Book.Find(arg(1), arg(2)); i >= 0 {
			u.f.Book.Judge(i, u.f.At.Mono, u.f.Proof.Holds(finding.Evidence{What: unit.Lookup("evidence.limit-v")}))
		}
	case "joints":
		u.set.Worked(detect.Joints, -1)
	case "day", "work":
		u.f.DayEnded, u.f.Day.Worked = true, word[0] == "work"
		u.due = 0
		u.scan(5 * time.Second)
		u.f.DayEnded = false
	case "show":
		for i := range u.f.Book.Records {
			if r := &u.f.Book.Records[i]; r.Def.Name == u.name && r.Active() {
				u.say(r, "is "+r.State.String())
				u.tell(r)
			}
		}
	case "records":
		for i := range u.f.Book.Records {
			if r := &u.f.Book.Records[i]; r.Def.Name == u.name {
				u.said = append(u.said, r.Def.Severity.String()+": "+r.Title()+". "+r.Summary())
			}
		}
	case "limits":
		for _, l := range detect.LimitsOf(u.name) {
			u.said = append(u.said, limitLine(l))
		}
	default:
		require.Fail(u.t, "no such command", line)
	}
}

// fit wires a signal that not every unit has, with what it shows of a good unit at rest.
func (u *played) fit(what string) {
	f := &u.f.Fitted
	switch what {
	case "input":
		f.Input = true
		u.do("unit: input = 12.6")
	case "control":
		f.Control = true
		u.do("unit: controls = 12.6")
	case "ambient":
		f.Ambient = true
		u.do("unit: ambient = 20")
	case "oil":
		f.Oil = true
		u.do("unit: oil = 0")
	case "indicator":
		f.Indicator = true
		u.do("unit: lamp = off")
	case "everything":
		for _, all := range []string{"input", "control", "ambient", "oil", "indicator"} {
			u.fit(all)
		}
	default:
		require.Fail(u.t, "no such signal", what)
	}
}

// limitLine says what a limit is, and what it accepts.
func limitLine(l limit.Limit) string {
	a := l.Describe()
	low, high := l.Range()
	text := fmt.Sprintf("%s = %s (%g to %g)", a.Path, limit.Written(l), low, high)
	if n, ok := l.(limit.Number); ok {
		text = fmt.Sprintf("%s (%g to %g)", strings.TrimSpace(fmt.Sprintf("%s = %g %s", a.Path, n.Default, n.Unit)),
			low, high)
	}
	if a.Tracks != "" {
		text += fmt.Sprintf(", %s + %g", a.Tracks, a.Plus)
	}
	if a.Below != "" {
		text += ", less than " + a.Below
	}
	return text
}

// scan plays one scan, in the order of the engine.
func (u *played) scan(after time.Duration) {
	f := &u.f
	f.At.Mono += after
	u.measure()
	f.Trust.Begin(f.At.Mono)
	f.Trust.Mask(&u.raw, &u.read)
	f.QuietFor = 0
	if u.quiet >= 0 {
		f.QuietFor = f.At.Mono - u.quiet
	}
	f.Ended, u.ended = append(f.Ended[:0], u.ended...), u.ended[:0]
	u.sum()
	u.set.Judge(detect.First)
	f.Wired(f.Book.AnyActive("parallel-wired"))
	f.Series, f.Reversed = f.Book.AnyActive("series-wired"), f.Book.AnyActive("reversed")
	f.Look()
	u.set.Judge(detect.Swift)
	f.ReliefBar = 0
	slow := f.At.Mono >= u.due
	if slow {
		u.due = f.At.Mono + 5*time.Second
		u.set.Judge(detect.Slow)
	}
	if slow || f.Book.Pending() {
		u.set.Explain()
	}
	u.note()
}

// sum fills in what follows from the batteries' figures.
func (u *played) sum() {
	f := &u.f
	n := len(f.Spec)
	f.Bank.VoltageV, f.Bank.CurrentA = bank.Readings(&u.read, n)
	if f.Layout != unit.Parallel {
		var volts, amps [unit.MaxBatteries]unit.Reading
		for k := range f.Strings {
			s := &f.Strings[k]
			s.VoltageV, s.CurrentA = u.came.Battery[s.To].VoltageV, u.read.Battery[s.From].CurrentA
			s.DrawSharePct, s.ChargeSharePct = f.Battery[s.From].DrawSharePct, f.Battery[s.From].ChargeSharePct
			volts[k], amps[k] = s.VoltageV, s.CurrentA
		}
		f.Bank.VoltageV, f.Bank.CurrentA = bank.OfStrings(volts[:len(f.Strings)], amps[:len(f.Strings)])
	}
	bank.FillTemps(&u.read, f.Temps)
	f.TempC = f.Temps[0]
	f.Bank.SinceFull, f.Bank.FullKnown = 0, true
	for i := range n {
		f.Battery[i].In = u.read.Battery[i]
		b := &f.Batteries[i]
		b.RestFor = 0
		if u.rest[i] >= 0 {
			b.RestFor = f.At.Mono - u.rest[i]
		}
		f.Bank.FullKnown = f.Bank.FullKnown && b.FullEver
		f.Bank.SinceFull = max(f.Bank.SinceFull, f.At.Mono-b.FullAt)
	}
}

// note writes down what became of the finding.
func (u *played) note() {
	for _, c := range u.f.Book.Take() {
		if u.seen != nil {
			u.seen(c)
		}
		r := &u.f.Book.Records[c.Record]
		if r.Def.Name != u.name {
			continue
		}
		switch c.Kind {
		case finding.Raised:
			u.say(r, "raised")
			u.tell(r)
		case finding.Explained:
			u.say(r, u.explained(r))
		default:
			u.say(r, c.Kind.String())
		}
	}
	for i := range u.f.Book.Records {
		r := &u.f.Book.Records[i]
		if r.Def.Name != u.name || r.Because == u.why[i] {
			continue
		}
		u.why[i] = r.Because
		if r.Because != nil {
			u.say(r, "can't be judged: "+r.Because.English)
		} else {
			u.say(r, "is judged again")
		}
	}
}

func (u *played) explained(r *finding.Record) string {
	if r.CausedBy < 0 {
		return "explained by nothing"
	}
	k := &u.f.Book.Records[r.CausedBy]
	return strings.TrimSpace("explained by " + k.Def.Name + " " + k.Subject)
}

// tell writes down the evidence of a finding, and the causes that it points to.
func (u *played) tell(r *finding.Record) {
	if r.CausedBy >= 0 {
		u.said = append(u.said, "    "+u.explained(r))
	}
	for i := range r.Evidence {
		e := &r.Evidence[i]
		v := e.Text()
		if v == "" {
			v = strings.TrimSpace(fmt.Sprintf("%.4g %s", e.Value, e.Unit))
		}
		u.said = append(u.said, "    "+e.What.English+": "+v)
	}
	for _, l := range r.Likely {
		u.said = append(u.said, "    likely: "+l.Cause.English+" ("+l.Reason.Said()+")")
	}
}

func (u *played) say(r *finding.Record, what string) {
	text := clock(u.f.At.Mono)
	if r.Subject != "" {
		text += " " + r.Subject
	}
	u.said = append(u.said, text+" "+what)
}

// clock writes an instant: 3d2h, 5m1s, 10.5s.
func clock(at time.Duration) (text string) {
	for _, part := range []struct {
		length time.Duration
		sign   string
	}{{day, "d"}, {time.Hour, "h"}, {time.Minute, "m"}} {
		if n := at / part.length; n > 0 {
			text += fmt.Sprint(int(n)) + part.sign
		}
		at %= part.length
	}
	if at > 0 || text == "" {
		text += fmt.Sprintf("%gs", at.Seconds())
	}
	return text
}

// put sets what is known of somebody.
func (u *played) put(whose, figures string) {
	word := strings.Fields(whose)
	switch {
	case word[0] == "link":
		for k := range u.f.Links {
			l := &u.f.Links[k]
			if l.Side.String() == word[1] && u.f.Spec[l.From].ID+"-"+u.f.Spec[l.To].ID == word[2] {
				l.Mohm = u.estimate(figures)
			}
		}
	case word[0] == "joint":
		for k := range u.f.Posts {
			p := &u.f.Posts[k]
			if p.Side.String() == word[1] && u.f.Spec[p.Battery].ID == word[2] {
				p.Mohm = u.estimate(figures)
			}
		}
	case word[0] == "doubt":
		u.doubt(strings.Join(word[1:], " "), figures)
	default:
		for figure := range strings.SplitSeq(figures, ",") {
			key, value, _ := strings.Cut(figure, "=")
			u.figure(whose, strings.TrimSpace(key), strings.TrimSpace(value))
		}
	}
}

func (u *played) figure(whose, key, value string) {
	if whose == "unit" {
		set, ok := ofUnit[key]
		require.True(u.t, ok, "unit: no figure %q", key)
		set(u, value)
		return
	}
	set, ok := ofBattery[key]
	require.True(u.t, ok, "battery: no figure %q", key)
	for i := range u.f.Spec {
		if whose == "all" || u.battery(whose) == i {
			set(u, i, value)
		}
	}
}

// battery returns the index of a battery, which may be one that this unit does not have.
func (u *played) battery(id string) int {
	require.Contains(u.t, []string{"a", "b", "c", "d"}, id)
	return int(id[0] - 'a')
}

// doubt has a channel not believed, for the reason whose text has this ID after "sensor.".
func (u *played) doubt(channel, why string) {
	for _, s := range u.f.Subjects(view.OfChannel) {
		if s.Name != channel {
			continue
		}
		u.f.Trust.Channel[s.Index].Doubt = trust.NoDoubt
		for d := trust.NoDoubt; why != "none"; d++ {
			only := trust.New(unit.MaxBatteries)
			only.Channel[s.Index].Doubt = d // out of range, and a panic, for a doubt that there is not
			if only.WhyNot(unit.Channel(s.Index), unit.Reading{Value: 12, Quality: unit.Good}).Key() == "sensor."+why {
				u.f.Trust.Channel[s.Index].Doubt = d
				break
			}
		}
	}
}

// ofBattery sets a figure of one battery.
var ofBattery = map[string]func(u *played, i int, v string){
	"voltage": func(u *played, i int, v string) {
		u.own.Battery[i].VoltageV, u.post[i] = u.reading(v), unit.Reading{}
	},
	"post":        func(u *played, i int, v string) { u.post[i] = u.reading(v) },
	"negative":    func(u *played, i int, v string) { u.own.Battery[i].NegativeV = u.reading(v) },
	"current":     func(u *played, i int, v string) { u.own.Battery[i].CurrentA = u.reading(v) },
	"rated cca":   func(u *played, i int, v string) { u.f.Spec[i].RatedCCA = u.number(v) },
	"counted in":  func(u *played, i int, v string) { u.f.Battery[i].ChargedAh = u.number(v) },
	"temperature": func(u *played, i int, v string) { u.own.Battery[i].TempC = u.reading(v) },
	"charge":      func(u *played, i int, v string) { u.f.Battery[i].SoCPct = u.estimate(v) },
	"zero": func(u *played, i int, v string) {
		u.f.Zeros[i] = u.estimate(v)
		u.f.ZeroOff[i] = math.Abs(u.f.Zeros[i].Value) > zero.SaidA
	},
	"zero moved": func(u *played, i int, v string) { // since its calibration, with a class of 0.2 A
		u.f.ZeroMoved[i] = u.estimate(v)
		u.f.ZeroDrifted[i] = math.Abs(u.f.ZeroMoved[i].Value) > 0.2
	},
	"tap moved": func(u *played, i int, v string) { // the same, with a class of 0.136 V
		u.f.TapMoved[i] = u.estimate(v)
		u.f.TapDrifted[i] = math.Abs(u.f.TapMoved[i].Value) > 0.136
	},
	"cranking":    func(u *played, i int, v string) { u.f.Battery[i].CrankingA = u.estimate(v) },
	"resistance":  func(u *played, i int, v string) { u.f.Battery[i].Resistance = u.estimate(v) },
	"capacity":    func(u *played, i int, v string) { u.f.Battery[i].CapacityAh = u.estimate(v) },
	"runs judged": func(u *played, i int, v string) { u.f.Battery[i].RunsJudged = uint32(u.number(v)) },
	"taking runs": func(u *played, i int, v string) { u.f.Batteries[i].TakingRuns = uint8(u.number(v)) },
	"rests like": func(u *played, i int, v string) {
		u.f.Batteries[i].RestsLike, _ = leadacid.Parse(v) // none for a word that is no chemistry
	},
	"dead cell": func(u *played, i int, v string) { // a battery with one has failed
		u.f.Batteries[i].DeadCell = u.yes(v)
		u.f.Battery[i].Verdict, u.f.Battery[i].WaitsFor = loadtest.Fit, nil
		if u.yes(v) {
			u.f.Battery[i].Verdict = loadtest.Failed
		}
	},
	"rested": func(u *played, i int, v string) { u.f.Batteries[i].RestedV = u.estimate(v) },
	"at rest": func(u *played, i int, v string) {
		u.rest[i] = -1
		if u.yes(v) {
			u.rest[i] = u.f.At.Mono
		}
	},
	"full": func(u *played, i int, v string) {
		u.f.Batteries[i].FullAt, u.f.Batteries[i].FullEver = u.ago(v)
	},
	"maybe full": func(u *played, i int, v string) {
		u.f.Batteries[i].MaybeAt, u.f.Batteries[i].MaybeEver = u.ago(v)
	},
	"verdict": func(u *played, i int, v string) {
		s := &u.f.Battery[i]
		for s.Verdict = loadtest.Unknown; s.Verdict.String() != v; s.Verdict++ {
			require.Less(u.t, s.Verdict, loadtest.Failed, v)
		}
		u.f.Batteries[i].DeadCell = u.f.Batteries[i].DeadCell && s.Verdict == loadtest.Failed
		s.WaitsFor = nil
		if s.Verdict == loadtest.Unknown {
			s.WaitsFor = unit.Lookup("waits.verdict-runs")
			require.NotNil(u.t, s.WaitsFor)
		}
	},
	"chemistry": func(u *played, i int, v string) {
		c, err := leadacid.Parse(v)
		require.NoError(u.t, err)
		u.f.Spec[i].Chemistry = c
	},
	"drawn":           func(u *played, i int, v string) { u.f.Day.RunAs[i] = 3600 * u.number(v) },
	"discharge share": func(u *played, i int, v string) { u.f.Battery[i].DrawSharePct = u.estimate(v) },
	"charge share":    func(u *played, i int, v string) { u.f.Battery[i].ChargeSharePct = u.estimate(v) },
	"share of a run": func(u *played, i int, v string) {
		u.f.Trust.HasShares, u.f.Trust.Shares[i] = true, u.number(v)
	},
	"still voltage": func(u *played, i int, v string) { u.f.Trust.UnresponsiveV[i] = uint8(u.number(v)) },
	"still current": func(u *played, i int, v string) { u.f.Trust.UnresponsiveA[i] = uint8(u.number(v)) },
	"suspect": func(u *played, i int, v string) {
		u.f.Trust.Channel[unit.ChannelOf(unit.BatteryVoltage, i)].Suspect = u.yes(v)
	},
}

// ofUnit sets a figure of the unit.
var ofUnit = map[string]func(u *played, v string){
	"wake":         func(u *played, v string) { u.own.WakeLine = u.contact(v) },
	"command":      func(u *played, v string) { u.own.MotorCommand = u.contact(v) },
	"disconnect":   func(u *played, v string) { u.own.Disconnect = u.contact(v) },
	"feed voltage": func(u *played, v string) { u.own.FeedV = u.volts(u.reading(v)) },
	"terminal":     func(u *played, v string) { u.own.MotorV = u.volts(u.reading(v)) },
	"input":        func(u *played, v string) { u.own.InputV = u.reading(v) },
	"controls":     func(u *played, v string) { u.own.ControlV = u.volts(u.reading(v)) },
	"ambient":      func(u *played, v string) { u.own.AmbientC = u.reading(v) },
	"oil":          func(u *played, v string) { u.own.OilBar = u.reading(v) },
	"lamp":         func(u *played, v string) { u.own.Indicator = u.contact(v) },
	"lamp on bank": func(u *played, v string) { u.supply.OnBank = u.yes(v) },
	"idle input":   func(u *played, v string) { u.supply.IdleV, u.supply.HasIdle = u.known(v) },
	"held": func(u *played, v string) { // "170 for 6s", in the run under way
		w := strings.Fields(v)
		require.Len(u.t, w, 3, v)
		u.f.HeldBar, u.f.HeldFor = u.number(w[0]), u.span(w[2])
	},
	"relief at": func(u *played, v string) { u.f.ReliefBar = u.number(v) }, // of a run that ends in the next scan
	"oil over usual": func(u *played, v string) {
		u.pump.Oil = pump.Oil{MeanBar: 100, Count: pump.LearnRuns, Bars: pump.UsualRuns}
		for i := range u.pump.Oil.Bar {
			u.pump.Oil.Bar[i] = 100 * u.number(v)
		}
	},
	"held diff": func(u *played, v string) { // of the upper battery over the lower
		for k := range u.f.Strings {
			u.f.Strings[k].HeldDiffV = u.estimate(v)
		}
	},
	"taps class": func(u *played, v string) { // "0.1 %", of each tap
		var c unit.Classes
		gain := u.number(strings.TrimSuffix(v, "%")) / 100
		for i := range u.f.Spec {
			c[unit.ChannelOf(unit.BatteryVoltage, i)] = unit.SensorClass{Zero: gain, Gain: gain}
		}
		u.f.Layout.BringClasses(&c, len(u.f.Spec))
		u.f.Classes = &c
	},
	"taps agree": func(u *played, v string) { u.f.Trust.FeedAgreed = u.yes(v) },
	"clock": func(u *played, v string) {
		u.f.At.WallTrusted, u.f.At.Wall = v == "set", time.Time{}
		if v != "not told" {
			u.f.At.Wall = time.Unix(1, 0)
		}
	},
	"charge":      func(u *played, v string) { u.f.Bank.SoCPct = u.estimate(v) },
	"parked draw": func(u *played, v string) { u.f.Bank.ParkedDrawA = u.estimate(v) },
	"spread":      func(u *played, v string) { u.f.Bank.SpreadPct = u.estimate(v) },
	"rested": func(u *played, v string) {
		u.f.Bank.RestedV = u.estimate(v)
		u.f.Bank.RestedV.Value = u.f.Layout.Volts(u.f.Bank.RestedV.Value)
		u.f.Bank.Rested = u.f.Bank.RestedV.Known
	},
	"chips": func(u *played, v string) { // which read voltages, and currents and temperatures
		names := strings.Fields(v)
		u.f.Chips = &unit.Chips{}
		if v == "unknown" {
			return
		}
		for _, s := range u.f.Subjects(view.OfChannel) {
			c, name := unit.Channel(s.Index), names[0]
			if c.Signal() == unit.BatteryCurrent || c.Signal() == unit.BatteryTemp {
				name = names[len(names)-1]
			}
			u.f.Chips.Name(c, name)
		}
	},
	"balancer": func(u *played, v string) { u.f.Balancer = u.yes(v) },
	"quiet": func(u *played, v string) {
		u.quiet = -1
		if u.yes(v) {
			u.quiet = u.f.At.Mono
		}
	},
	"motor": func(u *played, v string) {
		m := &u.f.State.Motor
		switch v {
		case "running":
			require.False(u.t, m.Running)
			m.Running, u.f.RunSince = true, u.f.At.Mono
		case "stopped":
			require.True(u.t, m.Running)
			u.ended = append(u.ended, u.f.At.Mono-u.f.RunSince)
			m.Running, u.f.Relief, u.f.LevelA = false, 0, 0
			u.f.HeldBar, u.f.HeldFor = 0, 0
		case "did not run":
			m.Running = false
			m.DeadCommands++
		default:
			require.Fail(u.t, "no such motor", v)
		}
	},
	"runs":          func(u *played, v string) { u.f.State.Motor.Runs = uint64(u.number(v)) },
	"relief":        func(u *played, v string) { u.f.Relief = u.span(v) },
	"lifting at":    func(u *played, v string) { u.f.LevelA = u.number(v) },
	"learned runs":  func(u *played, v string) { u.pump.Usual.Count = uint32(u.number(v)) },
	"compared runs": func(u *played, v string) { u.pump.Usual.Ratios = int(u.number(v)) },
	"usual":         func(u *played, v string) { u.pump.Usual.Mean[0] = u.number(v) },
	"last run":      func(u *played, v string) { u.pump.Usual.LastA = u.number(v) },
	"ratio": func(u *played, v string) {
		for i := range u.pump.Usual.Ratio {
			u.pump.Usual.Ratio[i] = u.number(v)
		}
	},
	"drop runs": func(u *played, v string) { u.pump.Drops.Count = int(u.number(v)) },
	"drop": func(u *played, v string) { // "3 mΩ at 110 A from 11.8 V"
		w := strings.Fields(v)
		require.Len(u.t, w, 8, v)
		d := &u.pump.Drops
		for i := range d.Mohm {
			d.Mohm[i], d.Amps[i], d.PostV[i] = u.number(w[0]), u.number(w[3]), u.f.Layout.Volts(u.number(w[6]))
		}
	},
	"drop by starts": func(u *played, v string) { // "3 mΩ"
		for i := range u.pump.Drops.Start {
			u.pump.Drops.Start[i] = u.number(strings.TrimSuffix(v, " mΩ"))
		}
	},
	"feed": func(u *played, v string) {
		s := &u.f.Feed
		for s.Status = feed.Unknown; s.Status.String() != v; s.Status++ {
			require.Less(u.t, s.Status, feed.Unasked, v)
		}
		s.Since = u.f.At.Mono
	},
	"feed current": func(u *played, v string) { u.f.FeedA, u.f.FeedAOK = u.known(v) },
	"feed can":     func(u *played, v string) { u.f.CanGiveA, u.f.CanGiveOK = u.known(v) },
	"feed carries": func(u *played, v string) { u.f.Carries = u.yes(v) },
	"motor leads": func(u *played, v string) { // "same-post on a"
		word, on, _ := strings.Cut(v, " on ")
		l := network.Leads{Positive: -1, Negative: -1}
		for l.Arrangement.String() != word {
			require.Less(u.t, l.Arrangement, network.Between, v)
			l.Arrangement++
		}
		if on != "" {
			l.Positive, l.Negative = u.battery(on), u.battery(on)
		}
		u.f.Bank.LoadLeads = l
	},
	"since service": sinceDone(view.Service),
	"since filter":  sinceDone(view.Filter),
	"since oil":     sinceDone(view.Oil),
	"known days":    func(u *played, v string) { u.days.Known = int(u.number(v)) },
	"midnights": func(u *played, v string) { // newest first
		for k, w := range strings.Fields(v) {
			u.days.Charge[k] = u.number(w)
		}
	},
	"feed hours": func(u *played, v string) { u.days.FeedH[0] = u.number(v) },
	"wake hours": func(u *played, v string) { u.days.WakeH[0] = u.number(v) },
	"balance": func(u *played, v string) { // "-8 Ah a day"
		b := &u.f.Balance
		*b = daily.Balance{Why: daily.Waits}
		if v != "unknown" {
			b.AhPerDay, b.Known, b.Why = u.number(strings.Fields(v)[0]), true, nil
		}
	},
	"confirmed fall": func(u *played, v string) {
		x := u.estimate(v)
		u.f.Balance.ConfirmedFallPct, u.f.Balance.FallSigmaPct = x.Value, x.Sigma
	},
	"falls below in": func(u *played, v string) { u.f.Balance.FallsBelowDays = u.number(v) },
	"extra hours":    func(u *played, v string) { u.f.Balance.ExtraChargeHours = u.number(v) },
	"incomplete":     func(u *played, v string) { u.f.Day.Incomplete = u.yes(v) },
}

var qualities = map[string]unit.Quality{
	"none": unit.NotFitted, "waiting": unit.Waiting, "silent": unit.NoAnswer, "stuck": unit.BusStuck,
	"not-ready": unit.NotReady,
	"saturated": unit.Saturated, "reset": unit.ChipReset, "impossible": unit.OutOfRange,
}

// reading reads "12.6", "silent", "20.5 saturated".
func (u *played) reading(v string) unit.Reading {
	if q, ok := qualities[v]; ok {
		return unit.Reading{Quality: q}
	}
	number, word, _ := strings.Cut(v, " ")
	r := unit.Reading{Value: u.number(number), Quality: unit.Good}
	if word != "" {
		q, ok := qualities[word]
		require.True(u.t, ok, v)
		r.Quality = q
	}
	return r
}

func (u *played) contact(v string) unit.Contact {
	i := slices.Index([]string{"none", "off", "on", "unread"}, v)
	require.GreaterOrEqual(u.t, i, 0, v)
	return unit.Contact(i)
}

func (u *played) yes(v string) bool {
	require.Contains(u.t, []string{"yes", "no"}, v)
	return v == "yes"
}

// ago reads "now", "3d", "never".
func (u *played) ago(v string) (at time.Duration, ever bool) {
	switch v {
	case "never":
		return 0, false
	case "now":
		return u.f.At.Mono, true
	}
	return u.f.At.Mono - u.span(v), true
}

// estimate reads "90 ± 2", "unknown".
func (u *played) estimate(v string) unit.Estimate {
	if v == "unknown" {
		return unit.Estimate{}
	}
	value, sigma, _ := strings.Cut(v, "±")
	return unit.Estimate{Value: u.number(value), Sigma: u.number(sigma), Known: true}
}

func (u *played) known(v string) (float64, bool) {
	if v == "unknown" {
		return 0, false
	}
	return u.number(v), true
}

func (u *played) number(v string) float64 {
	x, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
	require.NoError(u.t, err)
	return x
}

func (u *played) span(v string) time.Duration {
	if n, ok := strings.CutSuffix(v, "d"); ok {
		return time.Duration(u.number(n) * float64(day))
	}
	d, err := time.ParseDuration(v)
	require.NoError(u.t, err)
	return d
}

// sinceDone reads the work since a service: "500 cycles 20h", and "90d" where the date is known.
func sinceDone(k view.ServiceKind) func(u *played, v string) {
	return func(u *played, v string) {
		w := strings.Fields(v)
		c := view.ServiceCount{LiftCycles: uint64(u.number(w[0])), RunTime: u.span(w[2])}
		if len(w) > 3 {
			c.For, c.ForKnown = u.span(w[3]), true
		}
		u.f.State.Motor.Since[k] = c
	}
}
