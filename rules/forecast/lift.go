package forecast

import (
	"math"
	"time"
)

// Mean is a mean that forgets, with the variance of single values.
type Mean struct {
	N, Value, Variance float64 // N values, up to the memory
}

// add takes a value in; memory is the number of values that it remembers, about.
func (m *Mean) add(x, memory float64) {
	m.N = min(m.N+1, memory)
	d := x - m.Value
	m.Value += d / m.N
	if m.N > 1 {
		m.Variance += (d*(x-m.Value) - m.Variance) / m.N
	}
}

// sigma is the standard uncertainty of the mean.
func (m *Mean) sigma() float64 { return math.Sqrt(m.Variance / max(m.N, 1)) }

// Learning from runs. Where no source is named, the figure is our choice.
const (
	runMemory    = 150.0           // runs
	offsetMemory = 8.0             // runs: what a voltage under load differs by changes with charge
	leastRuns    = 8               // runs, and as many as make leastLifts
	leastLifts   = 4               //
	settled      = time.Second     // inrush and start of the pump are over
	leastSteady  = 1 * time.Second // of a run, for its voltages to count
	restMost     = 3 * time.Minute // between two runs: longer is no rest between lifts of a stop
	mostGap      = 2 * time.Second // between two scans in a run
	leastRunA    = 5.0             // of a run that did something
	mostRunAh    = 50.0            // more is no lift
)

// runSums adds up one run.
type runSums struct {
	open    bool
	from    time.Duration // of the first scan after its start
	last    time.Duration
	spoilt  bool // readings were missing for too long
	wattS   float64
	lastW   float64
	steadyS float64
	steadyN int
	sumA    [MaxBatteries]float64
	sumV    [MaxBatteries]float64
	motorN  int
	sumM    float64
}

func (s *runSums) add(r *Reading, n int) {
	if !s.open {
		*s = runSums{open: true, from: r.At - max(r.RunFor, 0)}
		s.last = s.from
	}
	var watts float64
	for k := range n {
		if !r.CurrentOK[k] || !r.VoltageOK[k] {
			return // an inrush may go beyond a sensor's range: bridged like any gap, if it is short
		}
		watts -= r.VoltageV[k] * r.CurrentA[k]
	}
	dt := r.At - s.last
	s.spoilt = s.spoilt || dt > mostGap
	if s.last == s.from {
		s.lastW = watts
	}
	s.wattS += (watts + s.lastW) / 2 * dt.Seconds()
	s.last, s.lastW = r.At, watts
	if r.RunFor < settled {
		return
	}
	s.steadyS += dt.Seconds()
	s.steadyN++
	for k := range n {
		s.sumA[k] -= r.CurrentA[k]
		s.sumV[k] += r.VoltageV[k]
	}
	if r.MotorOK {
		s.sumM += r.MotorV
		s.motorN++
	}
}

// EndRun takes a run in that was over before the last scan or with it: its start, its length, and what it drew in Ah.
func (m *Meter) EndRun(start, length time.Duration, drawnAh float64, known *Known) {
	s := m.run
	m.run = runSums{}
	st := &m.state
	rest := start - st.LastEnd
	hadLast := st.HaveEnd
	st.LastEnd, st.HaveEnd = start+length, true
	if hadLast && rest > 0 && rest <= restMost {
		st.RestS.add(rest.Seconds(), runMemory)
	}
	hours := length.Hours()
	if !s.open || s.spoilt || !(hours > 0) || !(drawnAh/hours >= leastRunA && drawnAh < mostRunAh) {
		return
	}
	st.Runs = min(st.Runs+1, math.MaxUint32-1)
	st.RunAh.add(drawnAh, runMemory)
	st.RunWh.add(s.wattS/3600, runMemory)
	st.RunS.add(length.Seconds(), runMemory)
	if s.steadyS < leastSteady.Seconds() || s.steadyN == 0 {
		return
	}
	m.learnVoltages(&s, known)
}

// learnVoltages learns from the steady part of a run what the motor draws, what is lost on the way to it, and how the batteries' voltages
// stand against the model's.
func (m *Meter) learnVoltages(s *runSums, known *Known) {
	st := &m.state
	var bankA, bankV float64
	n := float64(s.steadyN)
	for k := range m.n {
		bankA += s.sumA[k] / n
		bankV += s.sumV[k] / n / float64(m.n)
	}
	if bankA < leastRunA {
		return
	}
	st.SteadyA.add(bankA, runMemory)
	if s.motorN > 0 {
		v := s.sumM / float64(s.motorN)
		st.MotorV.add(v, runMemory)
		st.PathOhm.add((bankV-v)/bankA, runMemory)
	}
	if m.missing(known) != "" {
		return
	}
	for k := range m.n {
		b := m.paper(k, known, &asIs)
		amps := s.sumA[k] / n
		got := s.sumV[k]/n - (b.restV() - amps*b.ohm())
		st.OffsetV[k].add(min(max(got, -mostOffsetV), mostOffsetV), offsetMemory)
	}
}

// mostOffsetV bounds what a battery may stand from the model: more is another battery than the one described.
const mostOffsetV = 1.5

func (m *Meter) liftsWait() string {
	if float64(m.state.Runs) < max(leastRuns, float64(leastLifts*m.p.CycleRuns)) || m.state.SteadyA.N < 2 {
		return waitsForLifts
	}
	return ""
}

// LiftAh gives the charge that a lift takes, in Ah.
func (m *Meter) LiftAh() Answer { return m.perLift(&m.state.RunAh, gainSigma) }

// LiftWh gives the energy that a lift takes out of the batteries, in Wh.
func (m *Meter) LiftWh() Answer { return m.perLift(&m.state.RunWh, math.Sqrt2*gainSigma) }

// gainSigma is the class of the sensors' gains, 1 % each.
const gainSigma = 0.01

func (m *Meter) perLift(run *Mean, gain float64) Answer {
	if why := m.liftsWait(); why != "" {
		return Answer{WaitsFor: why}
	}
	n := float64(m.p.CycleRuns)
	return Answer{Value: n * run.Value, Sigma: n * math.Hypot(run.sigma(), gain*run.Value), Known: true}
}
