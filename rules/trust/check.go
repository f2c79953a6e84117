package trust

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

// Doubt is why a channel that gives readings is not believed. The zero value: it is believed.
type Doubt uint8

// Doubts.
const (
	NoDoubt Doubt = iota
	doubtNoise
	doubtPosts
	doubtIdleCurrent
	doubtJump
	doubtMotorLow
	doubtMotorHigh
	doubtFeed
	doubtReversed
	doubtScale
	doubtPast
	doubtTap
	doubtRating
	doubtHalf
	doubtInput
	doubtControl
	doubtOil
	doubtSwapped
	doubts
)

var doubtTexts = [doubts]*unit.Text{
	doubtNoise: unit.Says("sensor.noise", "much noisier than a battery"),
	doubtPosts: unit.Says("sensor.posts-differ", "differs from the other posts at rest, although the cables join "+
		"them"),
	doubtIdleCurrent: unit.Says("sensor.idle-current", "shows current with nothing on; the other channels rule it out"),
	doubtJump:        unit.Says("sensor.jump", "jumped faster than a battery's temperature can"),
	doubtMotorLow:    unit.Says("sensor.motor-low", "no voltage at the motor terminal in three runs that drew current"),
	doubtMotorHigh:   unit.Says("sensor.motor-high", "voltage at the motor terminal with the motor off and no current"),
	doubtFeed:        unit.Says("sensor.feed-low", "well below the posts while charge flows through it"),
	doubtReversed: unit.Says("sensor.reversed", "shows a charge while the motor pulls the battery down: it is on the "+
		"wrong way around"),
	doubtScale: unit.Says("sensor.scale", "shows another current for the same drop in voltage than before: its scale is "+
		"wrong"),
	doubtTap: unit.Says("sensor.tap", "differs from the feed's terminal at rest, and in runs from the motor's: its "+
		"divider is wrong"),
	doubtRating: unit.Says("sensor.rating", "makes its battery over 1.5 times as strong as its rating and far "+
		"stronger than the others: its scale is wrong"),
	doubtHalf: unit.Says("sensor.half", "shows too little: each link that carries its battery's current seems worse than "+
		"the link's twin by as much as the battery seems weak"),
	doubtPast:  ChargedPast,
	doubtInput: unit.Says("sensor.input", "no voltage at the converter's input while the converter charges the bank"),
	doubtControl: unit.Says("sensor.control", "no voltage at the controls while they drive the contactor and the motor "+
		"runs"),
	doubtOil:     unit.Says("sensor.oil", "no oil pressure in three runs that drew current"),
	doubtSwapped: TapsSwapped,
}

// TapsSwapped says that the tap of a lower battery and that of an upper one are on each other's posts.
var TapsSwapped = unit.Says("sensor.taps-swapped", "taps swapped: a lower battery shows the voltage of the whole string, "+
	"and an upper one half of it")

// Swapped reports whether taps are on each other's posts.
func (c *Channels) Swapped() bool {
	for i := range c.n {
		if c.of(unit.BatteryVoltage, i).Doubt == doubtSwapped {
			return true
		}
	}
	return false
}

// ChargedPast says that a charger is clamped on past a current sensor.
var ChargedPast = unit.Says("sensor.past", "sees no current although the voltage rises into charge: a charger is "+
	"clamped on past it")

// Mounted reports whether a reason is that a sensor is on the wrong way around or has a wrong scale.
func Mounted(why *unit.Text) bool {
	for _, d := range []Doubt{doubtReversed, doubtScale, doubtRating, doubtHalf, doubtTap} {
		if why == doubtTexts[d] {
			return true
		}
	}
	return false
}

// Limits of doubt: each several times what good sensors of the class do (±10 mV, ±0.2 A, ±1 %, ±1
// °C), and for long enough that a switched load is not taken for it.
//
// A current of several amperes with nothing on must show at two batteries, or be a drain that all
// share. A jump of a temperature is forgotten after a day if it was not too large: another battery,
// another place. Twenty-five kilograms of lead and acid hold some 25 kJ/K, so that 0.3 °C a minute
// takes 125 W.
const (
	noiseV          = 0.10             // V: from one reading to the next, at rest; our choice
	noiseA          = 2.0              // A: from one reading to the next, at rest; our choice
	noiseBar        = 5.0              // bar: from one reading to the next, the motor stopped; our choice
	noiseC          = 1.0              // °C: from one reading to the next, at rest; our choice
	noiseMemory     = 30               // count: readings over which noise is averaged; our choice
	noisy           = 0.3              // ratio: of readings that are far off, before a channel is noisy; our choice
	loadOhm         = 0.002            // Ω: a block's voltage moves by no less with its current; physical
	mostLoadOhm     = 0.1              // Ω: nor by more, when a load is switched; our choice
	loadGap         = 5 * time.Second  // between readings, from which on loads are looked for; our choice
	noLongerNoisy   = 0.05             // ratio: of readings that are far off, below which it is not; our choice
	postsApartV     = 0.35             // V: taps at both ends of 10 mV and 1 % differ by 0.29 V; physical
	postsAgreeV     = 0.30             // V: posts that differ by less agree; physical
	feedApartV      = 0.40             // V: as two posts, and what a lead drops; our choice
	feedAgreesV     = 0.35             // V: as two posts, and what a lead drops; our choice
	idleCurrentA    = 3.0              // A: with nothing on, more must show elsewhere too; our choice
	idleAgreesA     = 1.0              // A: of the others' sum, within which they show nothing; our choice
	carriesShare    = 0.05             // ratio: of a run's current: a battery is joined to the others; our choice
	jumpC           = 6.0              // °C: beyond what a battery can have become; our choice
	jumpBackC       = 3.0              // °C: a step back toward the reference ends the doubt; our choice
	returnNearC     = 15.0             // °C: this near the reference it is back; our choice
	jumpForgotten   = 24 * time.Hour   // a jump is forgotten then; our choice
	jumpForgottenC  = 25.0             // °C: if it was no larger than this; our choice
	maxCPerMin      = 0.3              // °C/min: fastest that a battery warms; physical
	suspectHold     = 10 * time.Minute // contradiction for this long is a doubt; our choice
	idleSuspectHold = 30 * time.Minute // the same of a current with nothing on; our choice
	agreesHold      = time.Minute      // agreement for this long ends a doubt; our choice
	feedUnderV      = 1.0              // V: below the posts, while charge flows through it; our choice
	feedFlowsA      = 2.0              // A: five times the zero errors of two sensors; our choice
	lowMotorRuns    = 3                // count: runs in a row; our choice
	motorOnV        = 3.0              // V: a motor terminal that is connected has more; our choice
	settleAfterRun  = 5 * time.Second  // after a run the bank still moves and a coasting motor makes voltage; our choice
	motorSettles    = time.Second      // of a run: inrush and the first oil are over; our choice
	motorAboveV     = 0.25             // V: that a motor's terminal may read above its feed, two taps of 1 %; our choice
	motorDropV      = 0.9              // V: that leads and contactor drop at the most: three times a good path; our choice
	inputDeadV      = 5.0              // V: no converter works from less; our choice
	inputFlowsA     = 5.0              // A: into the bank, by far more than sensors' zeros; our choice
	controlDeadV    = 5.0              // V: no contactor's coil holds with less; trade practice
	halfFeedV       = 1.5              // V: of a battery, from half of it, that a feed for one battery in two shows; our choice
	swappedPart     = 0.75             // ratio: of a string's voltage, between half of it and the whole; our choice
	swappedHold     = 10 * time.Second // of such an order, before it is said; our choice
	feedRest        = time.Hour        // without motor and feed, before the feed's terminal is compared; our choice
)

// Check looks for what channels contradict: themselves, each other, or what can be.
func (c *Channels) Check(in *unit.Scan, f Facts) {
	c.facts = f
	c.turned = [unit.MaxBatteries]bool{}
	running := f.Running
	loads, load := c.loads(in)
	if !running && in.MotorCommand != unit.ContactOn {
		c.watchLively(in)
	}
	calm := !running && (!f.EverRan || c.now-f.RanTo > settleAfterRun) && in.MotorCommand != unit.ContactOn
	for _, s := range c.all {
		r, k := c.asRead(s, in), &c.Channel[s]
		if !r.OK() {
			k.HasLast = false
			continue
		}
		if s.Signal() == unit.BatteryTemp {
			c.checkTemp(s.Battery(), r.Value)
		}
		if calm {
			explained := load && s.Battery() < 0 || s.Battery() >= 0 && loads[s.Battery()]
			k.checkNoise(s.Signal(), r.Value, explained, c.now)
		} else {
			k.HasLast = k.HasLast && s.Signal() == unit.BatteryTemp
		}
		k.Last, k.LastAt, k.HasLast = r.Value, c.now, true
	}
	if !f.InSeries && !f.Reversed {
		c.seeMotor(in)
		c.checkSigns(in)
		c.checkPast(in)
	}
	c.checkSwapped(in)
	c.checkExtras(in)
	if running || f.InSeries {
		c.uncommandedFor(in)
		return
	}
	c.checkFeed(in)
	c.checkMotor(in)
	if c.uncommandedFor(in) > suspectHold {
		c.checkPosts(in)
		c.checkIdle(in)
	}
}

// asRead returns what a channel showed over the board's ground.
func (c *Channels) asRead(ch unit.Channel, in *unit.Scan) unit.Reading {
	r := *in.Reading(ch)
	if s := ch.Signal(); s != unit.BatteryVoltage && s != unit.BatteryNegative {
		return r
	}
	if below, ok := c.layout.Below(ch.Battery()); ok && r.Shown() {
		r.Value += in.Battery[below].VoltageV.Value
	}
	return r
}

// plusV returns the voltage of string k's positive post over the board's ground, as much of it as is one
// battery's.
func (c *Channels) plusV(in *unit.Scan, k int) unit.Reading {
	return c.layout.OfBlock(c.asRead(unit.ChannelOf(unit.BatteryVoltage, c.layout.Highest(k)), in))
}

// checkSwapped looks for taps in the wrong order. What stands on the bank's minus has half of the voltage at
// the posts of what stands on it.
func (c *Channels) checkSwapped(in *unit.Scan) {
	if c.layout == unit.Parallel {
		return
	}
	top := 0.0
	for i := range c.n {
		if v := c.asRead(unit.ChannelOf(unit.BatteryVoltage, i), in); v.OK() && sane(v) {
			top = max(top, v.Value)
		}
	}
	var odd [unit.MaxBatteries]bool
	low, high := false, false
	for i := range c.n {
		v := c.asRead(unit.ChannelOf(unit.BatteryVoltage, i), in)
		_, upper := c.layout.Below(i)
		switch whole := v.Value > swappedPart*top; {
		case !v.OK() || top < MostV || v.Value < top/4:
		case whole && !upper:
			odd[i], low = true, true
		case !whole && upper:
			odd[i], high = true, true
		}
	}
	for i := range c.n {
		k := c.of(unit.BatteryVoltage, i)
		had := k.Doubt
		c.holdDoubt(k, doubtSwapped, odd[i] && low && high, !(odd[i] && low && high), swappedHold)
		c.turned[i] = c.turned[i] || had != k.Doubt
	}
}

// checkExtras compares the channels that not every unit has with what goes on.
func (c *Channels) checkExtras(in *unit.Scan) {
	if v := in.InputV; v.OK() {
		charges := !c.facts.Running && in.WakeLine == unit.ContactOn && c.facts.BankA.OK() && c.facts.BankA.Value > inputFlowsA
		c.holdDoubt(&c.Channel[unit.Input], doubtInput, charges && v.Value < inputDeadV, v.Value >= inputDeadV, suspectHold)
	}
	if v := c.layout.OfBlock(in.ControlV); v.OK() {
		drives := c.facts.Running && c.facts.RunFor >= motorSettles && in.MotorCommand == unit.ContactOn &&
			c.facts.BankA.OK() && -c.facts.BankA.Value >= c.facts.MinA
		c.holdDoubt(&c.Channel[unit.Control], doubtControl, drives && v.Value < controlDeadV, v.Value >= controlDeadV,
			motorSettles)
	}
	k := &c.Channel[unit.Oil]
	switch {
	case c.NoOil >= lowMotorRuns && k.Doubt == NoDoubt:
		k.Doubt, k.DoubtSince = doubtOil, c.now
	case c.NoOil == 0 && k.Doubt == doubtOil:
		k.Doubt = NoDoubt
	}
}

// uncommandedFor returns for how long neither motor nor feed has been asked for. It does not use
// currents, which may be what is wrong.
func (c *Channels) uncommandedFor(in *unit.Scan) time.Duration {
	m := &c.Memory
	if c.facts.Running || in.WakeLine == unit.ContactOn || in.MotorCommand == unit.ContactOn ||
		in.WakeLine == unit.ContactNotFitted && !c.facts.Quiet {
		m.CommandedAt = c.now
	}
	return c.now - m.CommandedAt
}

// UncommandedFor returns for how long neither motor nor feed had been asked for in the last scan.
func (c *Channels) UncommandedFor() time.Duration { return c.now - c.CommandedAt }

// loads returns at which batteries voltage and current moved together since the scan before, as
// they do when a load is switched, and whether there was one. A minute apart, readings of a unit at work
// differ by loads more often than not, and that is no noise. A second apart hardly any does, and
// what disturbs a whole board moves both, too.
func (c *Channels) loads(in *unit.Scan) (at [unit.MaxBatteries]bool, any bool) {
	for i := range c.n {
		b, v, a := &in.Battery[i], c.of(unit.BatteryVoltage, i), c.of(unit.BatteryCurrent, i)
		post := c.asRead(unit.ChannelOf(unit.BatteryVoltage, i), in)
		if !b.VoltageV.OK() || !b.CurrentA.OK() || !v.HasLast || !a.HasLast || c.now-v.LastAt < loadGap {
			continue
		}
		dv, da := post.Value-v.Last, b.CurrentA.Value-a.Last
		at[i] = dv*da > 0 && math.Abs(dv) >= loadOhm*math.Abs(da) && math.Abs(dv) <= mostLoadOhm*math.Abs(da)
		any = any || at[i]
	}
	return at, any
}

// checkNoise counts how often a channel is far from where it was. A load that was switched explains
// a voltage or a current that is.
func (k *ChannelMemory) checkNoise(kind unit.Signal, v float64, load bool, now time.Duration) {
	if !k.HasLast {
		return
	}
	limit := noiseV
	switch kind {
	case unit.BatteryCurrent:
		limit = noiseA
	case unit.BatteryTemp, unit.AmbientTemp:
		limit = noiseC
	case unit.OilPressure:
		limit = noiseBar
	}
	far := 0.0
	if math.Abs(v-k.Last) > limit && (!load || kind == unit.BatteryTemp || kind == unit.AmbientTemp) {
		far = 1
	}
	k.Noise += (far - k.Noise) / noiseMemory
	switch {
	case k.Doubt == NoDoubt && k.Noise > noisy:
		k.Doubt, k.DoubtSince = doubtNoise, now
	case k.Doubt == doubtNoise && k.Noise < noLongerNoisy:
		k.Doubt = NoDoubt
	}
}

// checkTemp uses that a battery is slow to warm. How far one has cooled before a start is not
// known, nor for how long it was off.
func (c *Channels) checkTemp(i int, v float64) {
	k, first := c.of(unit.BatteryTemp, i), !c.tempRead[i]
	c.tempRead[i] = true
	switch {
	case first && k.Doubt == NoDoubt:
		k.Reference = v
		return
	case k.Doubt == doubtJump:
		back := math.Abs(v-k.Last) > jumpBackC && math.Abs(v-k.Reference) < returnNearC
		if back || c.now-k.DoubtSince > jumpForgotten && math.Abs(v-k.Reference) < jumpForgottenC {
			k.Doubt, k.Reference = NoDoubt, v
		}
		return
	case k.Doubt != NoDoubt:
		return
	}
	room := maxCPerMin * (c.now - k.LastAt).Minutes()
	k.Reference += min(max(v-k.Reference, -room), room)
	if math.Abs(v-k.Reference) > jumpC {
		k.Doubt, k.DoubtSince = doubtJump, c.now
	}
}

// holdDoubt sets a doubt after it has lasted, and takes it away after a minute of agreement.
func (c *Channels) holdDoubt(k *ChannelMemory, d Doubt, is, isNot bool, after time.Duration) {
	switch {
	case k.Doubt != NoDoubt && k.Doubt != d:
		return
	case k.Doubt == NoDoubt:
		if !is {
			k.Suspect = false
			return
		}
		if !k.Suspect {
			k.Suspect, k.SuspectSince = true, c.now
		}
		if c.now-k.SuspectSince >= after {
			k.Doubt, k.DoubtSince, k.Suspect = d, c.now, false
		}
	case !isNot:
		k.Suspect = false
	default:
		if !k.Suspect {
			k.Suspect, k.SuspectSince = true, c.now
		}
		if c.now-k.SuspectSince >= agreesHold {
			k.Doubt, k.Suspect = NoDoubt, false
		}
	}
}

// checkPosts uses that at rest all posts of a parallel bank have one voltage unless a link is open.
// A battery that carried its part of the last run is joined.
func (c *Channels) checkPosts(in *unit.Scan) {
	n, m := c.n, &c.Memory
	if n < 2 || c.layout != unit.Parallel {
		return
	}
	joined := m.HasShares && c.Joined(in)
	for i := range n {
		joined = joined && m.Shares[i] >= carriesShare
	}
	own := func(i int) (float64, bool) {
		v := in.Battery[i].OwnV()
		return v.Value, v.OK() && v.Value >= DeadPostV && m.UnresponsiveV[i] < unresponsiveRuns
	}
	for i := range n {
		v, ok := own(i)
		if !ok {
			continue
		}
		apart, agrees := 0, 0
		for k := range n {
			if o, ok := own(k); k != i && ok {
				switch d := math.Abs(v - o); {
				case d > postsApartV:
					apart++
				case d < postsAgreeV:
					agrees++
				}
			}
		}
		if f := in.FeedV; f.OK() && f.Value > DeadPostV && !c.Doubted(unit.Feed) && apart > 0 &&
			math.Abs(v-f.Value) < postsAgreeV {
			agrees++ // the charge breaker joins the feed's terminal too
		}
		k := c.of(unit.BatteryVoltage, i)
		is := apart > 0 && agrees == 0
		after := suspectHold
		if is && k.Suspect && !(joined && m.SharesAt > k.SuspectSince) {
			after = forever // a link may have opened since the last run: the next one shows
		}
		had := k.Doubt
		c.holdDoubt(k, doubtPosts, is, apart == 0 && agrees > 0 || !joined, after)
		c.turned[i] = c.turned[i] || had != k.Doubt
	}
}

const forever = time.Duration(math.MaxInt64) // longer than any run of the agent; physical

// PostsDisagree reports whether the posts differ at rest, or a single one and the feed's terminal, and
// it is not known yet whether a link or a channel is the cause.
func (c *Channels) PostsDisagree() bool {
	if c.FeedApart && c.oddTap() == eitherOdd {
		return true
	}
	for i := range c.n {
		if k := c.of(unit.BatteryVoltage, i); k.Suspect && k.Doubt == NoDoubt {
			return true
		}
	}
	return false
}

// checkIdle uses that with nothing on, current flows from battery to battery, out to a drain or in
// from a charger on the posts; drain and charger take from and give to all that are joined. A
// current that one channel shows alone is not there.
func (c *Channels) checkIdle(in *unit.Scan) {
	m, strings := &c.Memory, c.layout.Strings(c.n)
	if strings < 2 {
		return
	}
	sum := 0.0
	for k := range strings {
		a := in.Battery[c.layout.Lowest(k)].CurrentA
		if !a.OK() {
			return
		}
		sum += a.Value
	}
	for i := range c.n {
		a := in.Battery[i].CurrentA.Value
		joined := m.HasShares && m.Shares[i] < 1-carriesShare
		is := joined && math.Abs(a) > idleCurrentA && math.Abs(sum) > idleCurrentA && math.Abs(sum-a) < idleAgreesA
		c.holdDoubt(c.of(unit.BatteryCurrent, i), doubtIdleCurrent, is, math.Abs(a) < idleCurrentA/2, idleSuspectHold)
	}
}

// checkFeed uses that the feed's terminal is above the posts while charge flows through it, and at
// rest has their voltage, or near none behind an open breaker. Beside a single battery it may as well
// be that one's tap: the motor's terminal tells.
func (c *Channels) checkFeed(in *unit.Scan) {
	v := c.layout.OfBlock(in.FeedV)
	post, low := c.nearestPost(in, v.Value)
	if !v.OK() || !post.OK() || post.Value < DeadPostV {
		return
	}
	k := &c.Channel[unit.Feed]
	sum, ok, strings := 0.0, true, c.layout.Strings(c.n)
	for k := range strings {
		a := in.Battery[c.layout.Lowest(k)].CurrentA
		sum, ok = sum+a.Value, ok && a.OK()
	}
	if strings == 1 && ok && math.Abs(sum) < feedFlowsA && in.WakeLine != unit.ContactOn && v.Value > DeadPostV {
		c.compareFeed(math.Abs(v.Value - post.Value))
	}
	charging := ok && sum > feedFlowsA && in.WakeLine == unit.ContactOn
	resting := c.uncommandedFor(in) > feedRest && in.WakeLine == unit.ContactOff
	odd := c.oddTap()
	switch {
	case charging:
		c.holdDoubt(k, doubtFeed, odd == feedOdd && v.Value < low-feedUnderV && !c.feedsOne(in, low), v.Value > low-feedUnderV/2, agreesHold)
	case resting && v.Value > DeadPostV:
		apart := math.Abs(v.Value - post.Value)
		c.holdDoubt(k, doubtFeed, odd == feedOdd && apart > feedApartV && !c.feedsOne(in, low), apart < feedAgreesV, suspectHold)
	default: // what a run's reading began just after it must not go on at the next charge
		k.Suspect = false
	}
}

// feedsOne reports whether the feed has the voltage of one battery of a string, half of the bank's or that of a
// battery that it charges alone: a feed for 12 V, and no channel's fault.
func (c *Channels) feedsOne(in *unit.Scan, low float64) bool {
	if c.layout == unit.Parallel {
		return false
	}
	near := func(v float64) bool { return math.Abs(in.FeedV.Value-v) < c.layout.Volts(halfFeedV) }
	for i := range c.n {
		if v := in.Battery[i].OwnV(); v.OK() && v.Value > DeadPostV && near(v.Value) {
			return true
		}
	}
	return near(low)
}

// compareFeed notes how far the taps of the feed and of a single battery are apart while no current
// flows between them.
func (c *Channels) compareFeed(apart float64) {
	switch {
	case apart < feedAgreesV:
		c.FeedAgreed, c.FeedApart = true, false
	case apart > feedApartV:
		c.FeedAgreed, c.FeedApart = false, true
	}
}

// DropKnown reports whether what lies between the taps of feed and bank is a drop: of a single
// battery it may be an error of its tap, until both have shown the same without a current, or the
// motor's terminal has.
func (c *Channels) DropKnown() bool {
	return c.layout.Strings(c.n) > 1 || c.FeedAgreed || c.Runs3 >= lowMotorRuns && c.likely(c.PostOverMotorV)
}

// nearestPost returns the post whose voltage is nearest to v, and the highest that another one agrees
// with; where none does, the lowest.
func (c *Channels) nearestPost(in *unit.Scan, v float64) (post unit.Reading, agreed float64) {
	lowest, shared := math.Inf(1), math.Inf(-1)
	for i := range c.layout.Strings(c.n) {
		b := c.plusV(in, i)
		if !b.OK() || b.Value < DeadPostV {
			continue
		}
		lowest = min(lowest, b.Value)
		for k := range c.layout.Strings(c.n) {
			if o := c.plusV(in, k); k != i && o.OK() && math.Abs(o.Value-b.Value) < postsAgreeV {
				shared = max(shared, b.Value)
			}
		}
		if !post.OK() || math.Abs(b.Value-v) < math.Abs(post.Value-v) {
			post = b
		}
	}
	if math.IsInf(shared, 0) {
		shared = lowest
	}
	return post, shared
}

// Which of two taps that differ is the odd one.
type odd uint8

const (
	feedOdd odd = iota
	tapOdd
	eitherOdd // nobody knows yet
)

// oddTap tells which tap of the feed's terminal and the one battery is the odd one, by the motor's
// terminal in runs without a feed: below both, by what the leads drop.
func (c *Channels) oddTap() odd {
	m := &c.Memory
	switch {
	case c.layout.Strings(c.n) > 1 || c.Doubted(unit.Motor) || !m.MotorSeen:
		return feedOdd
	case m.Runs3 < lowMotorRuns:
		return eitherOdd
	}
	tap, feed := m.likely(m.PostOverMotorV), m.likely(m.FeedOverMotorV)
	switch {
	case tap == feed:
		return eitherOdd
	case tap:
		return feedOdd
	}
	return tapOdd
}

// likely reports whether a voltage so far above the motor's terminal is what feeds the motor.
func (m *Memory) likely(overV float64) bool { return overV > -motorAboveV && overV < motorDropV }

// seeMotor notes how far feed and battery are above the motor's terminal in a run without a feed.
func (c *Channels) seeMotor(in *unit.Scan) {
	m := &c.Memory
	m.MotorSeen = m.MotorSeen || in.MotorV.OK()
	v, motorV, feedV := c.plusV(in, 0), c.layout.OfBlock(in.MotorV), c.layout.OfBlock(in.FeedV)
	if c.layout.Strings(c.n) > 1 || !c.facts.Running || c.facts.RunFor < motorSettles || in.WakeLine != unit.ContactOff ||
		!motorV.OK() || !(motorV.Value >= motorOnV) || !v.OK() || !feedV.OK() ||
		!(feedV.Value >= DeadPostV) || !sane(motorV) || !sane(feedV) || !sane(v) {
		return
	}
	m.PostOverMotorV, m.FeedOverMotorV = v.Value-motorV.Value, feedV.Value-motorV.Value
	if m.RunSeen != c.now-c.facts.RunFor {
		m.RunSeen, m.Runs3 = c.now-c.facts.RunFor, min(m.Runs3+1, lowMotorRuns)
	}
	top := c.layout.Highest(0)
	k, odd := c.of(unit.BatteryVoltage, top), c.oddTap()
	switch {
	case odd == tapOdd && k.Doubt == NoDoubt:
		k.Doubt, k.DoubtSince, c.turned[top] = doubtTap, c.now, true
	case k.Doubt == doubtTap && m.likely(m.PostOverMotorV):
		k.Doubt, c.turned[top] = NoDoubt, true
	}
}

func (c *Channels) checkMotor(in *unit.Scan) {
	motorV := c.layout.OfBlock(in.MotorV)
	if !motorV.OK() {
		return
	}
	k, m := &c.Channel[unit.Motor], &c.Memory
	if m.LowMotor >= lowMotorRuns && c.Joined(in) && k.Doubt == NoDoubt {
		k.Doubt, k.DoubtSince = doubtMotorLow, c.now
	}
	if m.LowMotor == 0 && k.Doubt == doubtMotorLow {
		k.Doubt = NoDoubt
	}
	off := in.MotorCommand == unit.ContactOff && c.Joined(in) && c.facts.BankA.OK() && -c.facts.BankA.Value < c.facts.MinA
	c.holdDoubt(k, doubtMotorHigh, off && motorV.Value > motorOnV, motorV.Value < motorOnV, agreesHold)
}
