// Package bank is the electrical side of a unit: one to four batteries with every link, lead and
// post between them, the charger that feeds them, and the pump motor with its breaker.
//
// The network is solved exactly each step: the batteries' terminal voltages are non-linear in
// current and everything else is a ladder of resistances, so the solver is Newton's method over
// cell.Battery.Terminal, started from the last solution, with a tridiagonal system inside.
// Kirchhoff's current law holds to rounding in every iteration; the voltage law to microvolts when
// it ends.
//
// Current into a battery is positive. Resistances inside the package are in ohms. Nothing here
// reads a clock or a random number. Products are rounded before they are added (float64(x*y) + z)
// so that a fused multiply-add can't make one architecture's year differ from another's.
package bank

import (
	"math"

	"liftbank/sim/cell"
)

// Source is the charger as the bank sees it at one instant: the weakest of a voltage, a current and
// a power limit.
type Source struct {
	Joined bool    // its output is joined to the bank: charge breaker closed
	On     bool    // it is converting
	SetV   float64 // voltage it holds at its own output
	LimitA float64 // most current it gives
	LimitW float64 // most power it gives, at its own output; more than 0 while it is on
}

// Load is what draws from the bank at one instant: the motor through its leads, and what is on all
// the time.
type Load struct {
	Joined   bool    // motor contactor, breaker and disconnect all closed
	BackEMFV float64 // of the motor
	Ohm      float64 // of the motor; contactor, breaker and disconnect count with the positive load lead
	DrainA   float64 // constant current at the load's posts: the board, and whatever else is left on
}

// Flow is a solution of the network. Voltages are over the negative post of battery 0, which is the
// board's ground.
type Flow struct {
	// into each place of the bank; into the battery unless it is clamped the wrong way round
	CurrentA  [MaxBatteries]float64
	PositiveV [MaxBatteries]float64 // at the post in the positive place
	NegativeV [MaxBatteries]float64 // at the post in the negative place
	FeedA     float64               // out of the charger, 0 or more
	LoadA     float64               // into the motor, 0 or more
	FeedV     float64               // at the charger's positive output, ahead of the charge breaker
	LoadV     float64               // at the motor's positive terminal
}

// Bank is the batteries and their wiring. A value owned by one goroutine.
type Bank struct {
	Flow Flow // of the last Solve

	n      int // batteries
	past   Past
	pastA  float64 // that the charger of past gives; negative: its tester draws
	wiring Wiring
	cells  [MaxBatteries]cell.Battery
	// what stands in for the batteries in tests of the network alone
	curve func(k int, currentA float64) (v, slope float64)

	// What is joined to single batteries.
	beside    Beside
	anyBeside bool
	source    Source                // of the last Solve
	unseenA   [MaxBatteries]float64 // into a battery, past its sensor
	seenA     [MaxBatteries]float64 // into a battery beside the string's current, through its sensor

	// The ladder: m rungs, each a battery with its posts, or a series pair.
	m          int
	rungOhm    [MaxBatteries]float64 // posts, and the link inside a pair
	railPos    [MaxBatteries - 1]float64
	railNeg    [MaxBatteries - 1]float64
	fp, fn     int // rungs of the feed leads
	lp, ln     int // rungs of the load leads
	current    [MaxBatteries]float64
	iterations int // of the last Solve, for tests
}

// Past is a charger or a tester clamped on the posts of one battery, past its current sensor: that
// current shows in no Flow. The zero value is none.
type Past struct {
	At     int     // battery
	SetV   float64 // it holds
	LimitA float64 // most that it gives
	LoadA  float64 // that a tester draws
}

// SetPast clamps such a charger or tester on, or takes it off.
func (b *Bank) SetPast(p Past) {
	if p != b.past {
		b.past, b.pastA = p, -p.LoadA
	}
}

// charge moves the output of a charger on the posts by one step: half of the way to what holds its
// voltage while the bank takes or gives what it did in the last one.
func (b *Bank) charge() {
	p := &b.past
	if p.LimitA == 0 {
		return
	}
	was, low, high := b.pastA, 0.0, p.LimitA
	for range 40 { // to a billionth of the limit
		b.pastA = (low + high) / 2
		if v, _ := b.ownV(p.At); v < p.SetV {
			low = b.pastA
		} else {
			high = b.pastA
		}
	}
	b.pastA = (b.pastA + was) / 2
}

// New joins batteries with a wiring.
func New(w Wiring, batteries []cell.Battery) (*Bank, error) {
	b := &Bank{n: len(batteries)}
	if err := b.SetWiring(w); err != nil {
		return nil, err
	}
	copy(b.cells[:], batteries)
	return b, nil
}

// SetWiring changes the wiring; batteries keep their state.
func (b *Bank) SetWiring(w Wiring) error {
	if err := w.check(b.n); err != nil {
		return err
	}
	b.wiring = w
	if w.Layout == SeriesPairs {
		b.buildPairs()
		return nil
	}
	b.m = b.n
	b.railPos, b.railNeg = w.PositiveLink, w.NegativeLink
	for k := range b.n {
		b.rungOhm[k] = w.PositivePost[k] + w.NegativePost[k]
	}
	b.fp, b.fn, b.lp, b.ln = w.FeedPositive.At, w.FeedNegative.At, w.LoadPositive.At, w.LoadNegative.At
	return nil
}

func (b *Bank) buildPairs() {
	w := &b.wiring
	b.m = b.n / 2
	for k := range b.m {
		lower, upper := 2*k, 2*k+1
		b.rungOhm[k] = w.NegativePost[lower] + w.PositivePost[lower] + w.PositiveLink[lower] +
			w.NegativePost[upper] + w.PositivePost[upper]
	}
	b.railPos[0], b.railNeg[0] = w.PositiveLink[1], w.NegativeLink[1]
	b.fp, b.fn = w.FeedPositive.At/2, w.FeedNegative.At/2
	b.lp, b.ln = w.LoadPositive.At/2, w.LoadNegative.At/2
}

// Wiring returns the wiring in use.
func (b *Bank) Wiring() Wiring { return b.wiring }

// Batteries returns the number of batteries.
func (b *Bank) Batteries() int { return b.n }

// Highest returns the battery whose positive post is that of the string of battery k.
func (b *Bank) Highest(k int) int {
	if b.wiring.Layout == SeriesPairs {
		return k | 1
	}
	return k
}

// Battery returns battery k for reading, or for a change of its aging.
func (b *Bank) Battery(k int) *cell.Battery { return &b.cells[k] }

// BatteryA returns the current into battery k itself, charge positive, however it is clamped and
// whatever charges it past its sensor.
func (b *Bank) BatteryA(k int) float64 {
	i := b.Flow.CurrentA[k]
	if k == b.past.At {
		i += b.pastA
	}
	i += b.unseenA[k]
	if b.wiring.Reversed[k] {
		return -i
	}
	return i
}

// Prepare says how long the step will be that Solve finds the currents of: the batteries' double
// layers move within it.
func (b *Bank) Prepare(dtS float64) {
	for k := range b.n {
		b.cells[k].Prepare(dtS)
	}
}

// Step lets dtS seconds pass with the currents of the last Solve, in air of ambientC.
func (b *Bank) Step(dtS, ambientC float64) {
	b.charge()
	b.settleBeside()
	for k := range b.n {
		b.cells[k].Step(dtS, b.BatteryA(k), ambientC)
	}
}

// terminal returns the voltage of battery k as clamped, without its posts, at current i into its
// place, and its slope.
func (b *Bank) terminal(k int, i float64) (v, slope float64) {
	if k == b.past.At {
		i += b.pastA
	}
	i += b.unseenA[k] + b.seenA[k]
	if b.curve != nil {
		return b.curve(k, i)
	}
	if b.wiring.Reversed[k] {
		v, slope = b.cells[k].Terminal(-i)
		return -v, slope
	}
	return b.cells[k].Terminal(i)
}

// rung returns the voltage of rung k without its posts and links at current i, and its slope.
func (b *Bank) rung(k int, i float64) (v, slope float64) {
	if b.wiring.Layout == Parallel {
		return b.terminal(k, i)
	}
	v0, s0 := b.terminal(2*k, i)
	v1, s1 := b.terminal(2*k+1, i)
	return v0 + v1, s0 + s1
}

// Newton's limits. The solution is taken when the last step is under both settledA and, by the
// slope, settledV: what the linearisation leaves is half the step's square times the curvature,
// some ten microvolts. Where a current changes its sign the slope has a kink (of an exhausted
// battery one of volts within a milliampere), so that the step must be crossed times smaller.
const (
	settledA      = 1e-2
	settledV      = 5e-4
	crossed       = 20
	maxIterations = 60
	maxHalvings   = 12
)

// Solve finds the currents for this instant and stores them in Flow. The number of iterations
// depends only on the state and the arguments.
func (b *Bank) Solve(src Source, load Load) {
	if b.anyBeside {
		b.solveBeside(src, load)
		return
	}
	b.solve(src, load)
}

func (b *Bank) solve(src Source, load Load) {
	if b.wiring.Layout == SeriesPairs && b.m == 1 && b.rungOhm[0] >= OpenOhm {
		load.DrainA = 0 // the only string is open: nothing is left to draw from
	}
	var t rungs
	for k := range b.m {
		v, s := b.rung(k, b.current[k])
		t.linear(k, v, s, b.current[k], b.rungOhm[k])
	}
	x := b.solveLinear(&t, src, load)
	b.iterations = 1
	for ; b.iterations < maxIterations; b.iterations++ {
		if b.distance(&x, &t.slope) <= 1 {
			break
		}
		x = b.descend(&t, x, src, load)
	}
	copy(b.current[:b.m], x.current[:b.m])
	b.settle(&t, &x, src, load)
}

// descend moves the currents towards x, linearises there and returns the next target.
//
// The network is the gradient of a convex energy, and x-current leads downhill. Its slope along
// that way, at a share `way` of it, is what the linear network still has, -(1-way)*steep or less,
// plus what the batteries' true voltages miss. Newton's full step is taken if it ends no more than
// half as steep uphill as it began downhill; else half of it is tried. That is needed when a large
// current is switched off, and at the kink of an exhausted battery's voltage at no current, about
// which full steps would go to and fro for ever.
func (b *Bank) descend(t *rungs, x solution, src Source, load Load) solution {
	const uphill = 0.5 // of the downhill slope at the start
	from := b.current
	var next rungs
	for way, tries := 1.0, 0; tries < maxHalvings; way, tries = way/2, tries+1 {
		steep, miss := 0.0, 0.0
		for k := range b.m {
			d := x.current[k] - from[k]
			b.current[k] = from[k] + float64(way*d)
			v, s := b.rung(k, b.current[k])
			next.linear(k, v, s, b.current[k], b.rungOhm[k])
			steep += float64(t.ohm[k] * float64(d*d))
			miss += float64((v - t.emf[k] - float64(t.slope[k]*b.current[k])) * d)
		}
		if miss <= float64((uphill+1-way)*steep) {
			break
		}
	}
	*t = next
	return b.solveLinear(t, src, load)
}

// distance returns the largest difference between a solution's rung currents and the present ones,
// 1 being what is small enough.
func (b *Bank) distance(x *solution, slope *[MaxBatteries]float64) float64 {
	far := 0.0
	for k := range b.m {
		d := math.Abs(x.current[k] - b.current[k])
		if (x.current[k] < 0) != (b.current[k] < 0) {
			d *= crossed
		}
		far = max(far, d*(1/settledA), d*slope[k]*(1/settledV))
	}
	return far
}
