package cell

import "liftbank/sim/detmath"

// Surface charge builds up with surfaceBuildS and is gone by a load of surfaceShare of the rated
// capacity: the manuals' 300 A for 15 s is three times that for 100 Ah.
const (
	surfaceBuildS = 1800.0
	surfaceShare  = 0.004
)

// surface is the surface charge of the plates.
type surface struct {
	v      float64 // a cell
	fade   float64 // 1 - exp(-dt/tau) of its decay at rest, for the step length
	maxV   float64 // a cell
	decayS float64
	inv    float64 // one over the charge that takes it down, 1/Ah
}

func (s *surface) size(d Design, ratedAh float64) {
	s.maxV = d.SurfaceChargeV / cells
	s.decayS = float64(3600 * d.SurfaceDecayH)
	s.inv = 1 / float64(surfaceShare*ratedAh)
}

// prepare makes the factor of a step length.
func (s *surface) prepare(dtS float64, t *thermal) {
	s.fade = -detmath.Expm1(float64(-dtS*t.selfRate) / s.decayS)
}

// step builds up surface charge while the plates are driven above their EMF, by overV a cell
// without it, and takes it down: by itself over hours, by a load with the charge that passes.
func (s *surface) step(dtS, currentA, overV, hours float64) {
	switch {
	case currentA > 0:
		over := overV + s.v
		target := clamp(float64(0.5*over), 0, s.maxV)
		if target > s.v {
			s.v += float64((target - s.v) * min(dtS/surfaceBuildS, 1))
			return
		}
	case currentA < 0:
		s.v -= float64(s.v * min(float64(float64(-currentA*hours)*s.inv), 1))
	}
	s.v -= float64(s.v * s.fade)
}
