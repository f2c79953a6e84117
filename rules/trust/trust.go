// Package trust decides which channels of a unit may be believed, and why the others may not.
//
// A channel that gives no reading says so by its quality. This is about channels that give a
// reading which contradicts the rest: the other channels, what the channel itself showed before, or
// what can be.
package trust

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

// DeadPostV is a voltage that no battery's post can have while the board, which runs from the bank,
// works. Well below the 7 V or so that a battery with two dead cells shows.
const DeadPostV = 5.0 // V: below it a post's reading is wrong; our choice

// Channels follows the channels of one unit.
type Channels struct {
	Memory
	n        int
	layout   unit.Layout
	all      []unit.Channel
	now      time.Duration
	facts    Facts
	tempRead [unit.MaxBatteries]bool // since this start
	turned   [unit.MaxBatteries]bool // in this scan

	stillInRun [unit.MaxBatteries]bool // a current that did not move in the last run
	beyond     [unit.MaxBatteries]bool // of a string: a voltage that no battery has, in this scan
}

// Facts is what else of the unit is known in a scan.
type Facts struct {
	Running  bool          // the motor runs
	EverRan  bool          // it has run before,
	RanTo    time.Duration // until then
	Quiet    bool          // nothing is on
	InSeries bool          // the batteries are wired in series
	BankA    unit.Reading  // current into the bank, as far as it is believed
	MinA     float64       // drawn by a running motor
	RunFor   time.Duration // for which it has run, while it runs
	Reversed bool          // a battery is the wrong way around
	Battery  [unit.MaxBatteries]BatteryFacts
}

// BatteryFacts is what else is known of one battery.
type BatteryFacts struct {
	FlowA     unit.Reading // its current, believed or not, without the sensor's zero
	RatedAh   float64
	AtMostPct float64 // that it may be charged
	FullV     float64 // at which a full one rests at this temperature
}

// Memory is what is remembered of all channels. It is saved as it is.
type Memory struct {
	UnresponsiveV  [unit.MaxBatteries]uint8 // runs in a row in which a voltage channel did not move
	UnresponsiveA  [unit.MaxBatteries]uint8 // the same of a current channel
	Lively         [unit.MaxBatteries]Lively
	LowMotor       uint8                      // runs in a row with current and no voltage at the motor
	NoOil          uint8                      `json:",omitempty"` // runs in a row with current and no oil pressure
	Shares         [unit.MaxBatteries]float64 // of the last run's current
	HasShares      bool
	SharesAt       time.Duration // when that was
	CommandedAt    time.Duration // when motor or feed was last asked for
	MotorSeen      bool          // voltage was read at the motor's terminal
	Runs3          uint8         // runs, three at the most, in which these were read
	RunSeen        time.Duration // when the last of them began
	PostOverMotorV float64       // of a single battery, in a run without a feed
	FeedOverMotorV float64
	FeedAgreed     bool // with a single battery and no current, its tap and the feed's showed the same,
	FeedApart      bool // or did not
	Sign           [unit.MaxBatteries]Sign
	Past           [unit.MaxBatteries]Past
	Steps          [unit.MaxBatteries]Step
	Half           [unit.MaxBatteries]uint8 // runs in a row in which the links said that a current shows too little
	Channel        [unit.Channels]ChannelMemory
}

// ChannelMemory is what is remembered of one channel.
type ChannelMemory struct {
	HasLast      bool
	Last         float64
	LastAt       time.Duration
	Noise        float64 // share of the last readings that were far from the one before
	Reference    float64 // of a temperature: what it can have become
	Doubt        Doubt
	DoubtSince   time.Duration
	Suspect      bool          // it contradicts the rest, or agrees with it again, for some time
	SuspectSince time.Duration // when that began
}

// Run is what the channels showed of a motor run that has ended.
type Run struct {
	StepV, StepA [unit.MaxBatteries]float64 // at its start
	Have         [unit.MaxBatteries]bool    // that was read
	ByCommand    bool
}

// New returns the channels of a unit of n batteries in parallel, of which nothing is known.
func New(n int) *Channels { return NewOf(unit.Parallel, n) }

// NewOf returns those of n batteries joined as a layout says. The scans that it is shown are brought to the
// batteries.
func NewOf(l unit.Layout, n int) *Channels {
	c := &Channels{n: n, layout: l}
	for i := range n {
		for s := unit.BatteryVoltage; s <= unit.BatteryTemp; s++ {
			c.all = append(c.all, unit.ChannelOf(s, i))
		}
	}
	c.all = append(c.all, unit.Feed, unit.Motor, unit.Input, unit.Control, unit.Ambient, unit.Oil)
	return c
}

func (c *Channels) of(s unit.Signal, battery int) *ChannelMemory {
	return &c.Channel[unit.ChannelOf(s, battery)]
}

// Begin takes the time of a scan.
func (c *Channels) Begin(now time.Duration) { c.now = now }

// Mask copies a scan and marks what contradicts the rest as unusable. The voltages of the copy are
// those between each battery's own posts.
func (c *Channels) Mask(in, out *unit.Scan) {
	*out = *in
	for i := range c.n {
		b := &out.Battery[i]
		b.VoltageV = b.OwnV()
		c.beyond[i] = c.isBeyond(i, b.VoltageV)
		if b.VoltageV.OK() && (c.beyond[i] || c.UnresponsiveV[i] >= unresponsiveRuns) {
			b.VoltageV.Quality = unit.OutOfRange
		}
		if b.CurrentA.OK() && c.UnresponsiveA[i] >= unresponsiveRuns {
			b.CurrentA.Quality = unit.OutOfRange
		}
	}
	for _, ch := range c.all {
		if !c.Doubted(ch) {
			continue
		}
		if r := out.Reading(ch); r.OK() {
			r.Quality = unit.OutOfRange
		}
	}
	c.maskAbove(out)
}

// MostV is more than any charger gives to a battery.
const MostV = 18.0 // V: in a string, the tap of the post below is wrong; our choice

// isBeyond reports whether a voltage between a battery's own posts can't be. In a string the motor may pull a
// weak battery down to nothing, and below, while the others keep the board alive.
func (c *Channels) isBeyond(i int, v unit.Reading) bool {
	switch {
	case !v.OK():
		return false
	case c.layout == unit.Parallel:
		return v.Value < DeadPostV
	}
	weak := c.facts.Running && !c.beyond[i]
	return v.Value > MostV || v.Value < DeadPostV && !weak
}

// maskAbove marks the voltage of each battery that stands on one whose positive post is not believed: nobody
// knows how much of the string's is its own, unless its negative post has a tap.
func (c *Channels) maskAbove(out *unit.Scan) {
	for i := range c.n {
		below, ok := c.layout.Below(i)
		neg := out.Battery[i].NegativeV
		whole := c.beyond[i] && out.Battery[i].VoltageV.Value > MostV || neg.OK() && neg.Value > DeadPostV
		if ok && whole && out.Battery[below].VoltageV.Value < DeadPostV {
			c.beyond[below] = true // a wire has come off in a run: the whole string seems to be the upper battery's
			if v := &out.Battery[below].VoltageV; v.OK() {
				v.Quality = unit.OutOfRange
			}
		}
		if v := &out.Battery[i].VoltageV; ok && v.OK() && !out.Battery[below].VoltageV.OK() && !neg.OK() {
			v.Quality = unit.OutOfRange
		}
	}
}

// PostBelieved reports whether what the tap at the positive post of battery i shows may be believed.
func (c *Channels) PostBelieved(i int) bool {
	return c.UnresponsiveV[i] < unresponsiveRuns && !c.Doubted(unit.ChannelOf(unit.BatteryVoltage, i))
}

// Doubted reports whether a channel that gives readings is not believed.
func (c *Channels) Doubted(ch unit.Channel) bool { return c.Channel[ch].Doubt != NoDoubt }

// Gap says that scans were missed: what has to last before it is believed starts again.
func (c *Channels) Gap() {
	c.CommandedAt = c.now
	for i := range c.Channel {
		c.Channel[i].HasLast, c.Channel[i].Suspect = false, false
	}
}

// Worked says that somebody worked on the unit: what channels showed against each other before is
// not compared with what they show now, and until the next run it is not known which battery carries.
// What was learned of each channel, and doubts, stay.
func (c *Channels) Worked() {
	c.Gap()
	c.HasShares = false
	for i := range c.n {
		c.Past[i], c.Sign[i].Have, c.Sign[i].Read = Past{At: c.now}, false, 0
		c.Lively[i].Have = false
	}
}

// Recalibrated says that a channel is corrected otherwise from now on: what it showed is not compared with
// what it shows, and doubts in it end.
func (c *Channels) Recalibrated(ch unit.Channel) {
	c.Channel[ch] = ChannelMemory{}
	i := ch.Battery()
	switch ch.Signal() {
	case unit.BatteryCurrent:
		c.UnresponsiveA[i], c.Lively[i], c.Half[i] = 0, Lively{}, 0
		c.Steps[i], c.Past[i] = Step{}, Past{At: c.now}
		c.Sign[i].Have, c.Sign[i].Read = false, 0
		c.HasShares = false
	case unit.BatteryVoltage, unit.BatteryNegative:
		c.UnresponsiveV[i], c.Steps[i], c.Half[i] = 0, Step{}, 0
		c.Runs3, c.FeedAgreed, c.FeedApart = 0, false, false
	case unit.BatteryTemp:
		c.tempRead[i] = false
	case unit.FeedVoltage, unit.MotorVoltage:
		c.Runs3, c.FeedAgreed, c.FeedApart = 0, false, false
		if ch == unit.Motor {
			c.LowMotor = 0
		}
	}
}

// Replaced says that battery i is another one: it may come warm from a shop.
func (c *Channels) Replaced(i int) { c.tempRead[i] = false }

// Disagrees reports whether the channels of battery i contradict the others in the masked scan.
func (c *Channels) Disagrees(i int, masked *unit.Scan) bool {
	return c.UnresponsiveV[i] > 0 || c.UnresponsiveA[i] > 0 || c.of(unit.BatteryVoltage, i).Suspect ||
		c.voltageDisagrees(i, masked)
}

const farV = 0.5 // V: between posts that cables join, no battery makes this much; our choice

// voltageDisagrees reports whether a battery that carried its part of the last run shows another
// voltage than one beside it. Whatever is wrong with a battery, posts that cables join have one
// voltage: that is a channel.
func (c *Channels) voltageDisagrees(i int, masked *unit.Scan) bool {
	v := masked.Battery[i].VoltageV
	for k := range c.n {
		if c.layout != unit.Parallel {
			break // no cable joins the posts of two batteries alike
		}
		o := masked.Battery[k].VoltageV
		if k != i && v.OK() && o.OK() && math.Abs(v.Value-o.Value) > farV && c.HasShares &&
			min(c.Shares[i], c.Shares[k]) > carriesShare {
			return true
		}
	}
	return false
}

// CurrentUnresponsive reports whether a current channel did not react to the last run or runs.
func (c *Channels) CurrentUnresponsive(i int) bool { return c.UnresponsiveA[i] > 0 }

var (
	noBattery    = unit.Says("sensor.no-battery-voltage", "no battery voltage, although the monitor runs from the bank")
	unresponsive = unit.Says("sensor.unresponsive", "did not react to three motor runs that other channels saw")
)

// Clean reports whether every channel is believed and none has a fault.
func (c *Channels) Clean(raw *unit.Scan) bool {
	for i := range c.n {
		b := &raw.Battery[i]
		if b.VoltageV.Faulty() || b.NegativeV.Faulty() || b.CurrentA.Faulty() || b.TempC.Faulty() ||
			b.VoltageV.OK() && c.shownBeyond(i, b.VoltageV) ||
			c.UnresponsiveV[i] >= unresponsiveRuns || c.UnresponsiveA[i] >= unresponsiveRuns {
			return false
		}
	}
	for _, ch := range c.all {
		if c.Channel[ch].Doubt != NoDoubt {
			return false
		}
	}
	for ch := unit.Feed; int(ch) < unit.Channels; ch++ {
		if raw.Reading(ch).Faulty() {
			return false
		}
	}
	return true
}

// WhyNot returns why a channel that gives a reading is not believed; nil when it is.
func (c *Channels) WhyNot(ch unit.Channel, r unit.Reading) *unit.Text {
	switch s, i := ch.Signal(), ch.Battery(); {
	case s == unit.BatteryVoltage && c.Channel[ch].Doubt != doubtSwapped && c.shownBeyond(i, r):
		return noBattery
	case s == unit.BatteryVoltage && c.UnresponsiveV[i] >= unresponsiveRuns,
		s == unit.BatteryCurrent && c.UnresponsiveA[i] >= unresponsiveRuns:
		return unresponsive
	}
	return doubtTexts[c.Channel[ch].Doubt]
}

// shownBeyond reports whether what the post of battery i shows can't be. Of a string that is said of the
// scan that was masked last: what the post below shows counts.
func (c *Channels) shownBeyond(i int, r unit.Reading) bool {
	if c.layout == unit.Parallel {
		return r.Value < DeadPostV
	}
	below, ok := c.layout.Below(i)
	return c.beyond[i] && !(ok && c.beyond[below])
}

const joinedV = 0.3 // V: a negative post this near the board's ground is joined to it; our choice

// Joined reports whether all negative posts are near the board's ground, as they are while the
// negative links are whole.
func (c *Channels) Joined(in *unit.Scan) bool { return c.layout.NegativesNear(in, c.n, joinedV) }

// Restore takes over a saved memory. One that can't be is refused and changes nothing.
func (c *Channels) Restore(m Memory) error {
	within := func(x, low, high float64) bool { return x >= low && x <= high }
	for i := range m.Shares {
		if !within(m.Shares[i], -math.MaxFloat64, math.MaxFloat64) ||
			max(m.UnresponsiveV[i], m.UnresponsiveA[i]) > unresponsiveRuns {
			return fmt.Errorf("channels of battery %d: share %g, unresponsive for %d and %d runs: want numbers, and up to %d "+
				"runs",
				i, m.Shares[i], m.UnresponsiveV[i], m.UnresponsiveA[i], unresponsiveRuns)
		}
	}
	for i := range m.Sign {
		g, p, s := &m.Sign[i], &m.Past[i], &m.Steps[i]
		for _, x := range []float64{g.RestV, g.RestA, p.InAh, p.MeanA, p.LessPct, p.FromV, p.FromA, p.TopV, s.V, s.A,
			m.Lively[i].FromA} {
			if !within(x, -1e6, 1e6) {
				return fmt.Errorf("channels of battery %d: %g: want a number up to 1e6", i, x)
			}
		}
	}
	if !within(m.PostOverMotorV, -1e6, 1e6) || !within(m.FeedOverMotorV, -1e6, 1e6) {
		return fmt.Errorf("motor terminal: %g and %g V below: want numbers up to 1e6", m.PostOverMotorV, m.FeedOverMotorV)
	}
	for i := range m.Channel {
		k := &m.Channel[i]
		if !within(k.Last, -1e6, 1e6) || !within(k.Reference, -1e6, 1e6) || !within(k.Noise, 0, 1) || k.Doubt >= doubts {
			return fmt.Errorf("channel %d: last %g, reference %g, noise %g, doubt %d: want numbers, noise 0 to 1, doubt up "+
				"to %d",
				i, k.Last, k.Reference, k.Noise, k.Doubt, doubts-1)
		}
	}
	c.Memory, c.tempRead = m, [unit.MaxBatteries]bool{}
	return nil
}
