package detect

import (
	"errors"
	"math"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ReliefOff is a relief valve that does not open where the lift maker has it.
var ReliefOff = Finding[reliefLimits, reliefMemory]{
	Definition: finding.Definition{
		Name:     "relief-off",
		Severity: finding.Repair,
		Title:    "Relief valve set wrong",
		Summary:  "The relief valve opens at another pressure than the lift maker's manual has.",
		Detected: "In three motor runs in a row the oil pressure steps up at the end of travel and stays within 3 % for a " +
			"second: that is where the relief valve opens. The mean of the three is off its setting by more than the limit. With " +
			"settings for lifting and for lowering, a pressure counts for the one that is nearer in proportion. Only on units " +
			"with oil_pressure and a setting.",
		Causes: []*unit.Text{
			reliefLow,
			reliefWorn,
			reliefHigh,
			cause("relief-off.manual", "no fault: the setting in the configuration is of another lift"),
		},
		NextCheck: []string{
			"Compare the configured setting with the lift maker's plate or manual.",
			"Lower the platform and release the pressure, then fit a gauge at the pump's port. Hold an empty lift at its stop for " +
				"two seconds, nobody on, under or beside it, and read the gauge.",
			"The gauge agrees with the monitor: set the valve as the manual says, and never above it. It drifts back: dirt or a " +
				"worn seat, replace the valve.",
			"The gauge agrees with the manual: check the transducer's full scale in the configuration, and its supply.",
		},
		Clears:       "The mean of three runs is within 60 % of the limit.",
		Steady:       "Three runs held at the stop; clears at 60 % of what raises it.",
		RaisedWithin: "three runs that are held at the end of travel for a second",
		Settings:     []string{"oil.relief_up_bar", "oil.relief_down_bar"},
		ExplainedBy:  []string{"series-wired", "parallel-wired"},
		Optional:     true,
	},
	Limits: func(l *reliefLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.OffPct, Default: 10, Min: 3, Max: 50, Unit: "%", About: limit.About{
			Path: "findings.relief_off_pct", Origin: limit.Practice,
			Doc: "relief-off: the valve's pressure off its setting by this, either way. Valves are set to some 5 % by a gauge, and " +
				"a transducer with its supply is 2 to 3 % off (common practice, no source)",
		}}}
	},
	On: func(f *view.Frame, _ *reliefLimits) bool {
		return f.Fitted.Oil && (f.Settings.ReliefUpBar > 0 || f.Settings.ReliefDownBar > 0)
	},
	Pace:  Swift,
	Needs: view.Parallel,
	Sane: func(m *reliefMemory) error {
		var errs []error
		for k := range m.Bar {
			errs = append(errs, within("runs", float64(m.Runs[k]), 0, reliefRuns))
			for _, bar := range m.Bar[k] {
				errs = append(errs, within("pressure", bar, 0, mostReliefBar))
			}
		}
		return errors.Join(errs...)
	},
	Judge: judgeRelief,
}

type reliefLimits struct{ OffPct float64 }

// reliefMemory is the pressures of the last runs that were held against the valve, newest first: at
// the setting for lifting, and at that for lowering.
type reliefMemory struct {
	Bar  [2][reliefRuns]float64
	Runs [2]uint8
}

const (
	reliefRuns    = 3    // count: runs whose pressure is averaged; our choice
	mostReliefBar = 1e4  // bar: no reading is higher; our choice
	reliefSpread  = 0.08 // ratio: a valve opens where it did: runs further apart show something else; our choice
)

var (
	reliefLow  = cause("relief-off.low", "relief valve set too low")
	reliefWorn = cause("relief-off.worn", "relief valve leaks: dirt on its seat, or a tired spring")
	reliefHigh = cause("relief-off.high", "relief valve set too high: the structure carries more than it is made for")

	opensBelow   = why("opens-below", "it opens below its setting")
	opensAbove   = why("opens-above", "it opens above its setting")
	reliefUnseen = why("relief-unseen", "the pressure at the relief valve is not known yet: needs three lifts held at the end of "+
		"travel for a second")
	oilUnread = why("oil-unread", "the oil pressure can't be read")

	reliefAt  = finding.NewLabel("relief-at", "relief valve opens at", "bar")
	reliefSet = finding.NewLabel("relief-set", "its setting", "bar")
	reliefIs  = finding.NewLabel("relief-off", "off its setting", "%")
	oilIs     = finding.NewLabel("oil-pressure", "oil pressure", "bar")
)

func judgeRelief(v view.View, l *reliefLimits, m *reliefMemory) finding.Verdict {
	set := [2]float64{v.Settings().ReliefUpBar, v.Settings().ReliefDownBar}
	if v.Motor().OilBar().Faulty() {
		return finding.Unjudged(oilUnread)
	}
	bar := v.Motor().ReliefBar()
	if bar > 0 {
		k := nearest(bar, set)
		copy(m.Bar[k][1:], m.Bar[k][:reliefRuns-1])
		m.Bar[k][0] = min(bar, mostReliefBar)
		m.Runs[k] = min(m.Runs[k]+1, reliefRuns)
	}
	known, worst, at, of := false, 0.0, 0.0, 0.0
	for k := range set {
		mean, ok := m.mean(k)
		if set[k] == 0 || !ok {
			continue
		}
		known = true
		if off := mean/set[k] - 1; math.Abs(off) >= math.Abs(worst) {
			worst, at, of = off, mean, set[k]
		}
	}
	most := l.OffPct / 100
	switch {
	case !known:
		return finding.Unjudged(reliefUnseen).Having(int(max(m.Runs[0], m.Runs[1])), reliefRuns)
	case worst < -most:
		return v.Holds(reliefAt.Is(at), reliefSet.Is(of), reliefIs.Is(100*worst)).
			Suspect(reliefLow, opensBelow).Suspect(reliefWorn, opensBelow)
	case worst > most:
		return v.Holds(reliefAt.Is(at), reliefSet.Is(of), reliefIs.Is(100*worst)).Suspect(reliefHigh, opensAbove)
	case math.Abs(worst) < usualClears*most:
		return absent
	}
	return unchanged
}

// nearest returns which setting a pressure belongs to: the nearer in proportion.
func nearest(bar float64, set [2]float64) int {
	switch {
	case set[1] == 0:
		return 0
	case set[0] == 0 || bar*bar < set[0]*set[1]:
		return 1
	}
	return 0
}

// mean returns the mean of the last runs; ok is false while there are too few, or they disagree.
func (m *reliefMemory) mean(k int) (bar float64, ok bool) {
	if m.Runs[k] < reliefRuns {
		return 0, false
	}
	low, high := math.Inf(1), 0.0
	for _, x := range m.Bar[k] {
		bar += x / reliefRuns
		low, high = min(low, x), max(high, x)
	}
	return bar, high-low <= reliefSpread*bar
}
