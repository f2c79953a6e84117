package cell

import (
	"math"

	"liftbank/sim/detmath"
)

// twoWell is the shape of the kinetic battery model: k in 1/h, c the share of the whole that is at
// the plates, and overRated the whole over the 20 h capacity.
type twoWell struct{ kPerH, c, overRated float64 }

// fitTwoWell finds k and c from the capacities at the 10 h and 1 h rate in % of that at the 20 h
// rate.
//
// Source: Manwell and McGowan, Solar Energy 50 (1993) 399-405, in the form of NREL's ssc (BSD
// 3-Clause): c follows from two rates for a given k; k is the one for which the pairs (1 h, 20 h)
// and (1 h, 10 h) give one c. Here by bisection.
func fitTwoWell(ah10hPct, ah1hPct float64) twoWell {
	miss := func(k float64) float64 {
		return wellShare(k, ah1hPct/100, 1, 20) - wellShare(k, ah1hPct/ah10hPct, 1, 10)
	}
	lo, hi := 0.02, 5.0
	up := miss(hi) > miss(lo)
	for range 60 {
		mid := 0.5 * (lo + hi)
		if (miss(mid) > 0) == up {
			hi = mid
		} else {
			lo = mid
		}
	}
	k := 0.5 * (lo + hi)
	c := clamp(wellShare(k, ah1hPct/100, 1, 20), 0.02, 0.98)
	w := twoWell{kPerH: k, c: c, overRated: 1}
	w.overRated = 1 / w.capacity(20)
	return w
}

// wellShare is c from f, the capacity at the t1 hour rate over that at the t2 hour rate.
func wellShare(k, f, t1, t2 float64) float64 {
	n := float64(f*float64(-detmath.Expm1(float64(-k*t1))*t2)) - float64(float64(-detmath.Expm1(float64(-k*t2)))*t1)
	kt := float64(float64(k*t1) * t2)
	return n / ((n - float64(f*kt)) + kt)
}

// capacity at the hours rate, as a share of the whole charge times overRated: q(T) of the model.
func (w twoWell) capacity(hours float64) float64 {
	kt := float64(w.kPerH * hours)
	gone := -detmath.Expm1(-kt)
	return float64(float64(w.overRated*w.c)*kt) / (gone + float64(w.c*(kt-gone)))
}

// Bounds of the cold factor's formula.
const (
	coldBendC = -20.0
	hotEndC   = 70.0
)

// activeShare is the share of the plates that can take part at tempC before they are empty; 1 at 25
// °C.
//
// From -4 to 52 °C it is the inverse of the cell size factors of IEEE Std 485 table 1 (from
// memory), as a parabola within 1.5 %; the same parabola to -20 °C gives 0.42 (a maker's multiplier
// has 0.61 at -10 °C, here 0.58) and below that it falls by its slope's exponential.
func activeShare(tempC float64) float64 {
	const a, b = 0.009, -8.8e-5
	x := clamp(tempC, coldBendC, hotEndC) - refC
	f := 1 + float64(x*(a+float64(b*x)))
	if tempC < coldBendC {
		slope := a + float64(2*b*x)
		f *= detmath.Exp(float64(slope/f) * (math.Max(tempC, -80) - coldBendC))
	}
	return f
}

// refAh0CPct is what activeShare gives at 0 °C, %.
const refAh0CPct = 72.0

// wellStep has the factors of one step of the two wells for one step length.
type wellStep struct {
	hours float64
	decay float64 // E = exp(-k dt)
	gain  float64 // (1-E)/k, h
	lag   float64 // (k dt - 1 + E)/k, h
}

func newWellStep(kPerH, dtS float64) wellStep {
	h := dtS / 3600
	kt := float64(kPerH * h)
	gone := -detmath.Expm1(-kt)
	lag := kt - gone
	if kt < 1e-3 { // series: the difference above has no digits left
		lag = float64(float64(kt*kt) * (0.5 - float64(kt/6)))
	}
	return wellStep{hours: h, decay: 1 - gone, gain: gone / kPerH, lag: lag / kPerH}
}

// fillFaster is how much faster charge moves from the plates back than the other way. What holds a
// discharge back is acid that has to come in by diffusion; in charge the plates give off acid that
// is heavier than what is around it and sinks away, and gas stirs it. Chosen so that the whole
// taper has the measured time constants (0.65 and 2 h).
const fillFaster = 4.0

// wells is the charge of a battery, as what is missing of it.
type wells struct {
	d1, d2    float64 // Ah missing at the plates and behind them
	gassedAh  float64 // charge that split water, since the start
	selfAh    float64 // charge lost by self-discharge
	refusedAh float64 // charge drawn from an empty battery, which it did not have

	// Factors of the step length.
	drain wellStep
	fill  wellStep // while charge moves from the plates back

	invActive float64 // one over what of the plates takes part at this temperature, 1/Ah

	shape    twoWell
	plateAh  float64 // what the plates hold
	backAh   float64 // what is behind them
	fullAh   float64 // present full capacity, 20 h, 25 °C
	invPlate float64
	invBack  float64
	invShare float64 // one over the plates' share of the whole
	// share of the present full capacity missing per Ah missing at the plates, were both wells level
	invPlateFull float64
}

// size sets what the wells hold.
func (w *wells) size(wholeAh, fullAh float64) {
	w.plateAh = float64(wholeAh * w.shape.c)
	w.backAh = wholeAh - w.plateAh
	w.fullAh = fullAh
	w.invPlate, w.invBack = 1/w.plateAh, 1/w.backAh
	w.invShare = 1 / w.shape.c
	w.invPlateFull = 1 / float64(w.shape.c*w.fullAh)
}

// reset brings both wells level at a charge and counts from there.
func (w *wells) reset(socPct float64) {
	missing := float64(w.fullAh * (1 - socPct/100))
	w.d1 = float64(missing * w.shape.c)
	w.d2 = missing - w.d1
	w.gassedAh, w.selfAh, w.refusedAh = 0, 0, 0
}

// warm renews what depends on temperature.
func (w *wells) warm(t *thermal) { w.invActive = 1 / float64(t.active*w.plateAh) }

// prepare makes the factors of a step length.
func (w *wells) prepare(dtS float64) {
	w.drain = newWellStep(w.shape.kPerH, dtS)
	w.fill = newWellStep(w.shape.kPerH*fillFaster, dtS)
}

// plateShare is the share of the present full capacity that is missing, as the plates have it.
func (w *wells) plateShare() float64 { return float64(w.d1 * w.invPlateFull) }

// step counts one step with the current main (A, positive charges) besides gasA that splits water
// and selfA of self-discharge.
func (w *wells) step(main, gasA, selfA float64) {
	w.gassedAh += float64(gasA * w.drain.hours)
	w.selfAh += float64(selfA * w.drain.hours)
	w.draw(main - selfA)
	w.hold()
}

// draw moves the charge missing from the wells by one step with the current main (A, positive
// charges), exactly for a constant current, in the variables of what is missing: d1 at the plates,
// d2 behind them, Ah.
func (w *wells) draw(main float64) {
	s, k := &w.drain, w.shape.kPerH
	if w.d1*w.invPlate < w.d2*w.invBack {
		s, k = &w.fill, k*fillFaster
	}
	all := w.d1 + w.d2
	use := -main
	d1 := float64(w.d1*s.decay) + float64((float64(float64(all*k)*w.shape.c)+use)*s.gain) +
		float64(float64(use*w.shape.c)*s.lag)
	all += float64(use * s.hours)
	w.d1, w.d2 = d1, all-d1
}

// hold keeps both wells within what they hold. What a draw beyond empty takes is refused (the cells
// reverse and split water), what a charge beyond full brings is gas; both are counted.
func (w *wells) hold() {
	if low := w.d1; low < 0 {
		w.d1, w.gassedAh = 0, w.gassedAh-low
	}
	if low := w.d2; low < 0 {
		w.d2, w.gassedAh = 0, w.gassedAh-low
	}
	if over := w.d1 - float64(maxActiveShare*w.plateAh); over > 0 {
		w.d1, w.refusedAh = w.d1-over, w.refusedAh+over
	}
	if over := w.d2 - float64(maxActiveShare*w.backAh); over > 0 {
		w.d2, w.refusedAh = w.d2-over, w.refusedAh+over
	}
}

// maxActiveShare is activeShare at its hottest: no well is ever drawn deeper.
const maxActiveShare = 1.23
