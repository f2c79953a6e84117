package cell

import (
	"math"

	"liftbank/sim/detmath"
)

const (
	gassingRefV = 2.23 // V a cell where the gassing current is given
	// V of six cells that drive the taper: 14.4 V less the EMF of a nearly full battery and surface
	// charge
	acceptDriveV = 1.15
	kneeV        = 0.0008 // V a cell over which the start of acceptance is rounded
	leastMissing = 1e-5   // share missing from the plates that counts as full
)

// charging is the branch that a charging current goes through: acceptance and, beside it, gassing.
type charging struct {
	limitA   float64 // most the main reaction takes
	gasRestA float64
	kneeA    float64
	kneeAt0  float64
	gasExp   nearExp
	ratio    float64 // cube root of limitA over gasRestA
	ratioLog nearLog
	ratioExp nearExp

	// At this temperature.
	fullLimitA float64 // limitA were all missing
	gasA       float64 // at 2.23 V
	selfA      float64 // besides gassing, full

	// At 25 °C.
	gassingPerV float64
	fullLimitA0 float64
	gasA0       float64
	selfA0      float64
}

// size sets the branch of a battery whose wells hold wholeAh, of which the share unsulfated can be
// charged, with a share of the active mass that takes part.
func (c *charging) size(d Design, ratedAh, wholeAh, unsulfated, active float64) {
	share := -detmath.Expm1(float64(-0.5 * d.GassingPerV * (acceptDriveV / cells)))
	c.fullLimitA0 = float64(wholeAh*unsulfated) / float64(d.AcceptanceH*share)
	c.gassingPerV = d.GassingPerV
	c.gasA0 = float64(float64(1e-5*d.GassingMaPer100Ah) * ratedAh)
	fullV := EMFCellV(d.FullMolality, refC)
	wanted := float64(float64(0.01*d.SelfDischargePctMonth)*ratedAh) / (30 * 24)
	gas := float64(c.gasA0 * detmath.Exp(float64(d.GassingPerV*(fullV-gassingRefV))))
	c.selfA0 = float64(math.Max(wanted-gas, 0) * active)
}

// warm renews what depends on temperature.
func (c *charging) warm(t *thermal) {
	c.fullLimitA = float64(c.fullLimitA0 * t.accept)
	c.gasA = float64(c.gasA0 * t.selfRate)
	c.selfA = float64(c.selfA0 * t.selfRate)
}

// refresh renews what the branch needs from the state; cellV is that of a cell at no current.
//
// In charge, the main reaction must dissolve sulfate, and can't take more than what is left of it
// gives, L: it follows L (1 - exp(-cu w/2)), w the voltage a cell over its EMF, as a reaction does
// whose dissolved reactant runs short. L goes with the share missing at the plates. In parallel water
// is split, A exp(cu w): Tafel's law in the form of Schiffer et al. 2007. The exponent of the first is
// chosen: softer than one electrode's 2F/RT, since the plates' parts run short one by one, and so that
// a lower voltage takes longer to fill the battery.
func (c *charging) refresh(w *wells, cellV float64) {
	c.limitA = float64(c.fullLimitA * clamp(w.d1*w.invPlate, leastMissing, 1))
	cu := c.gassingPerV
	c.gasRestA = float64(c.gasA * c.gasExp.of(float64(cu*(cellV-gassingRefV))))
	c.ratio = c.ratioExp.of(float64(c.ratioLog.of(c.limitA/c.gasRestA) * (1.0 / 3)))
	c.kneeA = kneeV / c.ohmAtRest()
	c.kneeAt0 = kneePart(-c.gasRestA, c.kneeA)
}

// kneePart is a rounded max(x, 0).
func kneePart(x, width float64) float64 {
	return 0.5 * (x + math.Sqrt(float64(x*x)+float64(width*width)))
}

// ohmAtRest is the slope of both paths at no current over EMF.
func (c *charging) ohmAtRest() float64 {
	return 1 / float64(c.gassingPerV*(float64(0.5*c.limitA)+c.gasRestA))
}

// slopeAtRest is the slope of acceptance at no current, without its root.
func (c *charging) slopeAtRest() float64 {
	opening := 1 - c.gasRestA/(2*c.kneeAt0+c.gasRestA) // twice the knee's slope
	return float64(float64(0.5*opening) * c.ohmAtRest())
}

// acceptance is the voltage a cell over the charging branch (zero at rest, next to nothing in
// discharge), its slope in ohm, and the gassing current.
//
// The two parallel paths are L (1 - 1/z) + A z² = i + A with z = exp(cu w/2). i is the current with
// what gassing already takes at rest left out and a rounded start, so that the branch opens as charge
// begins. For i <= 0 the tangent is exact enough (|w| under 1 mV).
func (c *charging) acceptance(currentA float64) (w, slope, gasA float64) {
	y := currentA - c.gasRestA
	root := math.Sqrt(float64(y*y) + float64(c.kneeA*c.kneeA))
	i := float64(0.5*(y+root)) - c.kneeAt0
	di := 0.5 * (1 + y/root)
	if currentA <= 0 {
		r := c.ohmAtRest()
		return float64(r * i), float64(r * di), c.gasRestA
	}
	z := c.root(i)
	gasA = float64(c.gasRestA * float64(z*z))
	return 2 * detmath.Log(z) / c.gassingPerV, di / float64(c.gassingPerV*(float64(0.5*c.limitA)/z+gasA)), gasA
}

// root is the positive z with A z³ + p z = L, p = L - A - i: Newton's steps from above, where the
// cubic is convex. Above it are, for p > 0, L/p and the root without p, and for p <= 0, one step from
// the root without L, and the sum of both roots.
func (c *charging) root(i float64) float64 {
	l, a := c.limitA, c.gasRestA
	p := (l - a) - i
	z := c.ratio
	if p > 0 {
		z = min(z, l/p)
	} else if p < 0 {
		s := math.Sqrt(-p / a)
		z = s + min(z, -0.5*l/p)
	}
	for range 40 {
		z2 := float64(a * float64(z*z))
		next := (float64(2*float64(z2*z)) + l) / (float64(3*z2) + p)
		if next >= float64(z*(1-1e-13)) {
			return next
		}
		z = next
	}
	return z
}
