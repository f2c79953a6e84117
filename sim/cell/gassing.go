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
	kneeV        = 0.002 // V a cell over which the start of acceptance resistance is rounded
	leastMissing = 1e-4  // share missing from the plates that counts as full
)

// charging is the branch that a charging current goes through: acceptance and, beside it, gassing.
type charging struct {
	acceptOhm float64 // a cell
	gasRestA  float64
	gain      float64 // cu R A: of the branch's exponential over its resistance, at rest
	lnGain    float64
	kneeA     float64
	kneeAt0   float64
	gainLog   nearLog
	gasExp    nearExp

	// At this temperature.
	fullOhm   float64 // acceptOhm were all missing, a cell
	fullKneeA float64 // kneeV over fullOhm
	gasA      float64 // at 2.23 V
	selfA     float64 // besides gassing, full

	// At 25 °C.
	gassingPerV float64
	fullOhm0    float64
	gasA0       float64
	selfA0      float64
}

// size sets the branch of a battery whose wells hold wholeAh, of which the share unsulfated can be
// charged, with a share of the active mass that takes part.
func (c *charging) size(d Design, ratedAh, wholeAh, unsulfated, active float64) {
	c.fullOhm0 = float64(acceptDriveV/cells*d.AcceptanceH) / float64(wholeAh*unsulfated)
	c.gassingPerV = d.GassingPerV
	c.gasA0 = float64(float64(1e-5*d.GassingMaPer100Ah) * ratedAh)
	fullV := EMFCellV(d.FullMolality, refC)
	wanted := float64(float64(0.01*d.SelfDischargePctMonth)*ratedAh) / (30 * 24)
	gas := float64(c.gasA0 * detmath.Exp(float64(d.GassingPerV*(fullV-gassingRefV))))
	c.selfA0 = float64(math.Max(wanted-gas, 0) * active)
}

// warm renews what depends on temperature.
func (c *charging) warm(t *thermal) {
	c.fullOhm = float64(c.fullOhm0 * t.accept)
	c.fullKneeA = kneeV / c.fullOhm
	c.gasA = float64(c.gasA0 * t.selfRate)
	c.selfA = float64(c.selfA0 * t.selfRate)
}

// refresh renews what the branch needs from the state; cellV is that of a cell at no current.
//
// In charge, the main reaction must dissolve sulfate: its resistance grows as what is left of it
// shrinks, R = Ra/x (a Shepherd term), x the share missing at the plates. In parallel water is
// split, A exp(cu w): Tafel's law in the form of Schiffer et al. 2007, with w the voltage a cell
// over the main reaction's EMF.
func (c *charging) refresh(w *wells, cellV float64) {
	missing := clamp(w.d1*w.invPlate, leastMissing, 1)
	c.acceptOhm = c.fullOhm / missing
	cu := c.gassingPerV
	c.gasRestA = float64(c.gasA * c.gasExp.of(float64(cu*(cellV-gassingRefV))))
	c.gain = float64(float64(cu*c.acceptOhm) * c.gasRestA)
	c.lnGain = c.gainLog.of(c.gain)
	c.kneeA = float64(c.fullKneeA * missing)
	c.kneeAt0 = kneePart(-c.gasRestA, c.kneeA)
}

// kneePart is a rounded max(x, 0).
func kneePart(x, width float64) float64 {
	return 0.5 * (x + math.Sqrt(float64(x*x)+float64(width*width)))
}

// slopeAtRest is the slope of acceptance at no current, without its root.
func (c *charging) slopeAtRest() float64 {
	opening := 1 - c.gasRestA/(2*c.kneeAt0+c.gasRestA) // twice the knee's slope
	return float64(0.5*opening) * c.acceptOhm / (1 + c.gain)
}

// acceptance is the voltage a cell over the charging branch (zero at rest, next to nothing in
// discharge), its slope in ohm, and the gassing current.
//
// The two parallel paths are w/R + A exp(cu w) = i + A: solved by Wright's omega function, w + ln w
// = x: cu R A exp(cu w) = omega(ln(cu R A) + cu R (i + A)). i is the current with what gassing
// already takes at rest left out and a rounded start, so that the branch opens as charge begins.
// For i <= 0 the tangent is exact enough (|w| under 2 mV).
func (c *charging) acceptance(currentA float64) (w, slope, gasA float64) {
	y := currentA - c.gasRestA
	root := math.Sqrt(float64(y*y) + float64(c.kneeA*c.kneeA))
	i := float64(0.5*(y+root)) - c.kneeAt0
	di := 0.5 * (1 + y/root)
	if currentA <= 0 {
		r := c.acceptOhm / (1 + c.gain)
		w = float64(r * i)
		return w, float64(r * di), c.gasRestA
	}
	rcu := float64(c.acceptOhm * c.gassingPerV)
	x := c.lnGain + float64(rcu*(i+c.gasRestA))
	o, lnO := omega(x)
	if o > 1 {
		w = (lnO - c.lnGain) / c.gassingPerV
	} else {
		w = float64(c.acceptOhm*(i+c.gasRestA)) - o/c.gassingPerV
	}
	return w, float64(c.acceptOhm*di) / (1 + o), o / rcu
}

// omega is Wright's omega function for real x, the solution of w + ln w = x, and ln w.
//
// Start values by region and two steps of Fritsch, Shafer and Crowley's iteration (Comm. ACM 16
// (1973) 123-124), each of fourth order, as laid out by Lawrence, Corless and Jeffrey, ACM TOMS 38
// (2012) algorithm 917. Error under 2e-10 relative.
func omega(x float64) (w, lnW float64) {
	switch {
	case x < -2:
		e := detmath.Exp(x)
		w = float64(e * (1 - float64(e*(1-float64(e*(1.5-float64(e*(8.0/3))))))))
		if x < -6 { // the series' next term is 125/24 e**4x of it: under 2e-10
			return w, x - w
		}
	case x < 1+math.Pi:
		y := x - 1
		y2 := float64(y * y)
		w = 1 + float64(0.5*y) +
			float64(y2*(1.0/16-float64(y*(1.0/192))-float64(y2*(1.0/3072-float64(y*(13.0/61440))))))
	default:
		l := detmath.Log(x)
		w = (x - l) + l/x
	}
	for range 2 {
		r := (x - w) - detmath.Log(w)
		t := float64((1 + w) * (1 + w + float64(r*(2.0/3))))
		w = float64(w * (1 + float64(float64(r/(1+w))*((t-float64(0.5*r))/(t-r)))))
		if math.Abs(r) < 1e-3 {
			break
		}
	}
	return w, x - w
}
