// Package zero learns what the current sensors of a unit show without current, also over
// temperature, from rests of the bank.
//
// At rest the currents of a parallel bank add up to what the board and whatever was left on draw.
// Only that sum is known: between unequal batteries current circulates for hours after a load or a
// charge. What one sensor shows alone, beside others near nothing, is its zero; what two show
// against each other is taken as flowing. What all show alike may be zeros or a drain: the fall of
// the rested voltage tells the two apart, and until it has both stay in doubt.
package zero

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// The states: the zero of each sensor at 25 °C (A), what it gains with temperature (A/K), and what
// is drawn from the bank at rest (A).
const (
	iZero = iota * unit.MaxBatteries
	iSlope
	iDrain
	states = iDrain + 1 // count: states; physical
)

// What is believed before any rest, and how it changes.
const (
	zeroShare    = 0.75  // ratio: deviation of a zero over its class; our choice
	slopePerC    = 0.05  // 1/°C: deviation of a slope over the zero's class: at 20 °C off as much again; our choice
	drainSigmaA  = 0.20  // A: beside the board's own, to a small lamp; our choice
	wanderA      = 0.03  // A: change of a zero in a day, as a random walk; our choice
	drainWanderA = 0.01  // A: change of the drain in a day, as a random walk; our choice
	MaxA         = 3.0   // A: more is no zero that can be taken off, and no zero is in more doubt; our choice
	maxSlopeA    = 0.05  // A/°C: over twice what makes a fault by itself, 20 mA; our choice
	maxTempC     = 100.0 // °C: of a box, either way; our choice
	hoursPerDay  = 24.0  // h: in a day; physical
)

// What a rest says.
const (
	restAfter   = time.Hour        // without motor and feed, before the currents are read; our choice
	window      = 30 * time.Minute // over which they are averaged; our choice
	sameShare   = 2 * time.Hour    // closer readings count as one; our choice
	sumA        = 0.02             // A: of the sum, beside the drain's own deviation; our choice
	flowA       = 0.30             // A: between neighbors of 100 Ah when a rest begins; our choice
	flowTime    = time.Hour        // for that to halve, then to a third and so on; our choice
	flowShare   = 100.0            // Ah: capacity that flowA is for; our choice
	largeA      = 0.40             // A: more between neighbors may well flow for days: no zero; our choice
	againstPart = 0.5              // ratio: of the largest, a sum below it is of currents against each other; our choice
	alonePart   = 0.4              // ratio: of the largest, what the others add to it at the most; our choice
	openA       = 0.25             // A: deviation of a zero that is open: over what its class leaves; our choice
	classPart   = 1.5              // ratio: of their class, that two zeros may be off against each other; our choice
	outlier     = 2.5              // ratio: of its deviation, more opens what was believed; our choice
	restingV    = 13.2             // V: at 25 °C, above it something charges; published: AGM rests there after a charge
	deadV       = 8.0              // V: below it there is no battery to rest; our choice
	risesV      = 0.015            // V: in a window, with current into the bank: something charges; our choice
)

// What the fall of the rested voltage says of the drain.
const (
	fallAfter = 4 * time.Hour // of rest: it has recovered from a load; our choice
	fallTime  = 6 * time.Hour // over which the fall is read; our choice
	fallV     = 0.012         // V: of two readings hours apart, at another temperature; our choice
)

// When an error of a zero is said.
const (
	saidAfter = 6   // count: windows in a row: what flows between neighbors at first has mostly gone; our choice
	SaidA     = 0.5 // A: a zero that is off by more is told as a fault of the sensor; our choice
	saidNo    = 0.4 // A: below it it is over; our choice
)

// Params describes the sensors and the batteries behind them.
type Params struct {
	Class   [unit.MaxBatteries]unit.SensorClass // of the current sensors
	RatedAh []float64                           // of each battery
	OwnA    float64                             // that the board draws
}

// Scan is what is known of one instant of a bank at rest, or not.
type Scan struct {
	Now      time.Duration
	RestFor  time.Duration                   // without motor and feed asked for; 0: not at rest
	CurrentA [unit.MaxBatteries]unit.Reading // as read
	TempC    []unit.Reading                  // of each battery
	Joined   bool                            // every battery carried its part of the last run
	VoltageV unit.Reading                    // mean of the batteries' at 25 °C
	AhPerV   float64                         // that the bank gives for a volt of its rested voltage
}

// State is what has been learned. It is saved as it is.
type State struct {
	Begun bool
	X     [states]float64
	P     [states][states]float64
	Off   [unit.MaxBatteries]bool  // the zero is off by so much that it is said
	Far   [unit.MaxBatteries]uint8 // windows in a row in which it was
	// Of those that were measured at a calibration: what they were then, and whether they have moved since
	// by more than their class allows, and in how many windows in a row.
	Calibrated [unit.MaxBatteries]Calibrated
	Drifted    [unit.MaxBatteries]bool
	DriftFar   [unit.MaxBatteries]uint8
	At         time.Duration // when time was last let pass
	Window     Window
	Fall       Fall
}

// Window is what has been averaged so far.
type Window struct {
	Begun   bool
	From    time.Duration
	Last    time.Duration
	Second  float64
	AmpS    [unit.MaxBatteries]float64
	TempCS  [unit.MaxBatteries]float64
	VoltS   float64
	BeforeV float64 // mean voltage of the window before, if
	Before  bool    // there was one in the same rest
	Again   bool    // and something was learned in one
}

// Fall is where the reading of the fall of the voltage began.
type Fall struct {
	Begun bool
	At    time.Duration
	V     float64
	Read  bool // it was read in this rest: what is drawn is known
}

// Learner learns the zeros of one unit. It belongs to one goroutine.
type Learner struct {
	p     Params
	n     int
	share [unit.MaxBatteries]float64 // of the bank's capacity
	s     State
}

// New returns a learner that has seen no rest.
func New(p Params) *Learner {
	l := &Learner{p: p, n: len(p.RatedAh)}
	sum := 0.0
	for _, ah := range p.RatedAh {
		sum += ah
	}
	for i, ah := range p.RatedAh {
		l.share[i] = ah / sum
		l.s.P[iZero+i][iZero+i] = sq(zeroShare * p.Class[i].Zero)
		l.s.P[iSlope+i][iSlope+i] = sq(slopePerC * p.Class[i].Zero)
	}
	l.s.X[iDrain], l.s.P[iDrain][iDrain] = p.OwnA, sq(drainSigmaA)
	return l
}

// ZeroA returns what sensor i shows without current at a temperature; a temperature that is not
// known is 25 °C.
func (l *Learner) ZeroA(i int, temp unit.Reading) unit.Estimate {
	z, s, by := iZero+i, iSlope+i, above25(temp)
	v := l.s.P[z][z] + 2*by*l.s.P[z][s] + by*by*l.s.P[s][s]
	a := l.s.X[z] + by*l.s.X[s]
	return unit.Estimate{Value: min(max(a, -MaxA), MaxA), Sigma: math.Sqrt(max(v, 0)), Known: true}
}

// DrainA returns what is drawn from the bank at rest.
func (l *Learner) DrainA() unit.Estimate {
	return unit.Estimate{Value: l.s.X[iDrain], Sigma: math.Sqrt(l.s.P[iDrain][iDrain]), Known: true}
}

// Off reports whether the zero of sensor i is off by so much that it is said.
func (l *Learner) Off(i int) bool { return l.s.Off[i] }

// AnyOff reports whether any is.
func (l *Learner) AnyOff() bool { return l.s.Off != [unit.MaxBatteries]bool{} }

func above25(temp unit.Reading) float64 {
	if !temp.OK() || !(math.Abs(temp.Value) <= maxTempC) {
		return 0
	}
	return temp.Value - leadacid.ReferenceC
}

// Step applies one scan.
func (l *Learner) Step(in *Scan) {
	w := &l.s.Window
	if in.RestFor == 0 {
		l.s.Window, l.s.Fall = Window{}, Fall{}
		return
	}
	if in.RestFor < restAfter || !l.readable(in) {
		w.Begun = false
		return
	}
	if !w.Begun {
		*w = Window{Begun: true, From: in.Now, Last: in.Now, BeforeV: w.BeforeV, Before: w.Before, Again: w.Again}
		return
	}
	dt := (in.Now - w.Last).Seconds()
	w.Last, w.Second, w.VoltS = in.Now, w.Second+dt, w.VoltS+in.VoltageV.Value*dt
	for i := range l.n {
		w.AmpS[i] += in.CurrentA[i].Value * dt
		w.TempCS[i] += above25(in.TempC[i]) * dt
	}
	if in.Now-w.From >= window && w.Second > 0 {
		v := w.VoltS / w.Second
		l.watchFall(in, v)
		l.take(in, v)
		*w = Window{Begun: true, From: in.Now, Last: in.Now, BeforeV: v, Before: true, Again: w.Again}
	}
}

// readable reports whether all currents are read, and nothing charges.
func (l *Learner) readable(in *Scan) bool {
	for i := range l.n {
		if a := in.CurrentA[i]; !a.OK() || !(math.Abs(a.Value) < 2*MaxA) {
			return false
		}
	}
	return in.VoltageV.OK() && in.VoltageV.Value > deadV && in.VoltageV.Value < restingV && in.AhPerV > 0
}

// take uses the averages of a window, whose mean voltage is v.
func (l *Learner) take(in *Scan, v float64) {
	var e, by [unit.MaxBatteries]float64
	w, sum := &l.s.Window, 0.0
	l.pass(in.Now)
	for i := range l.n {
		by[i] = w.TempCS[i] / w.Second
		amps := w.AmpS[i] / w.Second
		e[i] = amps - l.s.X[iZero+i] - by[i]*l.s.X[iSlope+i] + l.share[i]*l.s.X[iDrain]
		sum += amps
	}
	if sum > 0 && (!w.Before || v-w.BeforeV > risesV) {
		return // something charges
	}
	flow, ok := l.open(&e, &by, in)
	if !ok {
		return
	}
	l.update(&e, &by, flow)
	w.Again = true
	for i := range l.n {
		z := l.ZeroA(i, unit.Reading{Value: by[i] + leadacid.ReferenceC, Quality: unit.Good})
		off := math.Abs(z.Value)
		if off-z.Sigma < SaidA {
			l.s.Far[i] = 0
		} else {
			l.s.Far[i] = min(l.s.Far[i]+1, saidAfter)
		}
		l.s.Off[i] = l.s.Far[i] == saidAfter || l.s.Off[i] && off > saidNo
	}
	l.watchMoved()
}

// pass lets what is believed wander since the last window.
func (l *Learner) pass(now time.Duration) {
	days := (now - l.s.At).Hours() / hoursPerDay
	if !l.s.Begun {
		days = 0
	}
	l.s.Begun, l.s.At = true, now
	for i := range l.n {
		p := &l.s.P[iZero+i][iZero+i]
		*p = min(*p+days*sq(wanderA), sq(MaxA))
	}
	p := &l.s.P[iDrain][iDrain]
	*p = min(*p+days*sq(drainWanderA), sq(MaxA))
}

// open makes room for what the errors e say against what was believed, and returns how much may
// flow between neighbors; ok is false where they say nothing. by is how far the sensors are above
// 25 °C.
func (l *Learner) open(e, by *[unit.MaxBatteries]float64, in *Scan) (flow float64, ok bool) {
	sum, most, least := 0.0, 0, 0
	for i := range l.n {
		sum += e[i]
		if math.Abs(e[i]) > math.Abs(e[most]) {
			most = i
		}
		if math.Abs(e[i]) < math.Abs(e[least]) {
			least = i
		}
	}
	hours := float64(in.RestFor) / float64(flowTime)
	flow = flowA * l.p.RatedAh[most] / flowShare / (1 + hours)
	large := math.Abs(e[most])
	if math.Abs(sum) < againstPart*large && l.exchanged(e, by) {
		return math.Inf(1), true // more than two zeros are off against each other: it flows
	}
	if large <= l.limit(most, by[most], flow) {
		return flow, true
	}
	switch alike := e[least]/e[most] > alonePart; {
	case l.n > 1 && math.Abs(sum) < againstPart*large:
		if large > largeA {
			flow = math.Inf(1) // the differences say nothing
		}
	case alike && l.s.Window.Again && !l.s.Fall.Read && sum < l.s.X[iDrain]:
		l.widen(iDrain, sq(sum)) // it came within a rest: something was switched on, or off
	case alike:
		l.widen(iDrain, sq(sum))
		for i := range l.n {
			l.widen(iZero+i, sq(e[i]))
		}
	case !in.Joined:
		return 0, false // a battery behind an open link gives the drain nothing
	default:
		for i := range l.n {
			if math.Abs(e[i]) > alonePart*large {
				l.widen(iZero+i, sq(e[i]))
			}
		}
	}
	return flow, true
}

// exchanged reports whether of currents against each other one sensor shows more out of its battery, and another more into its own, than
// zeros inside their class do: a battery that leaks has its neighbor give for as long as it lives, and
// no such current may pass for two zeros.
func (l *Learner) exchanged(e, by *[unit.MaxBatteries]float64) bool {
	out, in := 0.0, 0.0 // of what the class allows
	for i := range l.n {
		shown := e[i] + l.s.X[iZero+i] + by[i]*l.s.X[iSlope+i]
		part := shown / (l.p.Class[i].Zero * (1 + slopePerC*math.Abs(by[i])))
		out, in = min(out, part), max(in, part)
	}
	return min(-out, in) > classPart
}

// limit returns how far sensor i may be off before what was believed is opened.
func (l *Learner) limit(i int, by, flow float64) float64 {
	z, s := iZero+i, iSlope+i
	v := l.s.P[z][z] + 2*by*l.s.P[z][s] + by*by*l.s.P[s][s] + sq(l.share[i])*l.s.P[iDrain][iDrain]
	return outlier * math.Sqrt(v+sq(flow)+sq(sumA))
}

// Counted takes how far the zero of sensor i is above the one taken off, as the charge counted with it
// shows against the voltages of two rests. It is used where rests alone leave open whether a zero or a
// drain is seen.
func (l *Learner) Counted(i int, above, temp unit.Reading, sigmaA float64) {
	if z := l.ZeroA(i, temp); !above.OK() || z.Sigma < openA || !(math.Abs(above.Value) <= 2*MaxA) {
		return
	}
	var h [states]float64
	h[iZero+i], h[iSlope+i] = 1, above25(temp)
	l.apply(&h, above.Value, sq(max(sigmaA, sumA)))
	l.limitStates()
}

func (l *Learner) widen(i int, by float64) {
	l.s.P[i][i] = min(l.s.P[i][i]+by, sq(MaxA))
}

// update applies a window: first the sum, which is known well, then differences of each battery to
// the mean of those before it (Helmert's contrasts), between which flow amperes may flow.
func (l *Learner) update(e, by *[unit.MaxBatteries]float64, flow float64) {
	less := float64(sameShare) / float64(window)
	for k := range l.n {
		var weight [unit.MaxBatteries]float64
		r := sq(sumA)
		if k == 0 {
			for i := range l.n {
				weight[i] = 1
			}
		} else {
			norm := math.Sqrt(float64(k * (k + 1)))
			for i := range k {
				weight[i] = 1 / norm
			}
			weight[k] = -float64(k) / norm
			r = sq(flow) + sq(sumA)
		}
		var h [states]float64
		y := 0.0
		for i := range l.n {
			h[iZero+i], h[iSlope+i] = weight[i], weight[i]*by[i]
			h[iDrain] -= weight[i] * l.share[i]
			y += weight[i] * e[i]
		}
		moved := l.apply(&h, y, r*less)
		for i := range l.n {
			e[i] -= moved[iZero+i] + by[i]*moved[iSlope+i] - l.share[i]*moved[iDrain]
		}
	}
	l.limitStates()
}

// limitStates keeps what is believed inside what can be. Whatever a state may not take of a reading belongs to
// those that share in it: left to nobody, it would be read again with each window, and move them the wrong
// way each time.
func (l *Learner) limitStates() {
	for i := range l.n {
		l.limitState(iSlope+i, -maxSlopeA, maxSlopeA)
	}
	l.limitState(iDrain, 0, 2*MaxA)
	for i := range l.n {
		l.s.X[iZero+i] = min(max(l.s.X[iZero+i], -2*MaxA), 2*MaxA)
		l.s.X[iSlope+i] = min(max(l.s.X[iSlope+i], -maxSlopeA), maxSlopeA)
	}
	l.s.X[iDrain] = min(max(l.s.X[iDrain], 0), 2*MaxA)
}

// limitState brings state k back inside its limits, and with it the others as far as their errors go together.
func (l *Learner) limitState(k int, least, most float64) {
	back := min(max(l.s.X[k], least), most) - l.s.X[k]
	if back == 0 || l.s.P[k][k] <= 0 {
		return
	}
	for i := range states {
		l.s.X[i] += l.s.P[i][k] / l.s.P[k][k] * back
	}
}

// apply applies one reading that is y above what was expected, with variance r, and returns by how
// much each state moved.
func (l *Learner) apply(h *[states]float64, y, r float64) (moved [states]float64) {
	var ph [states]float64
	s := r
	for i := range states {
		for j := range states {
			ph[i] += l.s.P[i][j] * h[j]
		}
		s += h[i] * ph[i]
	}
	for i := range states {
		gain := ph[i] / s
		moved[i] = gain * y
		l.s.X[i] += moved[i]
		for j := range states {
			l.s.P[i][j] -= gain * ph[j]
		}
	}
	return moved
}

// watchFall bounds the drain by the fall of the rested voltage, of which v is the window's mean: a
// surface charge may take any part of it, for days in the cold. It is read where it says more than is
// known.
func (l *Learner) watchFall(in *Scan, v float64) {
	f := &l.s.Fall
	if in.RestFor < fallAfter {
		return
	}
	if !f.Begun {
		*f = Fall{Begun: true, At: in.Now, V: v, Read: f.Read}
		return
	}
	if in.Now-f.At < fallTime {
		return
	}
	ahPerVh := in.AhPerV / (in.Now - f.At).Hours()
	half := max((f.V-v)*ahPerVh, 0) / 2
	r := sq(half) + sq(fallV*ahPerVh)
	*f = Fall{Begun: true, At: in.Now, V: v, Read: f.Read}
	p := &l.s.P[iDrain][iDrain]
	y := half - l.s.X[iDrain]
	if sq(y/outlier) > *p+r { // sure of a wrong drain: what it took belongs to the zeros
		l.widen(iDrain, sq(y))
		for i := range l.n {
			l.widen(iZero+i, sq(y*l.share[i]))
		}
	}
	if r >= *p {
		return
	}
	f.Read = true
	l.apply(&[states]float64{iDrain: 1}, y, r)
	l.s.X[iDrain] = max(l.s.X[iDrain], 0)
}

// State returns what has been learned.
func (l *Learner) State() State { return l.s }

// Restore takes over what had been learned. One that can't be is refused and changes nothing.
func (l *Learner) Restore(s State) error {
	if !s.Begun && s.P[iDrain][iDrain] == 0 {
		return nil // saved by a version that learned none
	}
	for i := range states {
		if !(math.Abs(s.X[i]) <= 2*MaxA) {
			return fmt.Errorf("zeros: state %d: %g: want %g at most", i, s.X[i], 2*MaxA)
		}
		for j := range states {
			if !(math.Abs(s.P[i][j]) <= 2*sq(MaxA)) || s.P[i][i] < 0 {
				return fmt.Errorf("zeros: variance %d, %d: %g: want %g at most", i, j, s.P[i][j], 2*sq(MaxA))
			}
		}
	}
	for i, c := range s.Calibrated {
		if !(math.Abs(c.A) <= 2*MaxA && c.Sigma >= 0 && c.Sigma <= 2*MaxA && math.Abs(c.TempC) <= 2*maxTempC) {
			return fmt.Errorf("zeros: %d measured as %g ± %g A at %g °C: want %g at most", i, c.A, c.Sigma, c.TempC, 2*MaxA)
		}
	}
	w := &s.Window
	if !(w.Second >= 0 && w.Second < 1e6) || w.Last < w.From {
		return fmt.Errorf("zeros: averaged for %g s, from %v to %v", w.Second, w.From, w.Last)
	}
	l.s = s
	return nil
}

func sq(x float64) float64 { return x * x }
