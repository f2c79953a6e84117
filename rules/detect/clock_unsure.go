package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ClockUnsure is a wall clock that can't be trusted.
var ClockUnsure = Finding[clockLimits, None]{
	Definition: finding.Definition{
		Name:     "clock-unsure",
		Severity: finding.Note,
		Title:    "Clock not set",
		Summary:  "The monitor does not know the time of day. Durations are still counted.",
		Detected: "The clock has not been set from a source that can be trusted for the set time.",
		Causes: []*unit.Text{
			cause("clock-unsure.network", "no network to set the clock from"),
			cause("clock-unsure.cell", "clock's own cell empty, or no clock chip"),
			cause("clock-unsure.source", "time source wrong or out of reach"),
		},
		NextCheck: []string{
			"Give the monitor network for a few minutes, or set its clock.",
			"Times of past findings are corrected once it is set.",
		},
		Clears:       "The clock is set, for 1 min.",
		Steady:       "Raised after the set time; clears after 1 min.",
		RaisedWithin: "findings.clock_unsure_after",
	},
	Limits: func(l *clockLimits) []limit.Limit {
		return []limit.Limit{
			limit.Span{To: &l.After, Default: 10 * time.Minute, Min: time.Second, Max: 30 * day, About: limit.About{
				Path: "findings.clock_unsure_after", Origin: limit.Choice,
				Doc: "clock-unsure: the clock not set for this long. A board that has just started has not been told the time yet",
			}},
		}
	},
	Times: func(l *clockLimits) (Times, Times) { return l.After, clockRelease },
	Judge: func(v view.View, _ *clockLimits, _ *None) finding.Verdict {
		switch m := v.Moment(); {
		case m.WallTrusted:
			return absent
		case m.Wall.IsZero(): // a recording that says nothing of it
			return finding.Unjudged(noTimeOfDay)
		}
		return v.Holds(clockIs.Says(notTrusted))
	},
}

type clockLimits struct{ After time.Duration }

const clockRelease = time.Minute // before it clears; our choice

var (
	clockIs     = finding.NewLabel("clock", "clock", "")
	noTimeOfDay = why("no-time-of-day", "the time of day is not told")
	notTrusted  = word("not-trusted", "not set from a trusted source")
)
