package rules

import (
	"math"
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
)

// FeedMemory is what the feed's findings remember.
type FeedMemory struct {
	BestA  float64 // most that the converter gave, smoothed
	Amps   float64 // into the bank, smoothed while the feed is on
	HaveA  bool
	LastAt time.Duration
}

// Times of the feed's findings: our choice. An average over ten seconds is past noise and the ramp of a converter.
const (
	feedSmooth   = 10 * time.Second
	weakHold     = 5 * time.Minute
	weakRelease  = 15 * time.Second
	highHold     = time.Minute
	highRelease  = 2 * time.Minute
	weakLeastA   = 3.0  // less flows in any charge towards its end
	weakClear    = 0.8  // of what the converter can give
	weakDoesV    = 13.3 // 25 °C: under it a charging bank takes all that comes, far under every absorption voltage
	weakHeldV    = 14.0 // 25 °C: over it the bank is held at its charge voltage, whatever stands before
	learntLeastA = 8.0  // a best of less has not shown what the converter can give
)

// highestPost gives the highest believed voltage between a battery's own posts.
func (e *Engine) highestPost(use *Input) (v Reading) {
	for i := range e.cfg.Batteries {
		if b := use.Battery[i].VoltageV; b.OK() && (!v.OK() || b.Value > v.Value) {
			v = b
		}
	}
	return v
}

func (e *Engine) lowestPost(use *Input) (v Reading) {
	for i := range e.cfg.Batteries {
		if b := use.Battery[i].VoltageV; b.OK() && (!v.OK() || b.Value < v.Value) {
			v = b
		}
	}
	return v
}

// smoothFeed follows the current into the bank while the feed is on and the motor is not.
func (e *Engine) smoothFeed() (amps float64, ok bool) {
	m := &e.det.Feed
	status, _ := e.feed.Status()
	a := e.out.Bank.CurrentA
	if running, _ := e.motor.Running(); running {
		return 0, false
	}
	if status != feed.Present || !a.OK() {
		m.HaveA = false
		return 0, false
	}
	if !m.HaveA {
		m.Amps, m.HaveA, m.LastAt = a.Value, true, e.last
		return 0, false
	}
	x := float64(e.last-m.LastAt) / float64(feedSmooth)
	m.Amps += (a.Value - m.Amps) * x / (1 + x)
	m.LastAt = e.last
	m.BestA = max(m.BestA, m.Amps)
	return m.Amps, true
}

func (e *Engine) judgeFeedWeak(use *Input) {
	slot, t, rec := e.slots.feedWeak, &e.cfg.Thresholds, &e.book.Records[e.slots.feedWeak]
	amps, ok := e.smoothFeed()
	can := t.FeedRatedA
	if can == 0 {
		can = e.det.Feed.BestA
	}
	post := e.highestPost(use)
	switch {
	case e.wiringUnread() != "":
		e.give(slot, finding.NotJudged, e.wiringUnread())
		return
	case !post.OK():
		e.give(slot, finding.NotJudged, "no battery voltage can be read")
		return
	case e.out.Bank.CurrentA.Faulty():
		e.give(slot, finding.NotJudged, "a battery current can't be read")
		return
	case t.FeedRatedA == 0 && can < learntLeastA:
		e.give(slot, finding.NotJudged, "what the converter can give is not known: set feed.rated_a")
		return
	case !ok:
		e.give(slot, finding.Between, "")
		return
	}
	temp := e.tempOr25(use, 0)
	drop := 0.0
	if use.FeedV.OK() {
		drop = use.FeedV.Value - e.highestPositive(use)
	}
	little := amps < t.FeedWeakPart*can
	dropped := drop > t.FeedWeakDropV && amps >= weakLeastA && post.Value < leadacid.ChargeLimitV(weakHeldV, temp)
	takes := post.Value < leadacid.ChargeLimitV(weakDoesV, temp) && post.Value < t.FeedPresentV+1 && amps >= t.FeedPresentA
	o := finding.Between
	switch {
	case little && (dropped || takes):
		o = finding.Present
		rec.Show(
			finding.Evidence{What: "current into the bank", Value: amps, Unit: "A", At: e.last},
			finding.Evidence{What: "converter can give", Value: can, Unit: "A", At: e.last},
			finding.Evidence{What: "bank voltage", Value: post.Value, Unit: "V", At: e.last},
			finding.Evidence{What: "feed voltage", Value: use.FeedV.Value, Unit: "V", At: e.last},
			finding.Evidence{What: "lost between converter and posts", Value: drop, Unit: "V", At: e.last})
		if dropped {
			rec.Suspect(finding.Likely{Cause: finding.FeedWeakLead, Reason: "the drop lies between converter and posts"})
		} else {
			rec.Suspect(finding.Likely{Cause: finding.FeedWeakCable, Reason: "the converter's output sags and nothing is lost after it"})
		}
	case amps >= weakClear*can:
		o = finding.Absent
	}
	e.give(slot, o, "")
}

// highestPositive gives the highest believed positive post over the board's ground; in a charge the feed's lead is on it.
func (e *Engine) highestPositive(use *Input) float64 {
	top := math.Inf(-1)
	for i := range e.cfg.Batteries {
		b := &use.Battery[i]
		if !b.VoltageV.OK() {
			continue
		}
		v := b.VoltageV.Value
		if b.NegativeV.OK() {
			v += b.NegativeV.Value
		}
		top = max(top, v)
	}
	return top
}

func (e *Engine) tempOr25(use *Input, i int) float64 {
	if t := e.temperature(use, i); t != noTemperature {
		return t
	}
	return 25
}

// Upper absorption voltage of a 12 V block at 25 °C, and its change by temperature (flooded 14.4 to 14.8 V, -4 to -5 mV per °C and cell;
// AGM the same, -4; gel 14.0 to 14.4, -3 to -5: handbooks, from memory).
func upperChargeV(c leadacid.Chemistry, tempC float64) float64 {
	v := 14.8
	if c == leadacid.Gel {
		v = 14.4
	}
	return v - 6*0.004*(tempC-25)
}

// judgeFeedHigh takes the lowest of all readings: one channel that reads high accuses nobody.
func (e *Engine) judgeFeedHigh(use *Input) {
	slot := e.slots.feedHigh
	v, a := e.lowestPost(use), e.out.Bank.CurrentA
	if len(e.cfg.Batteries) == 1 && use.FeedV.OK() && v.OK() && use.FeedV.Value < v.Value {
		v = use.FeedV
	}
	switch {
	case e.wiringUnread() != "":
		e.give(slot, finding.NotJudged, e.wiringUnread())
		return
	case !v.OK():
		e.give(slot, finding.NotJudged, "no battery voltage can be read")
		return
	case !a.OK():
		e.give(slot, finding.NotJudged, "a battery current can't be read")
		return
	}
	temp := e.tempOr25(use, 0)
	limit := math.Inf(1)
	for _, b := range e.cfg.Batteries {
		limit = min(limit, upperChargeV(b.Chemistry, temp))
	}
	limit += e.cfg.Thresholds.FeedHighMarginV
	o := finding.Between
	switch {
	case a.Value <= 0: // nothing flows in: nothing to say
	case v.Value > limit:
		o = finding.Present
		rec := &e.book.Records[slot]
		rec.Show(
			finding.Evidence{What: "charge voltage at the posts", Value: v.Value, Unit: "V", At: e.last},
			finding.Evidence{What: "limit at this temperature", Value: limit, Unit: "V", At: e.last},
			finding.Evidence{What: "temperature", Value: temp, Unit: "°C", At: e.last},
			finding.Evidence{What: "current into the bank", Value: a.Value, Unit: "A", At: e.last})
		rec.Suspect()
		if warmC := 30.0; temp > warmC && v.Value < limit+0.5 {
			rec.Suspect(finding.Likely{Cause: finding.FeedHighCompensation, Reason: "the limit falls in the heat, the voltage did not"})
		}
	default:
		o = finding.Absent
	}
	e.give(slot, o, "")
}

// suspectLost says where on the feed's path it is lost.
func (e *Engine) suspectLost(rec *finding.Record, use *Input) {
	bank := e.highestPost(use)
	rec.Suspect()
	if !bank.OK() || !use.FeedV.OK() {
		return
	}
	const near, nothingV = 0.3, 5.0
	switch v := use.FeedV.Value; {
	case v > bank.Value+near:
		rec.Suspect(
			finding.Likely{Cause: finding.FeedLostBreaker, Reason: "the converter makes voltage, and none of it arrives"},
			finding.Likely{Cause: finding.FeedLostLead, Reason: "the converter makes voltage, and none of it arrives"})
	case v < nothingV:
		rec.Suspect(
			finding.Likely{Cause: finding.FeedLostBreaker, Reason: "the bank's own voltage does not reach back to the converter"},
			finding.Likely{Cause: finding.FeedLostLead, Reason: "the bank's own voltage does not reach back to the converter"})
	default:
		rec.Suspect(
			finding.Likely{Cause: finding.FeedLostPlug, Reason: "breaker and leads are whole: the bank's voltage stands at the converter, which is awake and gives nothing"},
			finding.Likely{Cause: finding.FeedLostConverter, Reason: "awake, and nothing comes out"})
	}
}
