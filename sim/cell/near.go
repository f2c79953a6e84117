package cell

import "liftbank/sim/detmath"

// nearBy bounds the relative step within which nearExp and nearLog10 go by series from the last
// exact value.
const nearBy = 1e-3

// nearExp is the exponential of a slowly moving argument: the last exact value and a series from
// it, within 1e-13 relative.
type nearExp struct{ at, value float64 }

func (n *nearExp) of(x float64) float64 {
	d := x - n.at
	if n.value == 0 || !(d < nearBy && d > -nearBy) {
		n.at, n.value = x, detmath.Exp(x)
		return n.value
	}
	return float64(n.value * (1 + float64(d*(1+float64(float64(0.5*d)*(1+float64(d*(1.0/3))))))))
}

// nearLog is the same for the natural logarithm of a positive argument, within 1e-15 absolute.
type nearLog struct{ at, inverse, value float64 }

func (n *nearLog) of(x float64) float64 {
	q := float64((x - n.at) * n.inverse)
	if n.inverse == 0 || !(q < nearBy && q > -nearBy) {
		n.at, n.inverse, n.value = x, 1/x, detmath.Log(x)
		return n.value
	}
	return n.value + float64(q*(1-float64(q*(0.5-float64(q*(1.0/3-float64(q*0.25)))))))
}
