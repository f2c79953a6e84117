package rules

import (
	"math"
	"time"
)

// Doubt is why a channel that gives readings is not believed. The zero value is: it is.
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
	doubts
)

var doubtWords = [doubts]string{
	doubtNoise:       "much more noise than a battery makes",
	doubtPosts:       "stands apart from the other posts at rest, though the cables join them",
	doubtIdleCurrent: "shows current with nothing on, which the other channels deny",
	doubtJump:        "jumped as no battery's temperature can",
	doubtMotorLow:    "no voltage at the motor terminal in three runs that drew current",
	doubtMotorHigh:   "voltage at the motor terminal with the motor off and no current",
	doubtFeed:        "well under the posts while charge flows through it",
}

// channelCount: four of each battery, feed and motor.
const (
	perBattery   = 4
	feedChannel  = MaxBatteries * perBattery
	motorChannel = feedChannel + 1
	channelCount = motorChannel + 1
)

// ChannelMemory is what is remembered of one channel.
type ChannelMemory struct {
	Have  bool
	Last  float64
	At    time.Duration
	Noise float64 // share of the last readings that stand far from the one before
	Ref   float64 // of a temperature: what it can have become
	Doubt Doubt
	Since time.Duration // of the doubt
	Odd   time.Duration // since when it is odd, or agrees again
	IsOdd bool
}

// SenseMemory is what is remembered of all channels.
type SenseMemory struct {
	DeafV, DeafA [MaxBatteries]uint8   // runs in a row that a channel did not answer to
	LowMotor     uint8                 // runs in a row with current and no voltage at the motor
	Carried      [MaxBatteries]float64 // share of the last run's current
	HasCarried   bool
	CarriedAt    time.Duration // when that was
	WokenAt      time.Duration // when motor or feed was last asked for
	Channel      [channelCount]ChannelMemory
}

// Limits of doubt. Our choice unless a source stands beside: each several times what sound sensors of the class do (±10 mV, ±0.2 A, ±1 %,
// ±1 °C), and for long enough that a switched load is not taken for it.
const (
	noiseV, noiseA, noiseC = 0.10, 2.0, 1.0 // from one reading to the next, at rest
	noiseMemory            = 30             // readings
	noisy, noisyNoMore     = 0.3, 0.05
	postsApartV            = 0.35 // two taps at opposite ends of their class, 10 mV and 1 %, stand 0.29 V apart at 13.5 V
	postsAgreeV            = 0.30
	feedApartV             = 0.40 // as two posts, and what a lead drops
	feedAgreesV            = 0.35
	idleCurrentA           = 3.0
	idleAgreesA            = 1.0
	carriesShare           = 0.05
	jumpC                  = 6.0
	jumpBackC              = 3.0
	fastestCPerMin         = 0.3 // 25 kg of lead and acid hold some 25 kJ/K: this takes 125 W
	nearAgainC             = 15.0
	jumpedFor              = 24 * time.Hour // a jump is forgotten then, if it was no larger than this: another battery, another place
	jumpedNearC            = 25.0
	oddFor                 = 10 * time.Minute
	idleOddFor             = 30 * time.Minute
	agreesFor              = time.Minute
	feedUnderV             = 1.0
	feedFlowsA             = 2.0 // five times the zero errors of two sensors
	lowMotorRuns           = 3
)

// doubt reports whether a channel that gives readings is not believed.
func (e *Engine) doubt(i int, kind signalKind) bool { return e.channel(i, kind).Doubt != NoDoubt }

func (e *Engine) channel(i int, kind signalKind) *ChannelMemory {
	switch kind {
	case feedVoltage:
		return &e.det.Sense.Channel[feedChannel]
	case motorVoltage:
		return &e.det.Sense.Channel[motorChannel]
	}
	return &e.det.Sense.Channel[i*perBattery+int(kind)]
}

// checkChannels looks for what channels contradict: themselves, each other, or what can be.
func (e *Engine) checkChannels(in *Input) {
	running, _ := e.motor.Running()
	last := e.motor.Last()
	calm := !running && (last.Number == 0 || e.last-last.Start-last.Duration > settleAfterRun) && in.MotorCommand != ContactOn
	for _, s := range e.slots.sense {
		r, c := e.reading(in, s), e.channel(s.battery, s.kind)
		if !r.OK() {
			c.Have = false
			continue
		}
		if s.kind == batteryTemp {
			e.checkTemp(s.battery, r.Value)
		}
		if calm {
			e.checkNoise(c, s.kind, r.Value)
		} else {
			c.Have = c.Have && s.kind == batteryTemp
		}
		c.Last, c.At, c.Have = r.Value, e.last, true
	}
	if running || e.book.Records[e.slots.series].Active() {
		e.unwoken(in)
		return
	}
	e.checkFeed(in)
	e.checkMotor(in)
	if e.unwoken(in) > oddFor {
		e.checkPosts(in)
		e.checkIdle(in)
	}
}

// unwoken gives for how long neither motor nor feed has been asked for. Other than quietFor it does not go by currents, which may be
// what is wrong.
func (e *Engine) unwoken(in *Input) time.Duration {
	m := &e.det.Sense
	if running, _ := e.motor.Running(); running || in.WakeLine == ContactOn || in.MotorCommand == ContactOn || in.WakeLine == ContactNotFitted && e.quietFor() == 0 {
		m.WokenAt = e.last
	}
	return e.last - m.WokenAt
}

// settleAfterRun: just after a run the bank moves by itself, and a motor that coasts still makes voltage.
const settleAfterRun = 5 * time.Second

func (e *Engine) checkNoise(c *ChannelMemory, kind signalKind, v float64) {
	if !c.Have {
		return
	}
	limit := noiseV
	switch kind {
	case batteryCurrent:
		limit = noiseA
	case batteryTemp:
		limit = noiseC
	}
	far := 0.0
	if math.Abs(v-c.Last) > limit {
		far = 1
	}
	c.Noise += (far - c.Noise) / noiseMemory
	switch {
	case c.Doubt == NoDoubt && c.Noise > noisy:
		c.Doubt, c.Since = doubtNoise, e.last
	case c.Doubt == doubtNoise && c.Noise < noisyNoMore:
		c.Doubt = NoDoubt
	}
}

// checkTemp knows that a battery is slow to warm. How far one has cooled before a start is not known: nor may be how long ago that was.
func (e *Engine) checkTemp(i int, v float64) {
	c, first := e.channel(i, batteryTemp), !e.tempRead[i]
	e.tempRead[i] = true
	switch {
	case first && c.Doubt == NoDoubt:
		c.Ref = v
		return
	case c.Doubt == doubtJump:
		back := math.Abs(v-c.Last) > jumpBackC && math.Abs(v-c.Ref) < nearAgainC
		if back || e.last-c.Since > jumpedFor && math.Abs(v-c.Ref) < jumpedNearC {
			c.Doubt, c.Ref = NoDoubt, v
		}
		return
	case c.Doubt != NoDoubt:
		return
	}
	room := fastestCPerMin * (e.last - c.At).Minutes()
	c.Ref += min(max(v-c.Ref, -room), room)
	if math.Abs(v-c.Ref) > jumpC {
		c.Doubt, c.Since = doubtJump, e.last
	}
}

// odd holds a doubt back until it has stood for a time, and takes it away when it has been gone for a minute.
func (e *Engine) odd(c *ChannelMemory, d Doubt, is, isNot bool, after time.Duration) {
	switch {
	case c.Doubt != NoDoubt && c.Doubt != d:
		return
	case c.Doubt == NoDoubt:
		if !is {
			c.IsOdd = false
			return
		}
		if !c.IsOdd {
			c.IsOdd, c.Odd = true, e.last
		}
		if e.last-c.Odd >= after {
			c.Doubt, c.Since, c.IsOdd = d, e.last, false
		}
	case !isNot:
		c.IsOdd = false
	default:
		if !c.IsOdd {
			c.IsOdd, c.Odd = true, e.last
		}
		if e.last-c.Odd >= agreesFor {
			c.Doubt, c.IsOdd = NoDoubt, false
		}
	}
}

// checkPosts: at rest all posts of a parallel bank stand together, unless a link is open. A battery that carried its part of the last
// run is joined.
func (e *Engine) checkPosts(in *Input) {
	n, m := len(e.cfg.Batteries), &e.det.Sense
	if n < 2 {
		return
	}
	joined := m.HasCarried && e.negativesJoined(in)
	for i := range n {
		joined = joined && m.Carried[i] >= carriesShare
	}
	own := func(i int) (float64, bool) {
		v := ownVoltage(&in.Battery[i])
		return v.Value, v.OK() && v.Value >= deadPostV && m.DeafV[i] < deafRuns
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
		if f := in.FeedV; f.OK() && f.Value > deadPostV && !e.doubt(0, feedVoltage) && apart > 0 && math.Abs(v-f.Value) < postsAgreeV {
			agrees++ // the charge breaker joins the feed's terminal too
		}
		c := e.channel(i, batteryVoltage)
		is := apart > 0 && agrees == 0
		after := oddFor
		if is && c.IsOdd && !(joined && m.CarriedAt > c.Odd) {
			after = never // a link may have opened since the last run: the next one tells
		}
		e.odd(c, doubtPosts, is, apart == 0 && agrees > 0 || !joined, after)
	}
}

const never = time.Duration(math.MaxInt64)

// postsApart reports whether the posts stand apart at rest and it is not known yet whether a link or a channel is the cause.
func (e *Engine) postsApart() bool {
	for i := range e.cfg.Batteries {
		if c := e.channel(i, batteryVoltage); c.IsOdd && c.Doubt == NoDoubt {
			return true
		}
	}
	return false
}

// negativesJoined reports whether all negative posts stand near the board's ground, as they do while the negative links are whole.
func (e *Engine) negativesJoined(in *Input) bool {
	const near = 0.3
	for i := range e.cfg.Batteries {
		if v := in.Battery[i].NegativeV; v.Quality == Saturated || v.OK() && math.Abs(v.Value) > near {
			return false
		}
	}
	return true
}

// checkIdle: with nothing on, current flows from battery to battery, out to a drain or in from a charger on the posts, and those take
// from and give to all that are joined. A current that one channel shows alone is not there.
func (e *Engine) checkIdle(in *Input) {
	n, m := len(e.cfg.Batteries), &e.det.Sense
	if n < 2 {
		return
	}
	sum := 0.0
	for i := range n {
		a := in.Battery[i].CurrentA
		if !a.OK() {
			return
		}
		sum += a.Value
	}
	for i := range n {
		a := in.Battery[i].CurrentA.Value
		joined := m.HasCarried && m.Carried[i] < 1-carriesShare
		is := joined && math.Abs(a) > idleCurrentA && math.Abs(sum) > idleCurrentA && math.Abs(sum-a) < idleAgreesA
		e.odd(e.channel(i, batteryCurrent), doubtIdleCurrent, is, math.Abs(a) < idleCurrentA/2, idleOddFor)
	}
}

// checkFeed: while charge flows through the feed's terminal, it stands over the posts; at rest it stands with them, or near nothing
// behind an open breaker.
func (e *Engine) checkFeed(in *Input) {
	post := e.highestPost(in)
	c := e.channel(-1, feedVoltage)
	if !in.FeedV.OK() || !post.OK() || post.Value < deadPostV {
		return
	}
	sum, ok := 0.0, true
	for i := range e.cfg.Batteries {
		a := in.Battery[i].CurrentA
		sum, ok = sum+a.Value, ok && a.OK()
	}
	charging := ok && sum > feedFlowsA && in.WakeLine == ContactOn
	resting := e.unwoken(in) > time.Hour && in.WakeLine == ContactOff
	v := in.FeedV.Value
	switch {
	case charging:
		e.odd(c, doubtFeed, v < post.Value-feedUnderV, v > post.Value-feedUnderV/2, agreesFor)
	case resting && v > deadPostV:
		apart := math.Abs(v - post.Value)
		e.odd(c, doubtFeed, apart > feedApartV, apart < feedAgreesV, oddFor)
	default: // what a run's reading began just after it must not go on at the next charge
		c.IsOdd = false
	}
}

func (e *Engine) checkMotor(in *Input) {
	if !in.MotorV.OK() {
		return
	}
	c, m := e.channel(-1, motorVoltage), &e.det.Sense
	if m.LowMotor >= lowMotorRuns && e.negativesJoined(in) && c.Doubt == NoDoubt {
		c.Doubt, c.Since = doubtMotorLow, e.last
	}
	if m.LowMotor == 0 && c.Doubt == doubtMotorLow {
		c.Doubt = NoDoubt
	}
	off := in.MotorCommand == ContactOff && e.negativesJoined(in) && e.out.Bank.CurrentA.OK() && -e.out.Bank.CurrentA.Value < e.cfg.MotorMinA
	e.odd(c, doubtMotorHigh, off && in.MotorV.Value > motorOnV, in.MotorV.Value < motorOnV, agreesFor)
}

// hearMotor takes in what the motor terminal showed of a run that drew current.
func (e *Engine) hearMotor(in *Input) {
	w := &e.watch
	if w.liftS < 1 || !in.MotorV.OK() || w.liftA/w.liftS < e.cfg.MotorMinA {
		return
	}
	e.det.Sense.LowMotor = tallyTo(e.det.Sense.LowMotor, !w.lit, lowMotorRuns)
}

func tallyTo(count uint8, up bool, most uint8) uint8 {
	if !up {
		return 0
	}
	return min(count+1, most)
}
