package cell

import (
	"math"

	"liftbank/sim/detmath"
)

const (
	gassingRefV = 2.23 // V a cell where the gassing current is given
	// V of six cells that drive the taper: 14.4 V less the EMF of a nearly full battery and surface charge
	acceptDriveV = 1.15
	kneeV        = 0.002 // V a cell over which the start of acceptance resistance is rounded
	leastMissing = 1e-4  // share missing from the plates that counts as full
)

// refreshCharge renews what the acceptance and gassing branch needs.
//
// In charge, the main reaction must dissolve sulphate: its resistance grows as what is left of it
// shrinks, R = Ra/x (a Shepherd term), x the share missing at the plates. In parallel water is
// split, A exp(cu w): Tafel's law in the form of Schiffer et al. 2007, with w the voltage a cell
// over the main reaction's EMF.
func (b *Battery) refreshCharge() {
	missing := clamp(b.d1*b.invPlate, leastMissing, 1)
	b.acceptOhm = b.heat.acceptOhm / missing // a cell
	cu := b.gassingPerV
	b.gasRestA = float64(b.heat.gasA * b.gasExp.of(float64(cu*(b.cellV-gassingRefV))))
	b.gain = float64(float64(cu*b.acceptOhm) * b.gasRestA)
	b.lnGain = b.gainLog.of(b.gain)
	b.kneeA = float64(b.heat.kneeA * missing)
	b.kneeAt0 = kneePart(-b.gasRestA, b.kneeA)
}

// kneePart is a rounded max(x, 0).
func kneePart(x, width float64) float64 {
	return 0.5 * (x + math.Sqrt(float64(x*x)+float64(width*width)))
}

// acceptance is the voltage a cell over the charging branch (zero at rest, next to nothing in
// discharge), its slope in ohm, and the gassing current.
//
// The two parallel paths are w/R + A exp(cu w) = i + A: solved by Wright's omega function, w + ln w
// = x: cu R A exp(cu w) = omega(ln(cu R A) + cu R (i + A)). i is the current with what gassing
// already takes at rest left out and a rounded start, so that the branch opens as charge begins.
// For i <= 0 the tangent is exact enough (|w| under 2 mV).
func (b *Battery) acceptance(currentA float64) (w, slope, gasA float64) {
	y := currentA - b.gasRestA
	root := math.Sqrt(float64(y*y) + float64(b.kneeA*b.kneeA))
	i := float64(0.5*(y+root)) - b.kneeAt0
	di := 0.5 * (1 + y/root)
	if currentA <= 0 {
		r := b.acceptOhm / (1 + b.gain)
		w = float64(r * i)
		return w, float64(r * di), b.gasRestA
	}
	rcu := float64(b.acceptOhm * b.gassingPerV)
	x := b.lnGain + float64(rcu*(i+b.gasRestA))
	o, lnO := omega(x)
	if o > 1 {
		w = (lnO - b.lnGain) / b.gassingPerV
	} else {
		w = float64(b.acceptOhm*(i+b.gasRestA)) - o/b.gassingPerV
	}
	return w, float64(b.acceptOhm*di) / (1 + o), o / rcu
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
