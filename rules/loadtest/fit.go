package loadtest

import (
	"math"
	"time"
)

// A battery's voltage follows a step of current in parts: metal and acid at once, the reaction at
// the plates as their double layer charges (some 0.01 to 0.6 s), and the acid in the pores over a
// minute. What a cold start sees after seconds is all but the last, so that the resistance is stated
// for statedS after a step: late enough for the slowest layer (96 % of one of 0.6 s), early enough
// for the acid not to count.
//
// Each run is one linear problem. The readings of the start, the run and what follows the stop are
// fitted with
//
//	V = E + R0 I + sum Rk yk + bend I²/step + slow charge + fade charge²/step + held
//
// where yk is the current behind a lag of layerS[k]; slow and fade are what the charge drawn takes
// down (the acid in the pores, and a surface charge, which goes as it is drawn); and held is what a
// battery is off its own line by at rest and loses, as its layers do, once it gives current. The
// stop is as good as the start: the motor's current breaks off at once, and nothing is in the way of
// the recovery. The inrush moves the current within the run, so that the line is known without
// either rest.
const (
	layers = 4 // count: layers of a fit; our choice

	statedS = 2.0 // s: after a step of current, for which resistance is stated; our choice

	slowS     = 60.0            // s: of the acid in the pores; our choice
	spanS     = 0.1             // s: from an edge, within which each reading counts in full, later ones less; our choice
	tailSpan  = 2 * time.Second // after the stop, that is read; our choice
	emfV      = 2.0             // V: deviation of the line's start from the first reading; our choice
	ownV      = 0.004           // V: deviation of a rest from the line where the battery gives current; our choice
	idleV     = 0.006           // V: the same where next to no current flows, and nothing holds it; our choice
	heldV     = 0.1             // V: deviation of a rest from it where a neighbor or a charger holds it; our choice
	modelV    = 0.002           // V: deviation of a reading by what the model leaves out; our choice
	startV    = 0.03            // V: deviation of the layers by an inrush they don't follow in proportion; our choice
	bentPart  = 0.3             // ratio: of the layer's share, that higher current may be off the line by; our choice
	noTailV   = 1e-4            // V: deviation of a neighbor's layers that are not seen; our choice
	noBend    = 1e-4            // ratio: deviation of a bend that is none; our choice
	bentLeast = 0.02            // ratio: the same without a layer; our choice
	ohmPrior  = 5.0             // ratio: deviation of the resistance at once, over what is expected of all; our choice
	layerPart = 0.5             // ratio: deviation of a layer's resistance, over the same; our choice
	slowPart  = 5.0             // ratio: deviation of slow and fade, over the same; our choice
)

// layerS are the lags of the layers in s at 25 °C: from the shortest that readings show to the longest
// to be expected, each some 3.5 times the one before. The capacity of a double layer hardly depends on
// temperature, so that its lag grows with the resistance of the reaction: see slower.
var layerS = [layers]float64{0.02, 0.07, 0.25, 0.8}

// place is that of an unknown.
type place int

const (
	atE place = iota
	atBefore
	atAfter
	atOnce
	atLayer
	atSlow = atLayer + layers
	atFade = atSlow + 1
	atBend = atFade + 1
	atHeld = atBend + 1
	atTail = atHeld + layers
	places = atTail + layers
)

// row is what one reading is made of.
type row [places]float64

// fit collects one run's normal equations.
type fit struct {
	m    [places]row
	r    row
	vv   float64
	n    float64 // readings, by weight
	last point
	have bool // last
	v0   float64

	y      [layers]float64 // currents behind their lags
	held   [layers]float64 // what is left of what the layers began with
	tail   [layers]float64 // what is left of what a neighbor's layers have at the stop
	charge float64         // A s, over slowS
	restA  float64         // before the run
	looseV float64         // deviation of what the layers may have begun with
	edge   time.Duration   // that since is counted from
	slower float64         // the layers' lags over those at 25 °C
}

// begin starts a run at `at` from a rest, if there was one; looseV is the deviation of what
// the layers may have been at, and slower their lags over those at 25 °C.
func (f *fit) begin(at time.Duration, restA, looseV, slower float64) {
	*f = fit{edge: at, looseV: looseV, restA: restA, slower: slower}
	for k := range layers {
		f.held[k], f.y[k] = 1, restA
	}
}

// pass lets the current a, constant, flow until `at`.
func (f *fit) pass(a float64, dtS float64) {
	if dtS <= 0 {
		return
	}
	for k := range layers {
		left := math.Exp(-dtS / (layerS[k] * f.slower))
		f.y[k] = a + (f.y[k]-a)*left
		f.held[k] *= left
		f.tail[k] *= left
	}
	f.charge += a * dtS / slowS
}

// add applies a reading with the current i, of a deviation sigma, by its weight; where is the place
// of what it may be off the run's line by, or atE.
func (f *fit) add(v, i float64, where place, stepA, sigma, weight float64) {
	var x row
	x[atE] = 1
	if where != atE {
		x[where] = 1
	}
	x[atOnce] = i
	for k := range layers {
		x[atLayer+place(k)] = f.y[k]
		x[atHeld+place(k)] = f.held[k]
		if where == atAfter {
			x[atTail+place(k)] = f.tail[k]
		}
	}
	x[atSlow], x[atFade] = f.charge, f.charge*f.charge/stepA
	x[atBend] = i * i / stepA
	f.n += weight
	f.weigh(&x, v-f.v0, weight/(sigma*sigma))
}

func (f *fit) weigh(x *row, v, w float64) {
	for i := range places {
		if x[i] == 0 {
			continue
		}
		wx := w * x[i]
		for j := place(0); j <= i; j++ {
			f.m[i][j] += wx * x[j]
		}
		f.r[i] += wx * v
	}
	f.vv += w * v * v
}

// answer is what a fit says, in ohm: for statedS after a step to the run's current, what of it is the layers',
// and the standard deviation of both; and how likely that makes the readings.
type answer struct {
	ohm, sigma           float64
	layerOhm, layerSigma float64
	bendOhm              float64

	logLikely float64 // of the readings, up to a constant of the run
}

// or weighs two answers that rest on two views of a run by how likely each makes the readings.
func (a *answer) or(b *answer) (out answer) {
	w := 1 / (1 + math.Exp(b.logLikely-a.logLikely))
	mix := func(x, xSigma, y, ySigma float64) (mean, sigma float64) {
		return w*x + (1-w)*y, math.Sqrt(w*sq(xSigma) + (1-w)*sq(ySigma) + w*(1-w)*sq(x-y))
	}
	out.ohm, out.sigma = mix(a.ohm, a.sigma, b.ohm, b.sigma)
	out.layerOhm, out.layerSigma = mix(a.layerOhm, a.layerSigma, b.layerOhm, b.layerSigma)
	most, least := max(a.logLikely, b.logLikely), min(a.logLikely, b.logLikely)
	out.logLikely = most + math.Log1p(math.Exp(least-most))
	return out
}

// expected is what the battery is thought to be before a run's fit: resistances of about scaleOhm, of
// which the layers have layerOhm with a deviation; the deviations of the rests from its line; and the
// step asked for, over that of the bend.
type expected struct {
	scaleOhm             float64
	bent                 float64 // deviation of the bend over that
	layerOhm, layerSigma float64 // none: sigma 0
	beforeV, afterV      float64
	tailV                float64 // deviation of what the neighbors' layers do to the rest after
	looseV               float64 // deviation of what the layers may have begun with, at the least
	step                 float64
}

// solve solves the problem.
func (f *fit) solve(e *expected) (out answer, ok bool) {
	scaleOhm := e.scaleOhm
	prior := row{atE: emfV, atBefore: e.beforeV, atAfter: e.afterV, atOnce: ohmPrior * scaleOhm,
		atSlow: slowPart * scaleOhm, atFade: slowPart * scaleOhm, atBend: max(e.bent, noBend) * scaleOhm}
	for k := range layers {
		prior[atLayer+place(k)] = layerPart * scaleOhm
		prior[atHeld+place(k)] = max(f.looseV, e.looseV) / 2
		prior[atTail+place(k)] = max(e.tailV, noTailV) / 2
	}
	whole, part := row{atOnce: 1, atBend: -e.step}, row{}
	for k := range layers {
		part[atLayer+place(k)] = 1 - math.Exp(-statedS/layerS[k])
		whole[atLayer+place(k)] = part[atLayer+place(k)]
	}
	m, x := f.m, f.r
	for i := range places {
		m[i][i] += 1 / (prior[i] * prior[i])
		out.logLikely -= math.Log(prior[i])
	}
	if e.layerSigma > 0 {
		w := 1 / (e.layerSigma * e.layerSigma)
		for i := range places {
			for j := place(0); j <= i; j++ {
				m[i][j] += w * part[i] * part[j]
			}
			x[i] += w * part[i] * e.layerOhm
		}
	}
	if !cholesky(&m) {
		return out, false
	}
	forward(&m, &x)
	out.logLikely += dot(&x, &x) / 2 // what the unknowns explain of the readings, at the cost of their freedom
	for i := range places {
		out.logLikely -= math.Log(m[i][i])
	}
	backward(&m, &x)

	fault := math.Sqrt(max(f.misfit(&x), 1))
	out.ohm, out.layerOhm, out.bendOhm = dot(&whole, &x), dot(&part, &x), x[atBend]
	forward(&m, &whole)
	forward(&m, &part)
	out.sigma, out.layerSigma = fault*math.Sqrt(dot(&whole, &whole)), fault*math.Sqrt(dot(&part, &part))
	return out, true
}

// misfit is the mean square of what is left of the readings, over their variance.
func (f *fit) misfit(x *row) float64 {
	left := f.vv
	for i := range places {
		left -= 2 * x[i] * f.r[i]
		left += x[i] * x[i] * f.m[i][i]
		for j := range i {
			left += 2 * x[i] * x[j] * f.m[i][j]
		}
	}
	return max(left, 0) / max(f.n, 1)
}

func dot(a, b *row) (sum float64) {
	for i := range places {
		sum += a[i] * b[i]
	}
	return sum
}

// cholesky replaces the lower half of m by its factor.
func cholesky(m *[places]row) bool {
	for i := range places {
		for j := place(0); j <= i; j++ {
			sum := m[i][j]
			for k := range j {
				sum -= m[i][k] * m[j][k]
			}
			if i > j {
				m[i][j] = sum / m[j][j]
				continue
			}
			if !(sum > 0) {
				return false
			}
			m[i][i] = math.Sqrt(sum)
		}
	}
	return true
}

// forward solves L x = x.
func forward(l *[places]row, x *row) {
	for i := range places {
		for k := range i {
			x[i] -= l[i][k] * x[k]
		}
		x[i] /= l[i][i]
	}
}

// backward solves Lᵀ x = x.
func backward(l *[places]row, x *row) {
	for i := places - 1; i >= 0; i-- {
		for k := i + 1; k < places; k++ {
			x[i] -= l[k][i] * x[k]
		}
		x[i] /= l[i][i]
	}
}
