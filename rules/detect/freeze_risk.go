package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// FreezeRisk is electrolyte near its freezing point at this charge.
var FreezeRisk = Finding[freezeLimits, None]{
	Definition: finding.Definition{
		Name:     "freeze-risk",
		Severity: finding.Urgent,
		About:    finding.Battery,
		Title:    "{subject} may freeze",
		Summary:  "{subject} may freeze: its acid is too weak for this cold.",
		Detected: "The battery's temperature is within the margin of the freezing point of its electrolyte at the " +
			"calculated charge (specific gravity by charge: Battery Council table; freezing points: storage table of a " +
			"vehicle manual and US Army TM-5-1185, the warmer of the published sets). A battery with a dead cell counts as " +
			"empty.",
		Causes: []*unit.Text{
			cause("freeze-risk.low", "too little charge left for the weather"),
			freezeCell,
		},
		NextCheck: []string{
			"A bulged case or ice inside: do not charge it, do not jump it. Let it thaw and scrap it.",
			"Sealed (AGM, gel) and below freezing: ice can't be seen. Warm it to above 0 °C before charging.",
			"Not frozen: charge it now. A full battery does not freeze. With a dead cell charging does not help: replace it.",
		},
		Clears:       "Two degrees more than the margin, by warmth or by charge, for 30 min.",
		Steady:       "Raised after 5 min; clears two degrees further away.",
		RaisedWithin: "10 min",
		Episode:      sameEpisode,
		ExplainedBy: []string{
			"battery-failed", "bank-low", "bank-undercharged", "feed-lost", "feed-weak", "parked-drain", "balance-negative",
		},
		SameSubjectOnly: true,
	},
	Limits: func(l *freezeLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.MarginC, Default: 3, Min: 0, Max: 20, Unit: "°C", About: limit.About{
			Path: "findings.freeze_margin_c", Origin: limit.Choice,
			Doc: "freeze-risk: this near the freezing point of the electrolyte. The errors of a thermistor and of the charge",
		}}}
	},
	Of:    []view.Kind{view.OfBattery},
	Times: func(*freezeLimits) (Times, Times) { return freezeHold, freezeRelease },
	Judge: judgeFreeze,
}

type freezeLimits struct{ MarginC float64 }

const (
	freezeHold    = 5 * time.Minute  // before it is raised; our choice
	freezeRelease = 30 * time.Minute // before it clears; our choice
	freezeClearC  = 2.0              // °C: further away, before it clears; our choice
	freezeSigma   = 20.0             // %: how well the charge must be known: not one just switched on; our choice
)

var (
	freezeCell    = cause("freeze-risk.cell", "dead cell")
	hasDeadCell   = why("has-dead-cell", "this battery has one")
	chargeUnknown = why("charge-unknown", "its charge is not known well enough")
	freezesAt     = finding.NewLabel("freezes-at", "freezes at", "°C")
)

func judgeFreeze(v view.View, l *freezeLimits, _ *None) finding.Verdict {
	b := v.Own()
	t, soc, dead := b.TempC(), b.State().SoCPct, b.Facts().DeadCell
	if dead {
		soc = unit.Estimate{Known: true}
	}
	if !t.OK() {
		return finding.Unjudged(noTemp)
	}
	if why := v.Lacks(view.Parallel | view.OneBattery); why != nil {
		return finding.Unjudged(why)
	}
	switch {
	case t.Value > leadacid.FreezingC(0)+l.MarginC+freezeClearC:
		return absent // not even an empty one freezes
	case !dead && v.Wiring().PostsDisagree():
		return finding.Unjudged(postsDiffer)
	case !soc.Known || soc.Sigma > freezeSigma:
		return finding.Unjudged(chargeUnknown)
	}
	at := leadacid.FreezingC(soc.Value)
	switch {
	case t.Value <= leadacid.FreezingC(min(soc.Value+soc.Sigma, 100))+l.MarginC:
		verdict := v.Holds(temperature.Is(t.Value), freezesAt.Is(at), charge.Is(soc.Value))
		if dead {
			return verdict.Suspect(freezeCell, hasDeadCell)
		}
		return verdict
	case t.Value > at+l.MarginC+freezeClearC:
		return absent
	}
	return unchanged
}
