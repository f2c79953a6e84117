package loadtest

import "math"

// inrush keeps the readings of a run's start: while the rotor comes up to speed the battery goes
// through a range of currents in a tenth of a second, too quick for anything slow.
type inrush struct {
	at    [maxStart]moment
	n     int
	mostA float64 // readings with more current are left out
}

// moment is one reading with the current's rate of change in A/s.
type moment struct{ v, a, rate float64 }

func (f *inrush) add(v, a, rate float64) {
	if f.n < len(f.at) && a > -f.mostA {
		f.at[f.n] = moment{v, a, rate}
		f.n++
	}
}

func (f *inrush) mean() (v, a float64) {
	for i := range f.n {
		v, a = v+f.at[i].v, a+f.at[i].a
	}
	return v / float64(f.n), a / float64(f.n)
}

// chord is a resistance in ohm with its standard uncertainty by the readings' noise.
type chord struct{ ohm, sigma float64 }

const (
	minStart = 8    // count: readings wanted; our choice
	maxStart = 96   // count: readings kept; our choice
	spreadA  = 8.0  // A: least standard deviation of their current; our choice
	minChord = 0.9  // ratio: bound of the bend, over the straight line's slope; our choice
	maxChord = 1.35 // ratio: bound of the bend, over the straight line's slope; our choice
	minDet   = 0.01 // ratio: determinant below which the readings tell no bend; our choice
)

// parabola is the curve v = b0 + b1 x + b2 x² through the readings, with x the current scaled to
// mean 0 and mean square 1.
type parabola struct {
	n, meanA, unitA  float64
	b1, b2, straight float64 // straight: the slope without b2
	m3, det          float64
}

// curve fits the parabola; ok is false when the readings are few or the current did not move
// enough. The voltage is read lagS after the current, which its rate of change brings to the
// voltage's instant.
func (f *inrush) curve(lagS float64) (c parabola, ok bool) {
	if f.n < minStart {
		return c, false
	}
	c.n = float64(f.n)
	var meanV, spread float64
	for i := range f.n {
		c.meanA, meanV = c.meanA+(f.at[i].a+lagS*f.at[i].rate)/c.n, meanV+f.at[i].v/c.n
	}
	for i := range f.n {
		spread += sq(f.at[i].a+lagS*f.at[i].rate-c.meanA) / c.n
	}
	if c.unitA = math.Sqrt(spread); c.unitA < spreadA {
		return c, false
	}
	// Only the third and fourth moments of x are left in the normal equations.
	var m4, xv, xxv float64
	for i := range f.n {
		x, v := (f.at[i].a+lagS*f.at[i].rate-c.meanA)/c.unitA, f.at[i].v-meanV
		c.m3, m4, xv, xxv = c.m3+x*x*x/c.n, m4+x*x*x*x/c.n, xv+x*v/c.n, xxv+x*x*v/c.n
	}
	c.det = m4 - 1 - c.m3*c.m3
	if c.det < minDet || xv <= 0 {
		return c, false
	}
	c.b2 = (xxv - c.m3*xv) / c.det
	c.b1, c.straight = xv-c.m3*c.b2, xv
	return c, true
}

// line returns the resistance over a step from none to stepA (> 0) in discharge, on the parabola
// through the readings.
//
// It is bent because the reaction at the plates takes less voltage per ampere the more flows, in
// the cold above all: a straight line through the inrush would show too little.
func (f *inrush) line(lagS, stepA, readV float64) (out chord, ok bool) {
	c, ok := f.curve(lagS)
	if !ok {
		return out, false
	}
	ends := (-2*c.meanA - stepA) / c.unitA // sum of x at the step's two ends
	straight := c.straight / c.unitA
	out.ohm = min(max((c.b1+c.b2*ends)/c.unitA, minChord*straight), maxChord*straight)
	out.sigma = readV / c.unitA / math.Sqrt(c.n) * math.Sqrt(1+sq(ends-c.m3)/c.det)
	return out, true
}
