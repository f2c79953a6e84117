package rules

import (
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
)

// slots are the places of the findings in Output.Findings. The sense faults of the fitted channels follow from senseFrom on.
type slots struct {
	series, feedLost, bankLow, undercharged, senseFrom int
	sense                                              []signal
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
	underclearedPct = 5.0 // over the threshold, before the charge counts as up again
)

func (e *Engine) buildFindings() {
	t := e.cfg.Thresholds
	add := func(d *finding.Definition, subject string, hold, release time.Duration) int {
		return e.book.Add(finding.NewRecord(d, subject, hold, release))
	}
	e.slots.series = add(&finding.SeriesWired, "", seriesHold, seriesRelease)
	e.slots.feedLost = add(&finding.FeedLost, "", t.FeedLostAfter, feedRelease)
	e.slots.bankLow = add(&finding.BankLow, "", lowHold, lowRelease)
	e.slots.undercharged = add(&finding.BankUndercharged, "", 0, underRelease)
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
	e.out.Findings = e.book.Records
}

func (e *Engine) judgeFindings(in, use *Input) {
	e.judgeSeries(in)
	e.judgeFeedLost(use)
	e.judgeBankLow()
	e.judgeUndercharged()
	e.judgeSense(in)
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
	case bank.FullKnown && rec.Active() && e.last-bank.SinceFull > rec.Since:
		o = finding.Absent
	case !bank.Rested:
	case bank.RestedV.Value < t.BankLowV:
		o = finding.Present
		rec.Show(
			finding.Evidence{What: "rested voltage at 25 °C", Value: bank.RestedV.Value, Unit: "V", At: e.last},
			finding.Evidence{What: "threshold", Value: t.BankLowV, Unit: "V", At: e.last},
			finding.Evidence{What: "at rest for", Value: e.restFor().Hours(), Unit: "h", At: e.last})
	case bank.RestedV.Value >= t.BankLowClearV:
		o = finding.Absent
	}
	e.give(slot, o, "")
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
	since := e.last - e.startA
	if bank.FullKnown {
		since = bank.SinceFull
	}
	soc := bank.SoCPct
	low := soc.Known && soc.Value+soc.Sigma < t.UnderchargedPct
	up := !soc.Known || soc.Value-soc.Sigma >= t.UnderchargedPct+underclearedPct
	if low && !e.lowNow {
		e.lowNow, e.lowSince = true, e.last
	}
	e.lowNow = e.lowNow && (low || !up)
	lowFor := time.Duration(0)
	if e.lowNow {
		lowFor = e.last - e.lowSince
	}
	o := finding.Absent
	if since >= t.UnderchargedAfter || lowFor >= t.UnderchargedHold {
		o = finding.Present
		ev := finding.Evidence{What: "charge", Text: "not known", At: e.last}
		if soc.Known {
			ev = finding.Evidence{What: "charge", Value: soc.Value, Unit: "%", At: e.last}
		}
		what := "since the last full charge"
		if !bank.FullKnown {
			what = "watched, no full charge seen"
		}
		e.book.Records[slot].Show(
			finding.Evidence{What: what, Value: since.Hours() / 24, Unit: "d", At: e.last}, ev,
			finding.Evidence{What: "under the charge limit for", Value: lowFor.Hours() / 24, Unit: "d", At: e.last})
	} else if e.book.Records[slot].Active() && (e.lowNow || !bank.FullKnown) {
		o = finding.Between
	}
	e.give(slot, o, "")
}
