package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// Hot is a battery that is too hot.
var Hot = Finding[hotLimits, None]{
	Definition: finding.Definition{
		Name:     "hot",
		Severity: finding.Repair,
		About:    finding.Battery,
		Title:    "{subject} is too hot",
		Summary:  "{subject} is too hot.",
		Detected: "Its temperature is above the limit for 2 min (50 °C: charging is stopped there; common practice, no " +
			"source).",
		Causes: []*unit.Text{
			hotLocation,
			hotCharge,
			hotCell,
		},
		NextCheck: []string{
			"Turn the feed off and let the battery cool. Hot with the feed off, swollen or smelling: stay back, do not open " +
				"or disconnect it, ventilate.",
			"Check the charge voltage, and whether one battery is hotter than the others.",
			"Give the box shade and air. Each 10 °C of heat halves a battery's life.",
		},
		Clears:          "Below the clearing limit for 10 min.",
		Steady:          "Raised after 2 min; clears at the lower limit.",
		RaisedWithin:    "5 min",
		Episode:         sameEpisode,
		ExplainedBy:     []string{"feed-high", "battery-failed"},
		SameSubjectOnly: true,
	},
	Limits: func(l *hotLimits) []limit.Limit {
		return []limit.Limit{
			limit.Number{To: &l.C, Default: 50, Min: 30, Max: 80, Unit: "°C", About: limit.About{
				Path: "findings.hot_c", Origin: limit.Practice,
				Doc: "hot: a battery over it. Common practice, no source: charging is stopped there",
			}},
			limit.Number{To: &l.ClearC, Default: 47, Min: 20, Max: 80, Unit: "°C", About: limit.About{
				Path: "findings.hot_clear_c", Origin: limit.Choice, Below: "findings.hot_c",
				Doc: "hot clears under it; less than hot_c",
			}},
		}
	},
	Of:    []view.Kind{view.OfBattery},
	Times: func(*hotLimits) (Times, Times) { return hotHold, hotRelease },
	Judge: judgeHot,
}

type hotLimits struct{ C, ClearC float64 }

const (
	hotHold    = 2 * time.Minute  // before it is raised; our choice
	hotRelease = 10 * time.Minute // before it clears; our choice
	sunOverC   = 15.0             // °C: that sun on a box adds to the air at the most; our choice
	ownOverC   = 25.0             // °C: over the air, more than any sun does: the battery heats itself; our choice
	chargingA  = 2.0              // A: into the battery, from which charge may be what heats it; our choice
)

var (
	hotCharge = cause("hot.charge", "overcharging: charge voltage too high, or a battery that takes current without "+
		"filling")
	hotLocation = cause("hot.location", "heat of the location: sun on the box, exhaust, no air")
	hotCell     = cause("hot.cell", "shorted cell that turns charge into heat")
	hotDay      = why("hot-day", "the air outside is nearly as hot")
	heatsItself = why("heats-itself", "it is far hotter than the air outside: it heats itself")
	ambientIs   = finding.NewLabel("ambient", "outside temperature", "°C")
	takesAtHigh = why("takes-at-high-voltage", "it takes current at too high a voltage")
	ownCurrent  = finding.NewLabel("current", "current", "A")
)

// judgeHot uses a neighbor's temperature for a battery without a thermometer: they share a box.
func judgeHot(v view.View, l *hotLimits, _ *None) finding.Verdict {
	t, a := v.Own().TempC(), v.Own().CurrentA()
	switch {
	case !t.OK():
		return finding.Unjudged(noTemp)
	case t.Value > l.C:
		verdict := v.Holds(temperature.Is(t.Value), limitC.Is(l.C), ownCurrent.Reads(a), ambientIs.Reads(v.Bank().AmbientC()))
		if a.OK() && a.Value > chargingA && v.Active("feed-high", true) {
			return verdict.Suspect(hotCharge, takesAtHigh)
		}
		switch air := v.Bank().AmbientC(); {
		case !air.OK():
		case t.Value-air.Value >= ownOverC && a.OK() && a.Value <= chargingA:
			return verdict.Suspect(hotCell, heatsItself)
		case t.Value-air.Value >= ownOverC:
			return verdict.Suspect(hotCharge, heatsItself).Suspect(hotCell, heatsItself)
		case t.Value-air.Value <= sunOverC:
			return verdict.Suspect(hotLocation, hotDay)
		}
		return verdict
	case t.Value < l.ClearC:
		return absent
	}
	return unchanged
}
