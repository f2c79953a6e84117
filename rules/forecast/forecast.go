// Package forecast says what the bank can still do and when it is full.
//
// A lift is a lift cycle: the configured number of motor runs. What a lift of this unit takes is learnt from its runs, short corrections
// included, as they come. Lifts left is the number of such lifts that can follow, one after another with the rests this unit makes
// between the runs of a stop and with the feed off, until the first of two: the voltage at the motor's terminal in a run, the inrush
// of its first second left out, falls under the least at which the lift still works, or the bank's charge falls under a
// configured floor. Time to full is how long the present feed takes until 2 % of the bank's capacity are missing: that is what the
// charge estimator calls full, 3 % missing by the taper and half an hour more of it.
//
// Lifts left is found by letting the bank work on paper. Each battery has a rested voltage by the published table, a resistance
// (measured by the runs, brought to temperature and charge), what its voltage under load differed by from these in the last runs, and
// an end:
//
//   - Charge that is gone: what is missing, and what is held back by the rate. Capacity at the mean current over runs and rests follows
//     Peukert's relation (leadacid.HeldBackAh); what is held back builds up with a time constant of about an hour and
//     goes again at rest (published: about 1 h to settle after a load).
//   - Charge there is: the present full capacity, times the capacity by temperature of IEEE Std 485 (leadacid.CapacityShare), and what
//     lies beyond the 20 h rate (leadacid.SlowShare).
//   - Near the end the voltage falls by Shepherd's term K I Q/(Q-q) (J. Electrochem. Soc. 112 (1965) 657), with K from the definition of
//     capacity: at the 20 h rate the block stands at 10.5 V when it is all drawn.
//
// The batteries share the motor's current by Kirchhoff's laws, and even out between the runs. That a lift takes longer as the voltage
// falls, where its operator waits for the end of travel, is in the uncertainty; what is learnt follows it as it comes.
//
// Time to full is a bulk part, what is missing over the present current, and a taper. In the taper current is proportional to what is
// missing, with a time constant of 0.65 to 2 h (published and measured); it is learnt from the bank's own tapers, for several
// levels of current, and brought to temperature and voltage.
//
// Every figure has an uncertainty; where something is missing it is not given, and the answer says what is missing. The package is pure;
// a Meter belongs to one goroutine.
package forecast

import (
	"time"

	"liftbank/rules/leadacid"
)

// MaxBatteries is the largest bank.
const MaxBatteries = 4

// Battery describes one battery as bought.
type Battery struct {
	Chemistry leadacid.Chemistry
	RatedAh   float64 // 20 h capacity; > 0
	RatedCCA  float64 // A, SAE J537; > 0
}

// Params describes the unit.
type Params struct {
	Batteries   []Battery // 1 to MaxBatteries
	CycleRuns   int       // motor runs that make a lift; 1 or more
	LeastMotorV float64   // at the motor's terminal, in a run: below it the lift does not work
	FloorPct    float64   // bank's charge below which no lift is counted; 0: the voltage alone decides
}

// Reading is one scan. A value whose OK is false is not looked at.
type Reading struct {
	At      time.Duration // monotonic; never goes back
	Running bool          // the pump motor runs
	RunFor  time.Duration // since when, while it runs
	Feeding bool          // a feed is present

	VoltageV, CurrentA, TempC    [MaxBatteries]float64 // between own posts; into the battery; at the case
	VoltageOK, CurrentOK, TempOK [MaxBatteries]bool
	MotorV                       float64 // at the motor's terminal
	MotorOK                      bool
}

// Known is what else is known of the batteries now.
type Known struct {
	SoCPct, SoCSigma          [MaxBatteries]float64 // of the present full capacity, 0 to 100
	SoCOK                     [MaxBatteries]bool
	CapacityAh, CapacitySigma [MaxBatteries]float64 // learnt
	CapacityOK                [MaxBatteries]bool    // else the rated one is taken, with what that leaves open
	Mohm                      [MaxBatteries]float64 // resistance at 25 °C and full charge
	MohmOK                    [MaxBatteries]bool    // else that of a new battery of this rating is taken
	TempC                     [MaxBatteries]float64
	TempOK                    [MaxBatteries]bool
}

// Answer is a figure with its standard uncertainty, or what is missing for it.
type Answer struct {
	Value, Sigma float64
	Known        bool
	WaitsFor     string // in words, while not known
}

// Meter follows one bank.
type Meter struct {
	p     Params
	n     int
	now   time.Duration
	begun bool
	state State
	run   runSums
	knee  [MaxBatteries]float64 // Ω, Shepherd's K
}

// New gives a meter that knows nothing yet. It panics on a number of batteries outside 1 to MaxBatteries.
func New(p Params) *Meter {
	if len(p.Batteries) < 1 || len(p.Batteries) > MaxBatteries {
		panic("bug: forecast: batteries out of range")
	}
	m := &Meter{p: p, n: len(p.Batteries)}
	for k := range m.n {
		m.knee[k] = kneeOhm(&p.Batteries[k])
	}
	return m
}

// ratedSigma is how far a battery of unknown history may stand from its rated capacity, as a share; in use most stand below.
const ratedSigma = 0.12

// capacity gives the capacity of battery k in Ah and its standard uncertainty as a share.
func (m *Meter) capacity(k int, known *Known) (ah, sigma float64) {
	if known.CapacityOK[k] && known.CapacityAh[k] > 0 {
		return known.CapacityAh[k], known.CapacitySigma[k] / known.CapacityAh[k]
	}
	return m.p.Batteries[k].RatedAh, ratedSigma
}

// What a figure may wait for.
const (
	waitsForCharge  = "the charge of every battery"
	waitsForTemp    = "a temperature that can be believed"
	waitsForLifts   = "more lifts, with all currents read"
	waitsForMotorV  = "a voltage at the motor terminal in motor runs"
	waitsForFeed    = "a feed: none is present"
	waitsForMinutes = "some minutes of feed without a motor run, all voltages and currents read"
	notAtThisFeed   = "not at this feed: its voltage is too low to fill the bank"
	notWithThisA    = "not at this feed: it gives next to no current"
)

// missing tells what every figure needs, empty where all is there.
func (m *Meter) missing(known *Known) string {
	for k := range m.n {
		switch {
		case !known.SoCOK[k]:
			return waitsForCharge
		case !known.TempOK[k]:
			return waitsForTemp
		}
	}
	return ""
}

// Step takes one scan in. Scans come in order of time; one that goes back is left out.
func (m *Meter) Step(r *Reading) {
	if m.begun && r.At < m.now {
		return
	}
	dt := r.At - m.now
	if !m.begun {
		dt = 0
	}
	m.now, m.begun = r.At, true
	m.holdBack(r, dt)
	if r.Running {
		m.run.add(r, m.n)
		m.state.Feed = Window{}
		return
	}
	m.stepFeed(r)
}

func sq(x float64) float64 { return x * x }
