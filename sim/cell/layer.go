package cell

import (
	"math"

	"liftbank/sim/detmath"
)

// layerGone is the exponent past which a layer has relaxed to the last bit.
const layerGone = 40.0

// layer is the double layer of the plates, across the reaction: a capacitor that the reaction's
// overpotential has to charge and discharge. Its state is that overpotential, v.
//
// With y the current over twice the exchange current and phi = v/ctV, the layer follows
//
//	dphi/dt = rate (y - sinh phi),
//
// which for u = exp(phi) is a Riccati equation with constant coefficients while the current is
// constant: (u-u1)/(u-u2) falls as exp(-rate root t), root = sqrt(1+y²), u1 = y + root, u2 = y -
// root. So a step is exact, however long, and ends at the Butler-Volmer overpotential.
//
// Source of the equation: charging of a double layer beside the reaction, as coded in PyBaMM
// ("surface form": "differential"), there for each place in either electrode; here one for all.
type layer struct {
	phi, u float64 // overpotential over ctV, and its exponential
	gone   float64 // rate times the step length: what the step's exponent is at no current

	rate0 float64 // 1/s at 25 °C, full
	rate  float64 // 1/s
	stepS float64
}

func (l *layer) size(d Design) { l.rate0 = 1 / d.LayerS }

func (l *layer) reset() { l.phi, l.u = 0, 1 }

// prepare makes the exponent for a step length.
func (l *layer) prepare(dtS float64) {
	l.stepS = dtS
	l.gone = float64(l.rate * dtS)
}

// refresh renews the rate: one over capacity times resistance of the reaction at no current. The
// capacity does not depend on temperature and charge, the exchange current does.
func (l *layer) refresh(exchange, ctShare float64) {
	l.rate = float64(l.rate0*exchange) / ctShare
	l.gone = float64(l.rate * l.stepS)
}

// end is phi at the end of the step with y, and its slope over y.
func (l *layer) end(y float64) (phi, slope float64) {
	var asinh, root float64
	if l.gone > layerGone {
		asinh, root = detmath.AsinhRoot(y)
		return asinh, 1 / root
	}
	root = math.Sqrt(1 + float64(y*y))
	x := float64(l.gone * root)
	if x > layerGone {
		asinh, root = detmath.AsinhRoot(y)
		return asinh, 1 / root
	}
	u1 := y + root
	if y < 0 {
		u1 = 1 / (root - y)
	}
	u2 := -1 / u1
	fall := detmath.Exp(-x)
	above := l.u - u2
	q := float64(fall*(l.u-u1)) / above
	u := (u1 - float64(q*u2)) / (1 - q)
	// Slopes over y: u1' = u1/root, u2' = -u2/root, fall' = -fall gone y/root.
	s1, s2 := u1/root, -u2/root
	sq := -float64(q*float64(l.gone*y))/root +
		float64(fall*(float64((l.u-u1)*s2)-float64(s1*above)))/float64(above*above)
	su := (s1 - float64(sq*u2) - float64(q*s2) + float64(u*sq)) / (1 - q)
	return detmath.Log(u), su / u
}

// step lets the step pass with y.
func (l *layer) step(y float64) {
	l.phi, _ = l.end(y)
	if l.phi < 1e-12 && l.phi > -1e-12 {
		l.reset()
		return
	}
	l.u = detmath.Exp(l.phi)
}
