// Package loadtest uses every run of the pump motor as a load test of one battery: its resistance
// from what voltage and current did at the run's two edges, at 25 °C and full charge, and from that
// the cold cranking capability under SAE J537 conditions. The resistance is stated for two seconds
// after a step of current: see fit.go.
//
// Voltage is the battery's own, between its posts, so that links and leads stay out of it.
// Everything is taken as differences from the readings beside the edge: the offsets of both sensors
// cancel. Their gains do not, nor do many runs make them better: they stay in the uncertainty.
//
// A battery's resistance is followed as three parts: metal and acid (see leadacid.MetalShare) by a
// Kalman filter of two states, and beside it the reaction at the plates, which shows by itself as
// the double layer across it relaxes. A run in the cold weighs the acid's part more than a warm one,
// so that runs over the seasons tell the two apart. Until they have, the prior share stands, and what
// that leaves open is in the uncertainty of the capability.
//
// It needs no disconnecting and asks for no current of its own. Its relations have been compared
// with published figures, a porous-electrode model and a simulator. On real batteries the fitted
// constants of leadacid are yet to be confirmed.
package loadtest

import (
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Params describes the battery as bought, and its sensors. A class that is zero is that of
// unit.DefaultClass.
type Params struct {
	Chemistry *leadacid.Chemistry
	RatedCCA  float64 // A, SAE J537; > 0
	Voltage   unit.SensorClass
	Current   unit.SensorClass
	Parallel  bool // with others beside it, that may hold it up at rest
}

// Meter follows one battery through its runs. It is not safe for concurrent use.
type Meter struct {
	p       Params
	state   State
	run     runState
	figures figures
	earlier [earlierRests]Rest // before the last one
	rests   int                // ever read
	held    bool               // by a charger, as the string or the feed shows

	apart     bool          // strings beside each other stand apart since a charge
	apartTill time.Duration // 0: no string was heard of since the start
}

// New returns a meter that knows nothing yet.
func New(p Params) *Meter {
	p.Voltage = p.Voltage.Or(unit.DefaultClass(unit.BatteryVoltage))
	p.Current = p.Current.Or(unit.DefaultClass(unit.BatteryCurrent))
	return &Meter{p: p, run: runState{class: classOf(&p), parallel: p.Parallel}}
}

// class is what follows from the class of the sensors.
type class struct {
	readV   float64 // deviation of one reading of the voltage
	givingA float64 // a battery with less gives current, whatever its sensor's zero
	takingA float64 // and one with more takes it
}

const (
	readNoise = 1.5 // ratio: deviation of a reading over its noise; our choice
	giving    = 2.0 // ratio: current given over the zero's class; our choice
	taking    = 2.5 // ratio: current taken over the zero's class; our choice
)

func classOf(p *Params) class {
	return class{readV: readNoise * p.Voltage.Noise, givingA: -giving * p.Current.Zero, takingA: taking * p.Current.Zero}
}

// Begin marks the start of a motor run. With exact false the run was seen by its current only, so
// that it may have begun a scan earlier; its first edge then counts less. The last Idle reading is
// what the run is compared with.
func (m *Meter) Begin(at time.Duration, exact bool) {
	m.finishRun()
	m.run.lagS, m.run.lagSigma = m.state.Lag.seconds()
	m.run.mostA, m.run.stepA = m.bendA(), stepShare*m.p.RatedCCA
	m.run.scaleOhm = m.expectedMohm() / 1000
	m.run.bent = m.bent()
	m.run.begin(at, exact, m.restBefore(at))
	m.run.apart = m.apart
}

// Idle applies readings with the motor off: the voltage between the battery's own posts and its
// current, both usable (see Forget), its temperature, and its state of charge. Without a
// temperature 25 °C is taken, without a charge 80 %, with what that leaves open.
func (m *Meter) Idle(at time.Duration, in *unit.Battery, soc unit.Estimate) {
	if m.run.phase == tail {
		m.run.after(at, in, soc, m.held)
		if at >= m.run.stop+tailSpan {
			m.finishRun()
		}
	}
	m.earlier[m.rests%len(m.earlier)] = m.state.Rest
	m.rests++
	m.state.Rest = Rest{
		At: at, VoltageV: in.VoltageV.Value, CurrentA: in.CurrentA.Value, Slower: slower(in.TempC), Have: true, Held: m.held,
	}
}

// InString takes the mean voltage of the batteries of its string and whether the feed is on, for the next readings
// of Idle: one that a charger leaves behind the others does not show it by its own, and in heat none does.
//
// After a charge two strings stand apart by what it left on each, and the lower one is held up by the other: some 30 mA
// into a full battery add 0.1 V before a run and after it, in the simulator. What of a step is that no rest tells.
func (m *Meter) InString(at time.Duration, meanV float64, fed bool) {
	m.held = fed || meanV > idleHighV
	if m.held || m.apartTill == 0 { // after a start it is not known
		m.apartTill = at + apartFor
	}
	m.apart = m.p.Parallel && at < m.apartTill
}

// Run applies readings within the run, as Idle.
func (m *Meter) Run(at time.Duration, in *unit.Battery, soc unit.Estimate) { m.run.within(at, in, soc) }

// End marks the end of the run; what the readings just after show still belongs to it. It is given
// when the motor stopped, which may be before the last readings that Run was given.
func (m *Meter) End(at time.Duration) { m.run.end(at) }

// Forget says that a reading is missing: at rest, nothing before it is compared with what comes
// after. What was learned stays.
func (m *Meter) Forget() {
	if m.run.phase == running {
		return // a scan without a pair: the inrush may exceed a sensor's range. The gap shows in the readings' times
	}
	m.state.Rest.Have, m.earlier = false, [earlierRests]Rest{}
}

// Interrupt drops the run under way and the rest before it: somebody works on the unit.
func (m *Meter) Interrupt() {
	m.run.phase, m.run.haveStep = none, false
	m.Forget()
}

// restBefore returns the last rest that is clear of a start at `at`: the scan just before may have
// read the current after it.
func (m *Meter) restBefore(at time.Duration) *Rest {
	clear := at - settle
	if m.state.Rest.At <= clear {
		return &m.state.Rest
	}
	best := &noRest
	for k := range m.earlier {
		if r := &m.earlier[k]; r.Have && r.At <= clear && (!best.Have || r.At > best.At) {
			best = r
		}
	}
	return best
}

var noRest Rest

const earlierRests = 4 // count: rests kept besides the last; our choice

// LastStep returns by how much voltage and current moved at the start of the last run, against
// before it; ok is false when that was not read. It is known from End on, until the next Begin.
func (m *Meter) LastStep() (dv, da float64, ok bool) {
	return m.run.stepV, m.run.stepA0, m.run.haveStep
}

// ResistanceMohm returns the resistance two seconds after a step of current, at 25 °C and full charge,
// in mΩ: the double layer at the plates has relaxed by then. Its
// uncertainty has the class of the sensors' gains in it. It is not known before three runs.
func (m *Meter) ResistanceMohm() unit.Estimate {
	return unit.Estimate{Value: m.figures.mohm, Sigma: m.figures.mohmSigma, Known: m.state.Parts.Runs >= minRuns}
}

// Runs returns the number of runs behind the resistance.
func (m *Meter) Runs() uint32 { return m.state.Parts.Runs }

// ChargedRuns returns in how many runs of a string a charger was on since the last run that counted, VerdictRuns at
// the most. Such runs say nothing of a battery, whatever is done with them: how the charger's voltage is shared
// between the two goes within milliseconds, partly, and over minutes. In the simulator (twelve units, 40 batteries)
// a fit of the run alone was up to 46 % too strong, 3 to 31 % RMS, and one of the step from the voltage before up to
// 60 % too weak.
func (m *Meter) ChargedRuns() uint32 { return m.state.ChargedRuns }

// CrankingA returns the cold cranking capability in A (SAE J537: full, -18 °C, 30 s to 7.2 V). It
// is not known before three runs, and as long as an unknown charge or temperature leaves it less
// sure than 15 %.
func (m *Meter) CrankingA() unit.Estimate { return m.cranking() }

// Trend returns by how many mΩ the resistance rises in 100 runs, over the last few hundred. It is
// not known before fifty.
func (m *Meter) Trend() unit.Estimate { return m.state.Trend.slope() }

// EMFV returns the voltage that the last runs point to at no current, in V, a slow mean; ok is
// false before three runs. A dead cell leaves it about 2 V low, even where a sound neighbor holds
// the terminals up at rest.
func (m *Meter) EMFV() (v float64, ok bool) { return m.state.EMFV, m.state.EMFRuns >= minRuns }

// TakingRuns returns in how many runs up to now, without a break, the battery took current while
// the motor pulled its posts down, 100 at the most. A battery with a dead cell does: beside sound
// ones it gives nothing and is charged all the time.
func (m *Meter) TakingRuns() uint8 { return m.state.TakingRuns }

const minRuns = 3 // count: runs before a figure is said; our choice
