package view

import (
	"math"
	"time"

	"liftbank/rules/daily"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/network"
	"liftbank/rules/pump"
	"liftbank/rules/settings"
	"liftbank/rules/unit"
)

// View is what a detector may ask of a unit in one scan, for one subject.
type View struct {
	f *Frame
	s *Subject
}

// Of returns the view of a frame for a subject.
func Of(f *Frame, s *Subject) View { return View{f, s} }

// Now returns the instant of the scan, Moment with the wall clock's label.
func (v View) Now() time.Duration { return v.f.At.Mono }

// Watched returns how long the unit was watched since an instant: what lasts for days is counted by
// that, because how long the agent was off only the wall clock tells.
func (v View) Watched(since time.Duration) time.Duration {
	return max(v.Now()-since-v.f.Away.Since(since), 0)
}

// Moment returns the instant of the scan with the wall clock's label.
func (v View) Moment() unit.Moment { return v.f.At }

// Subject returns what the finding is about.
func (v View) Subject() Subject { return *v.s }

// Holds returns the verdict that the condition holds, with the numbers behind it.
func (v View) Holds(e ...finding.Evidence) finding.Verdict { return v.f.Proof.Holds(e...) }

// Active reports whether a finding holds already: of the same subject, or of any.
func (v View) Active(name string, anySubject bool) bool {
	if anySubject {
		return v.f.Book.AnyActive(name)
	}
	i := v.f.Book.Find(name, v.s.Name)
	return i >= 0 && v.f.Book.Records[i].Active()
}

// ActiveOf reports whether a finding of battery i holds.
func (v View) ActiveOf(name string, i int) bool {
	k := v.f.Book.Find(name, v.f.Spec[i].ID)
	return k >= 0 && v.f.Book.Records[k].Active()
}

// StateSince returns since when the finding of this name and subject has been in its state.
func (v View) StateSince(name string) time.Duration {
	if i := v.f.Book.Find(name, v.s.Name); i >= 0 {
		return v.f.Book.Records[i].Since
	}
	return 0
}

// Balancer reports whether something brings current to the middles of strings, past the sensors.
func (v View) Balancer() bool { return v.f.Balancer }

// Layout returns how the batteries are joined where the unit is wired right.
func (v View) Layout() unit.Layout { return v.f.Layout }

// String returns the string of the battery that the finding is about: its number, and the other battery
// in it; ok is false in a parallel bank.
func (v View) String() (k, other int, ok bool) {
	if v.f.Layout.Blocks() != 2 {
		return 0, 0, false
	}
	k = v.f.Layout.StringOf(v.s.Index)
	return k, v.f.Layout.Lowest(k) + v.f.Layout.Highest(k) - v.s.Index, true
}

// PostDoubted reports whether what a tap shows at the positive post of battery i, or of the one below it, is
// not believed although it gives readings.
func (v View) PostDoubted(i int) bool {
	below, ok := v.f.Layout.Below(i)
	return !v.f.Trust.PostBelieved(i) || ok && !v.f.Trust.PostBelieved(below)
}

// JointUnknown reports whether battery i stands on another, and the joint between them counts as its own
// because its negative post is not measured.
func (v View) JointUnknown(i int) bool {
	_, ok := v.f.Layout.Below(i)
	return ok && v.f.Raw.Battery[i].NegativeV.Quality == unit.NotFitted
}

// FairShare returns the part of the bank's current in motor runs that sharer k should carry by the ratings:
// conductances share it, and rated CCA is the measure of conductance.
func (v View) FairShare(k int) float64 {
	own, all := 0.0, 0.0
	for i := range v.Strings() {
		ohm := 0.0
		for b := v.f.Layout.Lowest(i); b <= v.f.Layout.Highest(i); b++ {
			ohm += 1 / v.f.Spec[b].RatedCCA
		}
		all += 1 / ohm
		if i == k {
			own = 1 / ohm
		}
	}
	return own / all
}

// Shares returns what sharer k carried of the bank's discharge and charge, in percent.
func (v View) Shares(k int) (draw, charge unit.Estimate) {
	if k < len(v.f.State.Strings) {
		s := &v.f.State.Strings[k]
		return s.DrawSharePct, s.ChargeSharePct
	}
	s := &v.f.Battery[k]
	return s.DrawSharePct, s.ChargeSharePct
}

// StringMohm returns the resistance of sharer k, mΩ, known where that of all its batteries is.
func (v View) StringMohm(k int) unit.Estimate {
	sum := unit.Estimate{Known: true}
	for i := v.f.Layout.Lowest(k); i <= v.f.Layout.Highest(k); i++ {
		r := v.f.Battery[i].Resistance
		sum.Value, sum.Sigma, sum.Known = sum.Value+r.Value, math.Hypot(sum.Sigma, r.Sigma), sum.Known && r.Known
	}
	return sum
}

// MiddleUnknown reports whether link k is the middle of a string and what it drops can't be told from its upper
// battery's, whose negative post is not measured.
func (v View) MiddleUnknown(k int) bool {
	l := &v.f.Links[k]
	return l.Side == network.Middle && v.JointUnknown(l.To)
}

// StringState returns what people are shown of string k.
func (v View) StringState(k int) *StringState { return &v.f.State.Strings[k] }

// TempDiffV returns by how much another battery's rested voltage is above that of the finding's for being
// warmer; 0 where a temperature is not known.
func (v View) TempDiffV(other int) float64 {
	own, o := v.f.Temps[v.s.Index], v.f.Temps[other]
	if !own.OK() || !o.OK() {
		return 0
	}
	a, _ := leadacid.TemperatureShiftV(own.Value)
	b, _ := leadacid.TemperatureShiftV(o.Value)
	return b - a
}

// TapsSigmaV returns how far apart, one standard deviation, the taps of a string may show two batteries that
// have this voltage each.
func (v View) TapsSigmaV(each float64) float64 {
	l := v.f.Layout
	k := l.StringOf(v.s.Index)
	var low, high unit.SensorClass
	if c := v.f.Classes; c != nil {
		low, high = c.Of(unit.BatteryVoltage, l.Lowest(k)), c.Of(unit.BatteryVoltage, l.Highest(k))
	} else {
		low = unit.DefaultClass(unit.BatteryVoltage)
		high = unit.SensorClass{Zero: 2 * low.Zero, Gain: 3 * low.Gain}
	}
	// The upper battery's class is that of two taps, twice one's and once the other's; what the two batteries
	// differ by has twice the gain of each. Limits of a class are even chances: over the root of 3.
	tap := max((high.Gain-low.Gain)/2, low.Gain)
	zero := max(high.Zero-low.Zero, low.Zero)
	return math.Hypot(2*each*math.Hypot(low.Gain, tap), math.Hypot(2*low.Zero, zero)) / math.Sqrt(3)
}

// Away returns for how long in all nobody has watched the unit.
func (v View) Away() time.Duration { return v.f.Away.Since(0) }

// Strings returns how many strings there are; in parallel each battery is one.
func (v View) Strings() int { return v.f.Layout.Strings(len(v.f.Spec)) }

// StringName returns the name of string k; in parallel that of its battery.
func (v View) StringName(k int) string { return v.f.Names[k] }

// Miswired returns why the posts are not those of the configured layout; nil while they are.
func (v View) Miswired() *unit.Text { return v.f.Miswired }

// StringA returns the current of string k, as far as it is believed.
func (v View) StringA(k int) unit.Reading {
	if v.f.Layout == unit.Parallel {
		return v.Battery(k).CurrentA()
	}
	return v.f.Strings[k].CurrentA
}

// StringDead reports whether a battery of string k has a dead cell.
func (v View) StringDead(k int) bool {
	for i := v.f.Layout.Lowest(k); i <= v.f.Layout.Highest(k); i++ {
		if v.Battery(i).Facts().DeadCell {
			return true
		}
	}
	return false
}

// Volts returns what is said of one 12 V battery for the bank, its feed or its motor.
func (v View) Volts(ofBlock float64) float64 { return v.f.Layout.Volts(ofBlock) }

// InSeries reports whether the batteries are wired in series by mistake.
func (v View) InSeries() bool { return v.f.Series }

// Reversed reports whether a battery is connected the wrong way around.
func (v View) Reversed() bool { return v.f.Reversed }

// Lacks returns why what needs n can't be judged; nil when it can.
func (v View) Lacks(n Need) *unit.Text { return v.f.Lacks(n) }

// Settings returns the unit's limits that are nobody's own.
func (v View) Settings() *settings.Settings { return &v.f.Settings }

// Batteries returns how many there are, Battery one of them, Own the one that the finding is about.
func (v View) Batteries() int { return len(v.f.Spec) }

// Battery returns battery i.
func (v View) Battery(i int) Battery { return Battery{v.f, i} }

// Own returns the battery that the finding is about.
func (v View) Own() Battery { return Battery{v.f, v.s.Index} }

// Bank returns the bank as a whole.
func (v View) Bank() Bank { return Bank{v.f} }

// Motor returns the pump motor.
func (v View) Motor() Motor { return Motor{v.f} }

// Feed returns the charger's side.
func (v View) Feed() Feed { return Feed{v.f} }

// Channel returns the channel that the finding is about, and its reading as measured, believed or not.
func (v View) Channel() (unit.Channel, unit.Reading) {
	c := unit.Channel(v.s.Index)
	return c, *v.f.measured().Reading(c)
}

// measured returns the scan as it came.
func (f *Frame) measured() *unit.Scan {
	if f.Measured == nil { // a frame that a test has set
		return f.Raw
	}
	return f.Measured
}

// SilentChip returns the input chip of the finding's channel where nothing of that chip can be read, nil
// otherwise, and whether nothing of any chip can be.
func (v View) SilentChip() (chip *unit.Text, all bool) {
	if v.f.Chips == nil {
		return nil, false
	}
	return v.f.Chips.Silent(v.f.measured(), unit.Channel(v.s.Index))
}

// WhyNot returns why a channel is not believed although it gives this reading; nil when it is.
func (v View) WhyNot(c unit.Channel, r unit.Reading) *unit.Text { return v.f.Trust.WhyNot(c, r) }

// Zero returns what a current channel shows without current, and whether that is so much that it is
// said.
func (v View) Zero(c unit.Channel) (a unit.Estimate, off bool) {
	if c.Signal() != unit.BatteryCurrent {
		return unit.Estimate{}, false
	}
	return v.f.Zeros[c.Battery()], v.f.ZeroOff[c.Battery()]
}

// Moved returns by how much a channel has moved since it was calibrated, and whether that is more than
// its class allows; not known where that is not watched.
func (v View) Moved(c unit.Channel) (m unit.Estimate, beyond bool) {
	switch i := c.Battery(); c.Signal() {
	case unit.BatteryCurrent:
		return v.f.ZeroMoved[i], v.f.ZeroDrifted[i]
	case unit.BatteryVoltage:
		return v.f.TapMoved[i], v.f.TapDrifted[i]
	}
	return unit.Estimate{}, false
}

// Wiring returns how the batteries are joined.
func (v View) Wiring() Wiring { return Wiring{v.f} }

// Days returns what is counted of the working days.
func (v View) Days() Days { return Days{v.f} }

// QuietFor returns for how long neither motor nor feed has been on or asked for; zero while one is.
func (v View) QuietFor() time.Duration { return v.f.QuietFor }

// Power returns what the monitor's own board draws.
func (v View) Power() *Power { return &v.f.Power }

// From returns since when the bank is watched: its first scan, or its last new battery.
func (v View) From() time.Duration { return v.f.From }

// Fitted returns which signals that not every unit has are wired on this one.
func (v View) Fitted() unit.Fitted { return v.f.Fitted }

// Disconnect returns the contact of the disconnect.
func (v View) Disconnect() unit.Contact { return v.f.Read.Disconnect }

// Since returns the work since a service.
func (v View) Since(k ServiceKind) ServiceCount { return v.f.State.Motor.Since[k] }

// Wiring is what may be asked of how the batteries are joined.
type Wiring struct{ f *Frame }

// Joined reports whether all negative posts are near the board's ground, as they are while the
// negative links are whole.
func (w Wiring) Joined() bool { return w.f.Trust.Joined(w.f.Raw) }

// PostsDisagree reports whether the posts differ at rest and it is not known yet why.
func (w Wiring) PostsDisagree() bool { return w.f.Trust.PostsDisagree() }

// DropKnown reports whether what lies between the taps of feed and bank is known to be a drop.
func (w Wiring) DropKnown() bool { return w.f.Trust.DropKnown() }

// Links returns how many links there are.
func (w Wiring) Links() int { return len(w.f.Links) }

// Link returns the resistance of link k, mΩ.
func (w Wiring) Link(k int) unit.Estimate { return w.f.Links[k].Mohm }

// Post returns the resistance of joint k where it can be told apart from the links, mΩ.
func (w Wiring) Post(k int) unit.Estimate { return w.f.Posts[k].Mohm }

// Days is what may be asked of the working days.
type Days struct{ f *Frame }

// Memory returns what is counted of them.
func (d Days) Memory() *daily.Memory { return d.f.Days }

// Over returns the day that has ended in this scan, if one has.
func (d Days) Over() (*daily.Over, bool) { return &d.f.Day, d.f.DayEnded }

// Balance returns what they leave of the charge.
func (d Days) Balance() *daily.Balance { return &d.f.Balance }

// Battery is what may be asked of one battery.
type Battery struct {
	f *Frame
	i int
}

// Spec returns the battery as bought.
func (b Battery) Spec() *Spec { return &b.f.Spec[b.i] }

// Raw returns what was read at it, whether it can be believed or not. Of a battery that stands on another its
// posts are counted from that one's positive post.
func (b Battery) Raw() *unit.Battery { return &b.f.Raw.Battery[b.i] }

// Measured returns what was read at it over the board's ground, whether it can be believed or not.
func (b Battery) Measured() *unit.Battery { return &b.f.measured().Battery[b.i] }

// VoltageV returns the voltage between its own posts, as far as it is believed.
func (b Battery) VoltageV() unit.Reading { return b.f.Read.Battery[b.i].VoltageV }

// CurrentA returns its current, as far as it is believed.
func (b Battery) CurrentA() unit.Reading { return b.f.Read.Battery[b.i].CurrentA }

// TempC returns its temperature, or that of a neighbor in the same box.
func (b Battery) TempC() unit.Reading { return b.f.Temps[b.i] }

// State returns what people are shown of it.
func (b Battery) State() *BatteryState { return &b.f.Battery[b.i] }

// Facts returns the rest of what is known of it.
func (b Battery) Facts() *BatteryFacts { return &b.f.Batteries[b.i] }

// Disagrees reports whether its channels contradict the others.
func (b Battery) Disagrees() bool { return b.f.Trust.Disagrees(b.i, b.f.Read) }

// Bank is what may be asked of the bank as a whole.
type Bank struct{ f *Frame }

// State returns what people are shown of it.
func (b Bank) State() *BankState { return &b.f.Bank }

// CurrentA returns the current into the bank.
func (b Bank) CurrentA() unit.Reading { return b.f.Bank.CurrentA }

// Charge returns its charge in percent.
func (b Bank) Charge() unit.Estimate { return b.f.Bank.SoCPct }

// MeanCharge returns the charge that the bank's voltage is of: of strings the mean of all batteries, not of those
// that are empty first.
func (b Bank) MeanCharge() unit.Estimate {
	if b.f.Layout == unit.Parallel {
		return b.Charge()
	}
	mean := unit.Estimate{Known: true}
	n := float64(len(b.f.Battery))
	for i := range b.f.Battery {
		soc := &b.f.Battery[i].SoCPct
		mean.Value, mean.Sigma, mean.Known = mean.Value+soc.Value/n, mean.Sigma+soc.Sigma/n, mean.Known && soc.Known
	}
	return mean
}

// TempC returns the temperature of the box.
func (b Bank) TempC() unit.Reading { return b.f.TempC }

// AmbientC returns the temperature outside of the box.
func (b Bank) AmbientC() unit.Reading { return b.f.Read.AmbientC }

const referC = 25.0 // °C: taken where no temperature can be read; our choice

// TempOr25 returns it in °C, or 25 °C where it can't be read.
func (b Bank) TempOr25() float64 {
	if b.f.TempC.OK() {
		return b.f.TempC.Value
	}
	return referC
}

// RatedAh returns the rated capacity of the bank: of all batteries, in a string of its smallest.
func (b Bank) RatedAh() float64 { return RatedAh(b.f.Layout, b.f.Spec) }

// RatedAh returns the rated capacity of a bank: of all batteries, in a string of its smallest.
func RatedAh(l unit.Layout, spec []Spec) (ah float64) {
	return l.SumOfStrings(len(spec), func(i int) float64 { return spec[i].RatedAh })
}

// RestFor returns for how long all batteries have rested.
func (b Bank) RestFor() time.Duration {
	rest := b.f.Batteries[0].RestFor
	for i := range b.f.Batteries {
		rest = min(rest, b.f.Batteries[i].RestFor)
	}
	return rest
}

// HighestPost returns the highest believed voltage between a battery's own posts, of strings that between their
// ends.
func (b Bank) HighestPost() (v unit.Reading) {
	for i := range b.f.Strings {
		if x := b.f.Strings[i].VoltageV; x.OK() && (!v.OK() || x.Value > v.Value) {
			v = x
		}
	}
	if len(b.f.Strings) > 0 {
		return v
	}
	for i := range b.f.Spec {
		if x := b.f.Read.Battery[i].VoltageV; x.OK() && (!v.OK() || x.Value > v.Value) {
			v = x
		}
	}
	return v
}

// LowestPost returns the lowest believed voltage between a battery's own posts, of strings that between their
// ends.
func (b Bank) LowestPost() (v unit.Reading) {
	for i := range b.f.Strings {
		if x := b.f.Strings[i].VoltageV; x.OK() && (!v.OK() || x.Value < v.Value) {
			v = x
		}
	}
	if len(b.f.Strings) > 0 {
		return v
	}
	for i := range b.f.Spec {
		if x := b.f.Read.Battery[i].VoltageV; x.OK() && (!v.OK() || x.Value < v.Value) {
			v = x
		}
	}
	return v
}

// HighestPositive returns the highest believed positive post of the bank over the board's ground, V; in a
// charge the feed's lead is on it. It is negative infinity where none is believed.
func (b Bank) HighestPositive() float64 {
	top := math.Inf(-1)
	for k := range b.f.Strings {
		i := b.f.Layout.Highest(k)
		if v := b.f.measured().Battery[i].VoltageV; v.OK() && b.f.Trust.PostBelieved(i) {
			top = max(top, v.Value)
		}
	}
	if len(b.f.Strings) > 0 {
		return top
	}
	for i := range b.f.Spec {
		p := &b.f.Read.Battery[i]
		if !p.VoltageV.OK() {
			continue
		}
		v := p.VoltageV.Value
		if p.NegativeV.OK() {
			v += p.NegativeV.Value
		}
		top = max(top, v)
	}
	return top
}

// Least returns the lowest figure that any battery's chemistry has.
func (b Bank) Least(of func(*leadacid.Chemistry) float64) float64 {
	low := math.Inf(1)
	for i := range b.f.Spec {
		low = min(low, of(b.f.Spec[i].Chemistry))
	}
	return low
}

// LoadLeads returns where the pump motor's leads are.
func (b Bank) LoadLeads() network.Leads { return b.f.Bank.LoadLeads }

// Motor is what may be asked of the motor.
type Motor struct{ f *Frame }

// Command returns the contactor's coil.
func (m Motor) Command() unit.Contact { return m.f.Read.MotorCommand }

// TerminalV returns the voltage at its terminal, as far as it is believed; RawV what was read.
func (m Motor) TerminalV() unit.Reading { return m.f.Read.MotorV }

// ControlV returns the voltage behind the breaker of the lift's controls, as far as it is believed.
func (m Motor) ControlV() unit.Reading { return m.f.Read.ControlV }

// OilBar returns the oil pressure at the pump, as far as it is believed.
func (m Motor) OilBar() unit.Reading { return m.f.Read.OilBar }

// Held returns the oil pressure at which the run under way was held against the relief valve (bar; 0:
// not yet), and for how long at the longest.
func (m Motor) Held() (bar float64, longest time.Duration) { return m.f.HeldBar, m.f.HeldFor }

// ReliefBar returns that pressure of a run that ended in this scan (bar; 0: none).
func (m Motor) ReliefBar() float64 { return m.f.ReliefBar }

// Oil returns what the oil pressure was while the motor lifted.
func (m Motor) Oil() *pump.Oil { return &m.f.Pump.Oil }

// RawV returns what was read at its terminal.
func (m Motor) RawV() unit.Reading { return m.f.Raw.MotorV }

// Running reports whether a run is on, and since when.
func (m Motor) Running() (bool, time.Duration) { return m.f.State.Motor.Running, m.f.RunSince }

// Flows reports whether the bank gives the current of a running motor.
func (m Motor) Flows() bool { return -m.f.Bank.CurrentA.Value >= m.f.Settings.MotorMinA }

// Runs counts the motor runs.
func (m Motor) Runs() uint64 { return m.f.State.Motor.Runs }

// Ended returns the lengths of the runs that ended in this scan.
func (m Motor) Ended() []time.Duration { return m.f.Ended }

// Relief returns how long the run under way has pushed against the relief valve, at the longest,
// and its current when the lift had got going (A; 0: not yet).
func (m Motor) Relief() (longest time.Duration, levelA float64) { return m.f.Relief, m.f.LevelA }

// DeadCommands counts the commands that drew no current.
func (m Motor) DeadCommands() uint64 { return m.f.State.Motor.DeadCommands }

// Usual returns what the motor usually draws, Drops what was lost on the way to it in the last
// runs.
func (m Motor) Usual() *pump.Usual { return &m.f.Pump.Usual }

// Drops returns what was lost on the way to the motor in the last runs.
func (m Motor) Drops() *pump.Drops { return &m.f.Pump.Drops }

// Energized reports whether the bank's voltage is at the motor's terminal while a feed is present:
// a strong feed may carry the motor nearly alone, so that the bank shows little.
func (m Motor) Energized() bool {
	s := m.f.State.Feed.Status
	bank := m.f.Bank.VoltageV
	return (s == feed.Present || s == feed.Unasked) && m.TerminalV().OK() && bank.OK() &&
		m.TerminalV().Value > bank.Value/2
}

// Feed is what may be asked of the charger's side.
type Feed struct{ f *Frame }

// Status returns what the feed does, and since when.
func (d Feed) Status() (feed.Status, time.Duration) {
	return d.f.State.Feed.Status, d.f.State.Feed.Since
}

// Wake returns the wake line.
func (d Feed) Wake() unit.Contact { return d.f.Read.WakeLine }

// VoltageV returns the voltage ahead of the charge breaker, as far as it is believed; RawV what was
// read.
func (d Feed) VoltageV() unit.Reading { return d.f.Read.FeedV }

// InputV returns the voltage ahead of the converter, from the tractor, as far as it is believed.
func (d Feed) InputV() unit.Reading { return d.f.Read.InputV }

// IdleInputV returns what arrived there while the converter gave nothing, since the wake line came on
// (V); ok is false while it is not known.
func (d Feed) IdleInputV() (v float64, ok bool) {
	if d.f.Supply == nil {
		return 0, false
	}
	return d.f.Supply.IdleV, d.f.Supply.HasIdle
}

// Lamp returns the line of the charging lamp, where it says something of the converter: one that the
// bank feeds is as good as none.
func (d Feed) Lamp() unit.Contact {
	if d.f.Supply != nil && d.f.Supply.OnBank {
		return unit.ContactUnknown
	}
	return d.f.Read.Indicator
}

// RawV returns what was read ahead of the charge breaker.
func (d Feed) RawV() unit.Reading { return d.f.Raw.FeedV }

// CurrentA returns the smoothed current into the bank while the feed is on (A); ok is false while
// there is none to judge.
func (d Feed) CurrentA() (amps float64, ok bool) { return d.f.FeedA, d.f.FeedAOK }

// CanGive returns the most that the converter gives (A); known is false while too little is known.
func (d Feed) CanGive() (amps float64, known bool) { return d.f.CanGiveA, d.f.CanGiveOK }

// Carries reports whether the feed carries part of the motor's current.
func (d Feed) Carries() bool { return d.f.Carries }
