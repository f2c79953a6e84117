package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// SeriesWired is a 12 V bank that shows the voltage of two batteries in series.
var SeriesWired = Finding[seriesLimits, None]{
	Definition: finding.Definition{
		Name:     "series-wired",
		Severity: finding.Urgent,
		Title:    "Bank wired in series",
		Summary:  "More voltage than this bank can have: one battery too many in series, or a source of twice its voltage connected.",
		Detected: "For 3 s, the voltage at a battery post, at the feed or at the motor terminal is above the limit (18 V, " +
			"and 36 V for a bank of 24 V: no charger for it reaches that; twice as many batteries in series always do).",
		Causes: []*unit.Text{
			cause("series-wired.link", "patch cable from the positive post of one battery to the negative post of the next"),
			cause("series-wired.charger", "charger or jump source for twice the bank's voltage connected (24 V on 12 V)"),
		},
		NextCheck: []string{
			"Do not run the lift.",
			"Turn the feed off (ignition off). Switch off any charger or jump source.",
			"Open the disconnect and the charge breaker.",
			"Eye and face protection on, insulated tools, grounded lead off first. Follow each patch cable: " +
				"positive goes to positive, negative goes to negative; in a bank of 24 V once in each string positive to negative.",
		},
		Clears:       "All voltages stay below the limit for 10 s.",
		Steady:       "Raised after 3 s above the limit; clears after 10 s below it.",
		RaisedWithin: "10 s",
	},
	Limits: func(l *seriesLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.V, Default: 18, Min: 16.5, Max: 23, Unit: "V", About: limit.About{
			Path: "findings.series_v", Origin: limit.Practice, OfBank: true,
			Doc: "series-wired: any voltage above it. Common practice, no source: no 12 V charger reaches it, two batteries " +
				"in series do",
		}}}
	},
	Pace:  First,
	Times: func(*seriesLimits) (Times, Times) { return seriesHold, seriesRelease },
	Judge: judgeSeries,
}

type seriesLimits struct{ V float64 }

const (
	seriesHold    = 3 * time.Second  // before it is raised; our choice
	seriesRelease = 10 * time.Second // before it clears; our choice
)

var (
	seriesPost = [unit.MaxBatteries]finding.Label{
		finding.NewLabel("post-1", "first battery's positive post", "V"),
		finding.NewLabel("post-2", "second battery's positive post", "V"),
		finding.NewLabel("post-3", "third battery's positive post", "V"),
		finding.NewLabel("post-4", "fourth battery's positive post", "V"),
	}
	motorVoltage = finding.NewLabel("motor-voltage", "motor voltage", "V")
)

// judgeSeries looks at the highest voltage anywhere. A channel at the end of its range counts: what
// it hides is higher still.
func judgeSeries(v view.View, l *seriesLimits, _ *None) finding.Verdict {
	top, where, judged := 0.0, (*finding.Label)(nil), false
	look := func(r unit.Reading, at *finding.Label) {
		if !r.OK() && r.Quality != unit.Saturated {
			return
		}
		judged = true
		if r.Value > top {
			top, where = r.Value, at
		}
	}
	for i := range v.Batteries() {
		look(v.Battery(i).Measured().VoltageV, &seriesPost[i])
	}
	look(v.Feed().RawV(), &feedVoltage)
	look(v.Motor().RawV(), &motorVoltage)
	switch {
	case !judged:
		return finding.Unjudged(noVoltage)
	case top > l.V:
		return v.Holds(where.Is(top), limitV.Is(l.V))
	}
	return absent
}
