package rules

import (
	"slices"
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/network"
)

// slots are the places of the findings in Output.Findings. The sense faults of the fitted channels follow from senseFrom on.
type slots struct {
	series, feedLost, feedWeak, feedHigh, bankLow, undercharged, balance, circulating, parked, service, clock int
	overrun, hungry, starved, stuck, dead, drop, senseFrom                                                    int

	reversed, uneven, tired, failed, freeze, hot, link, post []int // by battery; by Output.Links; by posts
	posts                                                    []post
	sense                                                    []signal
}

// post is one post of a battery.
type post struct {
	battery int
	side    network.Side
}

// signal names one measuring channel of the input.
type signal struct {
	battery int // index; -1 for the unit's own channels
	kind    signalKind
}

type signalKind uint8

const (
	batteryVoltage signalKind = iota
	batteryNegative
	batteryCurrent
	batteryTemp
	feedVoltage
	motorVoltage
)

// Clearing times: our choice, long enough that a plug being moved does not make the list flicker.
const (
	seriesHold      = 3 * time.Second
	seriesRelease   = 10 * time.Second
	feedRelease     = time.Minute
	lowHold         = 10 * time.Minute
	lowRelease      = 10 * time.Minute
	underRelease    = 0
	senseRelease    = time.Minute
	underclearedPct = 1.0 // over the threshold, before the charge counts as up again
)

func (e *Engine) buildFindings() {
	t, s := e.cfg.Thresholds, &e.slots
	e.book.Longest = t.LongestShelf
	add := func(d *finding.Definition, subject string, hold, release time.Duration) int {
		i := e.book.Add(finding.NewRecord(d, subject, hold, release))
		if slices.Contains(e.cfg.OutOfService, d.Name) {
			if err := e.book.TakeOut(d.Name, subject, byConfig, 0); err != nil {
				panic("bug: rules: " + err.Error())
			}
		}
		return i
	}
	each := func(to *[]int, d *finding.Definition, hold, release time.Duration) {
		for _, b := range e.cfg.Batteries {
			*to = append(*to, add(d, b.ID, hold, release))
		}
	}
	s.series = add(&finding.SeriesWired, "", seriesHold, seriesRelease)
	each(&s.reversed, &finding.Reversed, reversedHold, reversedRelease)
	s.feedLost = add(&finding.FeedLost, "", t.FeedLostAfter, feedRelease)
	s.feedWeak = add(&finding.FeedWeak, "", weakHold, weakRelease)
	s.feedHigh = add(&finding.FeedHigh, "", highHold, highRelease)
	each(&s.failed, &finding.BatteryFailed, 0, 0)
	for _, l := range e.out.Links {
		s.link = append(s.link, add(&finding.LinkResistive, l.Side.String()+" link "+e.cfg.Batteries[l.From].ID+"-"+e.cfg.Batteries[l.To].ID, 0, 0))
	}
	for _, side := range []network.Side{network.Positive, network.Negative} {
		for k := 1; k < len(e.cfg.Batteries)-1; k++ { // a joint at an end battery counts with its link
			s.posts = append(s.posts, post{k, side})
			s.post = append(s.post, add(&finding.LinkResistive, side.String()+" post "+e.cfg.Batteries[k].ID, 0, 0))
		}
	}
	each(&s.tired, &finding.BatteryTired, 0, 0)
	s.stuck = add(&finding.MotorStuck, "", stuckHold, stuckRelease)
	s.dead = add(&finding.MotorDead, "", 0, 0)
	s.overrun = add(&finding.MotorOverrun, "", 0, 0)
	s.hungry = add(&finding.MotorHungry, "", 0, 0)
	s.starved = add(&finding.MotorStarved, "", 0, 0)
	s.drop = add(&finding.MotorDrop, "", 0, 0)
	s.parked = add(&finding.ParkedDrain, "", 0, 0)
	s.balance = add(&finding.BalanceNegative, "", 0, 0)
	s.undercharged = add(&finding.BankUndercharged, "", 0, underRelease)
	s.bankLow = add(&finding.BankLow, "", lowHold, lowRelease)
	if len(e.cfg.Batteries) > 1 {
		each(&s.uneven, &finding.ShareUneven, 0, 0)
		s.circulating = add(&finding.Circulating, "", circulateHold, circulateRelease)
	}
	each(&s.freeze, &finding.FreezeRisk, freezeHold, freezeRelease)
	each(&s.hot, &finding.Hot, hotHold, hotRelease)
	s.service = -1
	if t.ServiceCycles > 0 || t.ServiceMotorTime > 0 {
		s.service = add(&finding.ServiceDue, "", 0, 0)
	}
	s.clock = add(&finding.ClockUnsure, "", t.ClockUnsureAfter, clockRelease)
	e.buildSense()
	e.out.Findings = e.book.Records
}

// byConfig stands for who took a finding out of service in the unit's configuration.
const byConfig = "configuration"

// buildSense adds a sense fault for every channel that there can be; those not fitted stay as they are.
func (e *Engine) buildSense() {
	t := e.cfg.Thresholds
	add := func(d *finding.Definition, subject string, hold, release time.Duration) {
		e.book.Add(finding.NewRecord(d, subject, hold, release))
	}
	e.slots.senseFrom = len(e.book.Records)
	sense := func(s signal, subject string) {
		e.slots.sense = append(e.slots.sense, s)
		add(&finding.SenseFault, subject, t.SenseFaultAfter, senseRelease)
	}
	for i, b := range e.cfg.Batteries {
		sense(signal{i, batteryVoltage}, "battery "+b.ID+" voltage")
		sense(signal{i, batteryNegative}, "battery "+b.ID+" negative")
		sense(signal{i, batteryCurrent}, "battery "+b.ID+" current")
		sense(signal{i, batteryTemp}, "battery "+b.ID+" temperature")
	}
	sense(signal{-1, feedVoltage}, "feed voltage")
	sense(signal{-1, motorVoltage}, "motor voltage")
}

// give takes an opinion to a finding's record and notes what became of it.
func (e *Engine) give(slot int, o finding.Opinion, because string) {
	e.book.Judge(slot, e.last, o, because)
}

// judgeSeries looks at the highest voltage anywhere. A channel at the end of its range counts: what it hides is higher still.
func (e *Engine) judgeSeries(in *Input) {
	top, where, judged := 0.0, "", false
	look := func(r Reading, what string) {
		if !r.OK() && r.Quality != Saturated {
			return
		}
		judged = true
		if r.Value > top {
			top, where = r.Value, what
		}
	}
	for i := range e.cfg.Batteries {
		look(in.Battery[i].VoltageV, batteryWords[i])
	}
	look(in.FeedV, "feed voltage")
	look(in.MotorV, "motor voltage")
	o := finding.Absent
	switch {
	case !judged:
		o = finding.NotJudged
	case top > e.cfg.Thresholds.SeriesV:
		o = finding.Present
		e.book.Records[e.slots.series].Show(
			finding.Evidence{What: where, Value: top, Unit: "V", At: e.last},
			finding.Evidence{What: "limit", Value: e.cfg.Thresholds.SeriesV, Unit: "V", At: e.last})
	}
	e.give(e.slots.series, o, "no voltage can be read")
}

var batteryWords = [MaxBatteries]string{"first battery's positive post", "second battery's positive post", "third battery's positive post", "fourth battery's positive post"}

func (e *Engine) judgeFeedLost(use *Input) {
	slot := e.slots.feedLost
	switch {
	case use.WakeLine == ContactNotFitted:
		e.give(slot, finding.NotJudged, "the wake line is not wired to the board")
		return
	case use.WakeLine == ContactUnknown:
		e.give(slot, finding.NotJudged, "the wake line can't be read")
		return
	}
	switch status, since := e.feed.Status(); status {
	case feed.Present, feed.Unasked:
		e.give(slot, finding.Absent, "")
	case feed.Missing:
		e.book.Records[slot].Show(
			finding.Evidence{What: "feed voltage", Value: use.FeedV.Value, Unit: "V", At: e.last},
			finding.Evidence{What: "bank current", Value: e.out.Bank.CurrentA.Value, Unit: "A", At: e.last},
			finding.Evidence{What: "wake line", Text: "on", At: e.last},
			finding.Evidence{What: "without feed for", Value: (e.last - since + e.cfg.Thresholds.FeedAllowance).Minutes(), Unit: "min", At: e.last})
		e.suspectLost(&e.book.Records[slot], use)
		e.give(slot, finding.Present, "")
	case feed.Unknown:
		e.give(slot, finding.NotJudged, "neither feed voltage nor bank current can be read well enough")
	default:
		e.give(slot, finding.Between, "")
	}
}

func (e *Engine) judgeBankLow() {
	slot, t := e.slots.bankLow, &e.cfg.Thresholds
	bank := &e.out.Bank
	if why := e.bankUnread(); why != "" {
		e.give(slot, finding.NotJudged, why)
		return
	}
	rec := &e.book.Records[slot]
	o := finding.Between
	switch {
	case e.postsApart():
		e.give(slot, finding.NotJudged, "the posts stand apart at rest: a link or a channel, the next lift will tell")
		return
	case bank.FullKnown && rec.Active() && e.last-bank.SinceFull > rec.Since:
		o = finding.Absent
	case !bank.Rested && e.surelyLow(rec):
		o = finding.Present
	case !bank.Rested:
	case bank.RestedV.Value < e.lowV():
		o = finding.Present
		rec.Show(
			finding.Evidence{What: "rested voltage at 25 °C", Value: bank.RestedV.Value, Unit: "V", At: e.last},
			finding.Evidence{What: "threshold", Value: e.lowV(), Unit: "V", At: e.last},
			finding.Evidence{What: "at rest for", Value: e.restFor().Hours(), Unit: "h", At: e.last})
	case bank.RestedV.Value >= t.BankLowClearV:
		o = finding.Absent
	}
	e.give(slot, o, "")
}

// unprovenV is by how much more the reading has to be low until a full charge was seen: a bank just switched on may be a sound one whose taps
// read too little. Half of what taps of the class may be off by, 1 % and 10 mV; our choice.
const unprovenV = 0.07

// lowV gives the rested voltage at 25 °C under which the bank is low.
func (e *Engine) lowV() float64 {
	if !e.out.Bank.FullKnown {
		return e.cfg.Thresholds.BankLowV - unprovenV
	}
	return e.cfg.Thresholds.BankLowV
}

// surelyLow reports whether a bank whose rested voltage is not known well, as in the cold, is under the threshold whatever is not known.
func (e *Engine) surelyLow(rec *finding.Record) bool {
	if e.restFor() < e.cfg.Thresholds.RestTime {
		return false
	}
	sum, sigma := 0.0, 0.0
	for _, b := range e.est {
		v, s, ok := b.RestedV()
		if !ok {
			return false
		}
		sum, sigma = sum+v, max(sigma, s)
	}
	v := sum / float64(len(e.est))
	if v+sigma >= e.lowV() {
		return false
	}
	rec.Show(
		finding.Evidence{What: "rested voltage at 25 °C", Value: v, Unit: "V", At: e.last},
		finding.Evidence{What: "standard uncertainty", Value: sigma, Unit: "V", At: e.last},
		finding.Evidence{What: "threshold", Value: e.lowV(), Unit: "V", At: e.last},
		finding.Evidence{What: "at rest for", Value: e.restFor().Hours(), Unit: "h", At: e.last})
	return true
}

// bankUnread says why the bank's charge can't be judged; empty when it can.
func (e *Engine) bankUnread() string {
	if e.book.Records[e.slots.series].Active() {
		return "the batteries are wired in series"
	}
	for i := range e.out.Battery {
		if in := &e.out.Battery[i].In; in.VoltageV.OK() && in.CurrentA.OK() {
			return ""
		}
	}
	return "no battery's voltage and current can both be read"
}

func (e *Engine) restFor() time.Duration {
	rest := e.est[0].RestFor()
	for _, b := range e.est[1:] {
		rest = min(rest, b.RestFor())
	}
	return rest
}

func (e *Engine) judgeUndercharged() {
	slot, t := e.slots.undercharged, &e.cfg.Thresholds
	bank := &e.out.Bank
	if why := e.bankUnread(); why != "" {
		e.give(slot, finding.NotJudged, why)
		return
	}
	e.watchFull()
	since, full := e.sinceFull()
	soc := bank.SoCPct
	low := soc.Known && soc.Value+soc.Sigma < t.UnderchargedPct
	up := !soc.Known || soc.Value >= t.UnderchargedPct+underclearedPct
	if low && !e.det.Low.Now {
		e.det.Low.Now, e.det.Low.Since = true, e.last
	}
	e.det.Low.Now = e.det.Low.Now && (low || !up)
	lowFor := time.Duration(0)
	if e.det.Low.Now {
		lowFor = e.last - e.det.Low.Since
	}
	o := finding.Absent
	overdue := since >= t.UnderchargedAfter
	if overdue && !e.maybeFullWithin(t.UnderchargedAfter) || lowFor >= t.UnderchargedHold && low {
		o = finding.Present
		ev := finding.Evidence{What: "charge", Text: "not known", At: e.last}
		if soc.Known {
			ev = finding.Evidence{What: "charge", Value: soc.Value, Unit: "%", At: e.last}
		}
		what := "since the last full charge"
		if !full {
			what = "watched, no full charge seen"
		}
		e.book.Records[slot].Show(
			finding.Evidence{What: what, Value: since.Hours() / 24, Unit: "d", At: e.last}, ev,
			finding.Evidence{What: "under the charge limit for", Value: lowFor.Hours() / 24, Unit: "d", At: e.last})
	} else if e.book.Records[slot].Active() && (e.det.Low.Now || !full || overdue) {
		o = finding.Between
	}
	e.give(slot, o, "")
}

// fullPct is the charge at which a battery counts as full where no end of a charge was seen: what a full charge may leave open. It has to
// be known to fullSigmaPct: short drives in the cold leave a charge worked out anywhere from 92 to 100 %. Known to maybeSigmaPct only, it is
// no full charge, but it would be wrong to say that there was none; nor within its uncertainty of it, where that is nearSigmaPct or less, as
// before taps that read too little are seen through.
const (
	fullPct       = 97.0
	fullSigmaPct  = 3.0
	maybeSigmaPct = 4.0
	nearSigmaPct  = 2.0
)

// lastFull gives when battery i was full last, as far as known.
func (e *Engine) lastFull(i int) (at time.Duration, ever bool) {
	m := &e.det.Low
	at, ever = e.est[i].Full()
	if m.FullKnown[i] && (!ever || m.FullAt[i] > at) {
		return m.FullAt[i], true
	}
	return at, ever
}

// maybeFullWithin reports whether each battery was full, or may have been, so long ago at most.
func (e *Engine) maybeFullWithin(span time.Duration) bool {
	m := &e.det.Low
	for i := range e.cfg.Batteries {
		at, full := e.lastFull(i)
		full = full && e.last-at < span
		maybe := m.Maybe[i] && e.last-m.MaybeAt[i] < span
		if !full && !maybe && !e.judge[i].DeadCell() {
			return false
		}
	}
	return true
}

// watchFull notes which batteries are full, or may be, by the charge worked out, and which may be by how little a held charge brings in:
// in hard frost that says more than the charge worked out from it.
func (e *Engine) watchFull() {
	m := &e.det.Low
	for i := range e.cfg.Batteries {
		soc := e.out.Battery[i].SoCPct
		over := soc.Known && soc.Value >= fullPct
		if over && soc.Sigma <= fullSigmaPct {
			m.FullAt[i], m.FullKnown[i] = e.last, true
		}
		nearly := soc.Known && soc.Sigma <= nearSigmaPct && soc.Value+soc.Sigma >= fullPct
		if over && soc.Sigma <= maybeSigmaPct || nearly || e.est[i].TakesLittle() {
			m.MaybeAt[i], m.Maybe[i] = e.last, true
		}
	}
}

// sinceFull gives for how long not all batteries have been full, by a charge seen to its end or by the charge worked out; full is false
// while one never was, and the time is then that since the start. A battery with a dead cell is left out: it never gets full.
func (e *Engine) sinceFull() (since time.Duration, full bool) {
	m := &e.det.Low
	if !m.Begun {
		m.Begun, m.From = true, e.startA
	}
	oldest, counted := e.last, false
	for i := range e.cfg.Batteries {
		if e.judge[i].DeadCell() {
			continue
		}
		at, ever := e.lastFull(i)
		if !ever {
			return e.last - m.From, false
		}
		oldest, counted = min(oldest, at), true
	}
	return e.last - oldest, counted
}
