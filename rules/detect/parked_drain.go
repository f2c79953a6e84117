package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ParkedDrain is a drain while parked that the bank can't bear.
var ParkedDrain = Finding[parkedLimits, parkedMemory]{
	Definition: finding.Definition{
		Name:     "parked-drain",
		Severity: finding.Repair,
		Title:    "Drain while parked",
		Summary:  "Something drains the bank while the trailer is parked.",
		Detected: "Parked for four days or longer with nothing on, the bank loses charge at a rate that would take the set " +
			"part of its capacity in the set number of days. The rate is taken from the fall of the charge after the first " +
			"day, by rested voltage and counted current together.",
		Causes: []*unit.Text{
			cause("parked-drain.left-on", "light, radio or tool left on"),
			cause("parked-drain.leak", "harness chafed, or water in a plug: a leak to ground"),
			cause("parked-drain.awake", "converter or control that does not go to sleep"),
			cause("parked-drain.self-discharge", "battery with high self-discharge"),
			parkedBoard,
		},
		NextCheck: []string{
			"With everything off, put a DC clamp meter that resolves 0.01 A on the bank's negative lead. Take off what the " +
				"monitor itself draws: see the evidence.",
			"Pull fuses one by one until the current falls.",
			"No current: feed off, ventilate, disconnect the batteries from each other, grounded lead first. Charge them, and " +
				"see which one falls by itself.",
		},
		Clears:       "Four days parked without such a loss, or a loss below 2/3 of it.",
		Steady:       "Four days parked; clears below 2/3 of the rate.",
		RaisedWithin: "5 days parked",
		ExplainedBy:  []string{"battery-failed", "motor-stuck", "series-wired", "parallel-wired"},
	},
	Limits: func(l *parkedLimits) []limit.Limit {
		return []limit.Limit{
			limit.Number{To: &l.PartPct, Default: 25, Min: 2, Max: 100, Unit: "%", About: limit.About{
				Path: "findings.parked_part_pct", Origin: limit.Physical,
				Doc: "parked-drain: of the rated capacity, in parked_time. A quarter is what is between full and 12.4 V",
			}},
			limit.Span{To: &l.Time, Default: 14 * day, Min: day, Max: 365 * day, About: limit.About{
				Path: "findings.parked_time", Origin: limit.Choice,
				Doc: "see parked_part_pct. Trailers are often parked for two weeks",
			}},
		}
	},
	Needs:  view.Parallel | view.OneBattery,
	Lapse:  func(m *parkedMemory) { m.On = false },
	Renews: []Work{NewBattery, RightAh},
	Sane:   func(m *parkedMemory) error { return within("charge at first", m.FromPct, 0, 100) },
	Judge:  judgeParked,
}

type parkedLimits struct {
	PartPct float64 // of the rated capacity ...
	Time    time.Duration
}

// parkedMemory follows the charge of a parked bank.
type parkedMemory struct {
	On      bool
	From    time.Duration // a day after it was parked
	FromPct float64
	Due     time.Duration // next look
}

// Surface charge falls over some ten hours, in AGM and gel over a day or more; three days are 5 %
// of a bank at the limit's rate.
const (
	parkedSettle    = day       // before the charge is followed; our choice
	parkedMin       = 3 * day   // that it is followed before it is judged; our choice
	parkedEvery     = time.Hour // between two looks; our choice
	parkedMinPct    = 6.0       // %: a smaller fall may be the estimate's; our choice
	parkedClearPart = 2.0 / 3   // ratio: of the rate, below which it clears; our choice
)

var (
	lostPerDay  = finding.NewLabel("lost-per-day", "lost per day", "Ah")
	limitPerDay = finding.NewLabel("limit-per-day", "limit", "Ah/day")
	parkedFor   = finding.NewLabel("parked-for", "parked for", "d")
)

// What the board itself takes.
const (
	mAPerA       = 1000.0 // ratio: milliamperes in an ampere; physical
	boardMostPct = 50.0   // %: of what is lost, from which the board is the likely cause; our choice
)

var (
	parkedBoard = cause("parked-drain.board", "the monitor board itself, on a small or old bank")
	boardTakes  = why("board-takes-most", "the board itself takes half of what is lost, or more")

	boardDraws = finding.NewLabel("board-draws", "the board itself draws", "mA")
	boardShare = finding.NewLabel("board-share", "that is, of what is lost", "%")
)

// ownDrawA returns what the board draws: as it is configured for what it did in the last days, and no
// more than all that is drawn from the parked bank, where that has been learned.
func ownDrawA(v view.View) float64 {
	own := v.Power().MeanA
	if all := v.Bank().State().ParkedDrawA; all.Known {
		own = min(own, all.Value+all.Sigma)
	}
	return own
}

// boardPct returns the board's part of a loss in Ah a day, 0 to 100 %.
func boardPct(v view.View, ahPerDay float64) float64 {
	if ahPerDay <= 0 {
		return 0
	}
	return min(100*ownDrawA(v)*hoursPerDay/ahPerDay, 100)
}

// judgeParked looks at the charge once an hour.
func judgeParked(v view.View, l *parkedLimits, m *parkedMemory) finding.Verdict {
	soc, parked, now := v.Bank().Charge(), v.QuietFor(), v.Now()
	if parked < parkedSettle || !soc.Known {
		m.On = false
		return unchanged
	}
	if !m.On {
		*m = parkedMemory{On: true, From: now, FromPct: soc.Value, Due: now}
	}
	if now < m.Due {
		return unchanged
	}
	m.Due = now + parkedEvery
	span := now - m.From
	if span < parkedMin {
		return unchanged
	}
	rated := v.Bank().RatedAh()
	fall := m.FromPct - soc.Value
	perDay := fall / 100 * rated / days(span)
	most := l.PartPct / 100 * rated / days(l.Time)
	switch {
	case perDay >= most && fall >= parkedMinPct:
		own := ownDrawA(v)
		verdict := v.Holds(lostPerDay.Is(perDay), limitPerDay.Is(most), charge.Is(soc.Value), parkedFor.Is(days(parked)),
			boardDraws.Is(own*mAPerA), boardShare.Is(boardPct(v, perDay)))
		if boardPct(v, perDay) >= boardMostPct {
			return verdict.Suspect(parkedBoard, boardTakes)
		}
		return verdict
	case perDay < parkedClearPart*most:
		return absent
	}
	return unchanged
}
