// Package forecast says what the bank can still do and when it is full.
//
// A lift is a lift cycle: the configured number of motor runs. What a lift of this unit takes is
// learned from its runs, short corrections included, as they come. Lifts left is the number of such
// lifts that can follow, one after another with the rests this unit makes between the runs of a
// stop and with the feed off, until the first of two: the voltage at the motor's terminal in a run,
// the inrush of its first second left out, falls under the least at which the lift still works, or
// the bank's charge falls under a configured floor. Time to full is how long the present feed takes
// until 2 % of the bank's capacity are missing: that is what the charge estimator calls full, 3 %
// missing by the taper and half an hour more of it.
//
// Lifts left is found by letting the bank work on paper. Each battery has a rested voltage by the
// published table, a resistance (measured by the runs, brought to temperature and charge), what its
// voltage under load differed by from these in the last runs, and an end:
//
//   - Charge that is gone: what is missing, and what is held back by the rate. Capacity at the mean
//     current over runs and rests follows Peukert's relation (leadacid.HeldBackAh); what is held
//     back builds up with a time constant of about an hour and goes again at rest (published: about
//     1 h to settle after a load).
//   - Charge there is: the present full capacity, times the capacity by temperature of IEEE Std 485
//     (leadacid.CapacityShare), and what lies beyond the 20 h rate (leadacid.SlowShare).
//   - Near the end the voltage falls by Shepherd's term K I Q/(Q-q) (J. Electrochem. Soc. 112
//     (1965) 657), with K from the definition of capacity: at the 20 h rate the block stands at
//     10.5 V when it is all drawn.
//
// The batteries share the motor's current by Kirchhoff's laws, and even out between the runs. That
// a lift takes longer as the voltage falls, where its operator waits for the end of travel, is in
// the uncertainty; what is learned follows it as it comes.
//
// Time to full is a bulk part, what is missing over the present current, and a taper. In the taper
// current is proportional to what is missing, with a time constant of 0.65 to 2 h (published and
// measured); it is learned from the bank's own tapers, for several levels of current, and brought
// to temperature and voltage.
//
// Every figure has an uncertainty; where something is missing it is not given, and the answer says
// what is missing. The package is pure; a Meter belongs to one goroutine.
package forecast

import (
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Battery describes one battery as bought.
type Battery struct {
	Chemistry *leadacid.Chemistry
	RatedAh   float64 // 20 h capacity; > 0
	RatedCCA  float64 // A, SAE J537; > 0
}

// Params describes the unit.
type Params struct {
	Batteries   []Battery        // 1 to unit.MaxBatteries
	Layout      unit.Layout      // how they are joined
	CycleRuns   int              // motor runs that make a lift cycle; 1 or more
	LeastMotorV float64          // at a 12 V motor's terminal, in a run: below it the lift does not work
	Voltage     unit.SensorClass // of the batteries; zero: unit.DefaultClass
	Current     unit.SensorClass
	FloorPct    float64 // bank's charge below which no lift cycle is counted; 0: the voltage alone decides
}

// Facts are what the readings of a scan do not say.
type Facts struct {
	Running bool                       // the pump motor runs
	RunFor  time.Duration              // since when, while it runs
	Feeding bool                       // a feed is present
	ZeroA   [unit.MaxBatteries]float64 // what the current sensors show without current
}

// Inputs is what else is known of the batteries now.
type Inputs struct {
	SoC        [unit.MaxBatteries]unit.Estimate // %, of the present full capacity
	CapacityAh [unit.MaxBatteries]unit.Estimate // learned; else the rated one is taken, with what that leaves open
	Mohm       [unit.MaxBatteries]unit.Estimate // at 25 °C and full charge; else that of a new battery is taken
	TempC      [unit.MaxBatteries]unit.Reading  // at the case, or of a neighbor
}

// Answer is a figure, or what it waits for.
type Answer struct {
	unit.Estimate
	WaitsFor *unit.Text // nil while the figure is known
}

func waits(t *unit.Text) Answer { return Answer{WaitsFor: t} }

func says(value, sigma float64) Answer {
	return Answer{Estimate: unit.Estimate{Value: value, Sigma: sigma, Known: true}}
}

// Meter follows one bank.
type Meter struct {
	p     Params
	n     int
	state State
	run   runSums
	knee  [unit.MaxBatteries]float64 // Ω, Shepherd's K
}

// New returns a meter that knows nothing yet. It panics on a number of batteries outside 1 to
// unit.MaxBatteries.
func New(p Params) *Meter {
	if len(p.Batteries) < 1 || len(p.Batteries) > unit.MaxBatteries {
		panic("bug: forecast: batteries out of range")
	}
	p.Voltage = p.Voltage.Or(unit.DefaultClass(unit.BatteryVoltage))
	p.Current = p.Current.Or(unit.DefaultClass(unit.BatteryCurrent))
	m := &Meter{p: p, n: len(p.Batteries)}
	for k := range m.n {
		m.knee[k] = kneeOhm(&p.Batteries[k])
	}
	return m
}

// capacity returns the capacity of battery k in Ah and its standard uncertainty as a share.
func (p *Params) capacity(k int, in *Inputs) (ah, sigma float64) {
	if c := &in.CapacityAh[k]; c.Known && c.Value > 0 {
		return c.Value, c.Sigma / c.Value
	}
	return p.Batteries[k].RatedAh, leadacid.RatedSigma
}

// ratedAh returns the rated capacity of the bank.
func (p *Params) ratedAh() float64 {
	return p.Layout.SumOfStrings(len(p.Batteries), func(k int) float64 { return p.Batteries[k].RatedAh })
}

// strings returns how many strings the bank has; in parallel each battery is one.
func (p *Params) strings() int { return p.Layout.Strings(len(p.Batteries)) }

// What a figure waits for.
var (
	waitsForCharge  = unit.Says("waits.every-charge", "the charge of every battery")
	waitsForTemp    = unit.Says("waits.temperature", "a believable temperature")
	waitsForLifts   = unit.Says("waits.lifts", "more lifts with all currents read")
	waitsForMotorV  = unit.Says("waits.motor-voltage", "a voltage at the motor terminal in motor runs")
	waitsForFeed    = unit.Says("waits.feed", "a feed: none is present")
	waitsForMinutes = unit.Says("waits.feed-minutes",
		"a few minutes of feed without a motor run, with all voltages and currents read")
	notAtThisFeed = unit.Says("never.feed-voltage", "never at this feed: its voltage is too low to fill the bank")
	notWithThisA  = unit.Says("never.feed-current", "never at this feed: it gives almost no current")
)

// missing returns what every figure needs, nil where all is there.
func (p *Params) missing(in *Inputs) *unit.Text {
	for k := range p.Batteries {
		switch {
		case !in.SoC[k].Known:
			return waitsForCharge
		case !in.TempC[k].OK():
			return waitsForTemp
		}
	}
	return nil
}

// Step applies one scan: the voltages between the batteries' own posts, their currents and the
// voltage at the motor's terminal; of in, the temperatures. Scans come in order of time; one that
// goes back is left out.
func (m *Meter) Step(s *unit.Scan, f *Facts, in *Inputs) {
	st, at := &m.state, s.At.Mono
	if st.Begun && at < st.Now {
		return
	}
	dt := at - st.Now
	if !st.Begun {
		dt = 0
	}
	st.Now, st.Begun = at, true
	m.holdBack(s, f, dt)
	if f.Running {
		m.run.add(s, f, m.n)
		st.Feed = Window{}
		return
	}
	st.stepFeed(s, f, &m.p, in)
}

// Interrupt drops the run and the charge under way, of which nothing is learned: somebody works on
// the unit.
func (m *Meter) Interrupt() {
	m.run, m.state.Feed, m.state.HaveEnd = runSums{}, Window{}, false
}

func sq(x float64) float64 { return x * x }
