// Package loadtest takes every run of the pump motor as a load test of one battery: its resistance from what voltage and current did at
// the run's two edges, brought to 25 °C and full charge, and from that the cold cranking capability under SAE J537 conditions.
//
// Voltage is the battery's own, between its posts, so that links and leads stay out of it. Everything is taken as differences
// from the readings beside the edge: the offsets of both sensors cancel. Their gains do not, nor do many runs make them better: they
// stay in the uncertainty.
//
// A battery's resistance is followed as two parts, metal and acid (see leadacid.MetalShare), by a Kalman filter of two states. A run in the
// cold weighs the acid's part more than a warm one, so that runs over the seasons tell the two apart. Until they have, the
// prior share stands, and what that leaves open is in the uncertainty of the capability.
//
// It does not measure below 100 ms (the boards take some 25 readings in that time), needs no disconnecting and asks for no current of its
// own. Its relations have been held against published figures and a simulator; on real batteries the fitted constants
// of leadacid.CrankingCurrentA are yet to be confirmed.
package loadtest

import (
	"time"

	"liftbank/rules/leadacid"
)

// Params describes the battery as bought.
type Params struct {
	Chemistry leadacid.Chemistry
	RatedCCA  float64 // A, SAE J537; > 0
}

// Reading is one scan of the battery. The caller leaves out readings without a usable voltage and current: see Meter.Forget.
type Reading struct {
	At       time.Duration // monotonic, the end of the scan
	VoltageV float64       // between the battery's own posts
	CurrentA float64       // positive into the battery
	TempC    float64
	TempOK   bool // else 25 °C is taken, with what that leaves open
	SoCPct   float64
	SoCSigma float64 // %
	SoCOK    bool    // else 80 % is taken, with what that leaves open
}

// Meter follows one battery through its runs. It is not safe for concurrent use.
type Meter struct {
	p    Params
	run  runState
	rest restPoint
	lag  lag
	est  estimate
}

// New gives a meter that knows nothing yet.
func New(p Params) *Meter { return &Meter{p: p} }

// Begin marks the start of a motor run at an instant. With exact false the run was seen by its current only, so that it may have begun
// a scan earlier; its first edge then counts less. The last Idle reading is what the run is held against.
func (m *Meter) Begin(at time.Duration, exact bool) {
	m.finishRun()
	m.run.begin(at, exact, m.bendA(), &m.rest)
}

// Idle takes a reading with the motor off.
func (m *Meter) Idle(r *Reading) {
	if m.run.phase == tail {
		m.run.after(r)
		if r.At >= m.run.stop+edgeSpan {
			m.finishRun()
		}
	}
	m.rest = restPoint{point{r.At, r.VoltageV, r.CurrentA}, true}
}

// Run takes a reading within the run.
func (m *Meter) Run(r *Reading) { m.run.within(r) }

// End marks the end of the run; what the readings just after show still belongs to it. It is given the instant the motor stopped,
// which may lie before the last readings that Run was given.
func (m *Meter) End(at time.Duration) { m.run.end(at) }

// Forget tells that a reading is missing: at rest, nothing before it is held against what comes after. What was learnt stays.
func (m *Meter) Forget() {
	switch m.run.phase {
	case running:
		return // a scan without a pair: the inrush may go beyond a sensor's range. The gap shows in the readings' times
	case tail:
		m.finishRun()
	}
	m.rest.have = false
}

// LastStep gives by how much voltage and current moved at the start of the last run, against before it; ok is false when that
// was not read. It is known from End on, until the next Begin.
func (m *Meter) LastStep() (dv, da float64, ok bool) { return m.run.stepV, m.run.stepA, m.run.haveStep }

// ResistanceMohm gives the first 100 ms' resistance at 25 °C and full charge in mΩ, its standard uncertainty (class of the sensors' gains
// included) and the number of runs behind it; ok is false before three.
func (m *Meter) ResistanceMohm() (mohm, sigma float64, runs uint32, ok bool) {
	return m.est.resistance()
}

// CrankingA gives the cold cranking capability in A (SAE J537: full, -18 °C, 30 s to 7.2 V) and its standard uncertainty; ok is false
// before three runs, and as long as a charge or temperature not known leaves it less sure than 15 %.
func (m *Meter) CrankingA() (amps, sigma float64, ok bool) { return m.est.cranking(m.p.Chemistry) }

// Trend gives by how many mΩ the resistance rises in 100 runs, over the last few hundred, and the standard uncertainty of that; ok is
// false before fifty.
func (m *Meter) Trend() (mohmPer100, sigma float64, ok bool) { return m.est.trend.slope() }

// EMFV gives the voltage that the last runs point to at no current, in V, a slow mean; ok is false before three runs. A dead
// cell leaves it about 2 V low, even where a sound neighbour holds the terminals up at rest.
func (m *Meter) EMFV() (v float64, ok bool) { return m.est.emfV, m.est.emfRuns >= leastRuns }

// TakingRuns gives in how many runs up to now, without a break, the battery took current while the motor pulled its posts down, 100
// at the most. A battery with a dead cell does: beside sound ones it gives nothing and is charged for ever.
func (m *Meter) TakingRuns() uint8 { return m.est.taking }

// leastRuns is how many runs are wanted before a figure is said.
const leastRuns = 3
