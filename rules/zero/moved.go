package zero

import (
	"math"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Calibrated is the zero of a sensor as it was when somebody measured it.
type Calibrated struct {
	Set   bool
	A     float64 // that it shows without current, beside the correction it got
	Sigma float64
	TempC float64
}

const backPart = 0.8 // ratio: of its class, a zero that has moved by less is back; our choice

// Recalibrated says that the readings of sensor i are corrected otherwise from now on: what they were is
// now gain · reading + add. With a zero that was measured, to sigma, what is learned begins there: the
// sensor shows 0 at this temperature.
func (l *Learner) Recalibrated(i int, gain, add float64, temp unit.Reading, sigma float64) {
	s, z, slope := &l.s, iZero+i, iSlope+i
	for _, k := range []int{z, slope} {
		for j := range states {
			s.P[k][j] *= gain
			s.P[j][k] *= gain
		}
		s.X[k] *= gain
	}
	s.X[z] += add
	s.Window, s.Fall = Window{}, Fall{}
	s.Off[i], s.Far[i], s.Drifted[i], s.DriftFar[i] = false, 0, false, 0
	c := &s.Calibrated[i]
	if c.A, c.Sigma = gain*c.A+add, gain*c.Sigma; !c.Set || math.Abs(c.A) > MaxA {
		*c = Calibrated{} // nothing is watched from a zero that is corrected to no zero
	}
	if sigma > 0 {
		var h [states]float64
		h[z], h[slope] = 1, above25(temp)
		y := -(s.X[z] + h[slope]*s.X[slope])
		l.widen(z, sq(y)) // what was believed may have been wrong by all of it
		l.apply(&h, y, sq(sigma))
		*c = Calibrated{Set: true, Sigma: sigma, TempC: above25(temp) + leadacid.ReferenceC}
	}
	s.P[z][z] = min(s.P[z][z], sq(MaxA))
	l.limitStates()
}

// Moved returns by how much the zero of sensor i has moved since it was measured, at the temperature it
// had then; not known where nobody has measured it.
func (l *Learner) Moved(i int) unit.Estimate {
	c := &l.s.Calibrated[i]
	if !c.Set {
		return unit.Estimate{}
	}
	now := l.ZeroA(i, unit.Reading{Value: c.TempC, Quality: unit.Good})
	return unit.Estimate{Value: now.Value - c.A, Sigma: math.Hypot(now.Sigma, c.Sigma), Known: true}
}

// Drifted reports whether the zero of sensor i has moved further than its class allows since it was
// measured.
func (l *Learner) Drifted(i int) bool { return l.s.Drifted[i] }

// watchMoved looks after each window at how far zeros that were measured have moved since.
func (l *Learner) watchMoved() {
	for i := range l.n {
		m := l.Moved(i)
		if !m.Known {
			continue
		}
		limit := l.p.Class[i].Zero
		if off := math.Abs(m.Value); off-m.Sigma < limit {
			l.s.DriftFar[i] = 0
			l.s.Drifted[i] = l.s.Drifted[i] && off > backPart*limit
		} else {
			l.s.DriftFar[i] = min(l.s.DriftFar[i]+1, saidAfter)
			l.s.Drifted[i] = l.s.Drifted[i] || l.s.DriftFar[i] == saidAfter
		}
	}
}
