package rules

import (
	"time"

	"liftbank/rules/finding"
)

// RestMemory smooths the currents of a bank at rest.
type RestMemory struct {
	Amps [MaxBatteries]float64
	Have bool
	At   time.Duration
}

// ParkMemory follows the charge of a bank that stands.
type ParkMemory struct {
	On      bool
	From    time.Duration // a day into the stand
	FromPct float64
	Due     time.Duration // next time it is looked at
}

// Times of rest: our choice. Surface charge falls over some ten hours, in AGM and gel over a day or more; three days are 5 % of a bank at the limit's rate.
const (
	circulateAfter   = 2 * time.Hour
	circulateHold    = 30 * time.Minute
	circulateRelease = time.Hour
	restSmooth       = 10 * time.Minute
	parkSettle       = 24 * time.Hour
	parkLeast        = 72 * time.Hour
	parkEvery        = time.Hour
	parkLeastPct     = 6.0 // a fall of less may be the estimate's
	parkClearPart    = 2.0 / 3
)

// judgeCirculating wants one battery that gives and one that takes: a wrong zero of one sensor alone accuses nobody.
func (e *Engine) judgeCirculating(use *Input) {
	slot, t, m := e.slots.circulating, &e.cfg.Thresholds, &e.det.Rest
	n := len(e.cfg.Batteries)
	if n < 2 {
		return
	}
	why := e.wiringUnread()
	for i := range n {
		if !use.Battery[i].CurrentA.OK() {
			why = "a battery current can't be read"
		}
	}
	if why != "" || e.quietFor() < circulateAfter {
		m.Have = false
		if why != "" {
			e.give(slot, finding.NotJudged, why)
		} else {
			e.give(slot, finding.Between, "")
		}
		return
	}
	x := float64(e.last-m.At) / float64(restSmooth)
	from, to := 0, 0
	for i := range n {
		if !m.Have {
			m.Amps[i] = use.Battery[i].CurrentA.Value
		} else {
			m.Amps[i] += (use.Battery[i].CurrentA.Value - m.Amps[i]) * x / (1 + x)
		}
		if m.Amps[i] < m.Amps[from] {
			from = i
		}
		if m.Amps[i] > m.Amps[to] {
			to = i
		}
	}
	m.Have, m.At = true, e.last
	flow := min(-m.Amps[from], m.Amps[to])
	o := finding.Between
	switch {
	case flow >= t.CirculatingA:
		o = finding.Present
		rec := &e.book.Records[slot]
		rec.Show(
			finding.Evidence{What: "out of battery", Text: e.cfg.Batteries[from].ID, At: e.last},
			finding.Evidence{What: "into battery", Text: e.cfg.Batteries[to].ID, At: e.last},
			finding.Evidence{What: "flow", Value: flow, Unit: "A", At: e.last},
			finding.Evidence{What: "nothing on for", Value: e.quietFor().Hours(), Unit: "h", At: e.last})
		rec.Suspect()
		if e.judge[to].DeadCell() {
			rec.Suspect(finding.Likely{Cause: finding.CirculatingCell, Reason: "the battery that takes shows a dead cell"})
		} else if s := e.out.Bank.SpreadPct; s.Known && s.Value > 15 {
			rec.Suspect(finding.Likely{Cause: finding.CirculatingMixed, Reason: "the batteries' charges stand far apart"})
		}
	case flow < t.CirculatingClearA:
		o = finding.Absent
	}
	e.give(slot, o, "")
}

// judgeParked looks at the charge once an hour of a stand.
func (e *Engine) judgeParked() {
	slot, t, m := e.slots.parked, &e.cfg.Thresholds, &e.det.Park
	soc := e.out.Bank.SoCPct
	if why := e.bankUnread(); why != "" {
		m.On = false
		e.give(slot, finding.NotJudged, why)
		return
	}
	stood := e.quietFor()
	switch {
	case stood < parkSettle || !soc.Known:
		m.On = false
		e.give(slot, finding.Between, "")
		return
	case !m.On:
		m.On, m.From, m.FromPct, m.Due = true, e.last, soc.Value, e.last
	}
	if e.last < m.Due {
		e.give(slot, finding.Between, "")
		return
	}
	m.Due = e.last + parkEvery
	span := e.last - m.From
	if span < parkLeast {
		e.give(slot, finding.Between, "")
		return
	}
	rated := 0.0
	for _, b := range e.cfg.Batteries {
		rated += b.RatedAh
	}
	fall := m.FromPct - soc.Value
	perDay := fall / 100 * rated / (span.Hours() / 24)
	limit := t.ParkedPart * rated / (t.ParkedTime.Hours() / 24)
	o := finding.Between
	switch {
	case perDay >= limit && fall >= parkLeastPct:
		o = finding.Present
		e.book.Records[slot].Show(
			finding.Evidence{What: "lost a day", Value: perDay, Unit: "Ah", At: e.last},
			finding.Evidence{What: "limit", Value: limit, Unit: "Ah a day", At: e.last},
			finding.Evidence{What: "charge", Value: soc.Value, Unit: "%", At: e.last},
			finding.Evidence{What: "standing for", Value: stood.Hours() / 24, Unit: "d", At: e.last})
	case perDay < parkClearPart*limit:
		o = finding.Absent
	}
	e.give(slot, o, "")
}
