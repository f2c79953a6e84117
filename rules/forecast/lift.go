package forecast

import (
	"math"
	"time"

	"liftbank/rules/unit"
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

// Learning from runs.
const (
	runMemory    = 150.0           // count: runs that a mean remembers; our choice
	offsetMemory = 8.0             // count: runs that an offset remembers: it changes with charge; our choice
	minRuns      = 8               // count: runs before a figure is said, and as many as make minLifts; our choice
	minLifts     = 4               // count: lift cycles before a figure is said; our choice
	settled      = time.Second     // of a run, until inrush and start of the pump are over; our choice
	minSteady    = 1 * time.Second // of a run, for its voltages to count; our choice
	maxRest      = 3 * time.Minute // between two runs: longer is no rest between lifts of a stop; our choice
	maxGap       = 2 * time.Second // between two scans in a run; our choice
	minRunA      = 5.0             // A: of a run that did something; our choice
	maxRunAh     = 50.0            // Ah: more is no lift; our choice
	maxOffsetV   = 1.5             // V: from the model; more is another battery than the one described; our choice

	secondsPerHour = 3600 // s: in an hour; physical
)

// runSums adds up one run.
type runSums struct {
	open       bool
	from       time.Duration // of the first scan after its start
	last       time.Duration
	incomplete bool // readings were missing for too long
	wattS      float64
	lastW      float64
	steadyS    float64
	steadyN    int
	sumA       [unit.MaxBatteries]float64
	sumV       [unit.MaxBatteries]float64
	motorN     int
	sumM       float64
}

func (s *runSums) add(scan *unit.Scan, f *Facts, n int) {
	at := scan.At.Mono
	if !s.open {
		*s = runSums{open: true, from: at - max(f.RunFor, 0)}
		s.last = s.from
	}
	var watts float64
	for k := range n {
		b := &scan.Battery[k]
		if !b.CurrentA.OK() || !b.VoltageV.OK() {
			return // an inrush may exceed a sensor's range: bridged like any gap, if it is short
		}
		watts -= b.VoltageV.Value * (b.CurrentA.Value - f.ZeroA[k])
	}
	dt := at - s.last
	s.incomplete = s.incomplete || dt > maxGap
	if s.last == s.from {
		s.lastW = watts
	}
	s.wattS += (watts + s.lastW) / 2 * dt.Seconds()
	s.last, s.lastW = at, watts
	if f.RunFor < settled {
		return
	}
	s.steadyS += dt.Seconds()
	s.steadyN++
	for k := range n {
		b := &scan.Battery[k]
		s.sumA[k] -= b.CurrentA.Value - f.ZeroA[k]
		s.sumV[k] += b.VoltageV.Value
	}
	if scan.MotorV.OK() {
		s.sumM += scan.MotorV.Value
		s.motorN++
	}
}

// EndRun takes a run in that was over before the last scan or with it: its start, its length, and
// what it drew in Ah.
func (m *Meter) EndRun(start, length time.Duration, drawnAh float64, in *Inputs) {
	s := m.run
	m.run = runSums{}
	st := &m.state
	rest := start - st.LastEnd
	hadLast := st.HaveEnd
	st.LastEnd, st.HaveEnd = start+length, true
	if hadLast && rest > 0 && rest <= maxRest {
		st.RestS.add(rest.Seconds(), runMemory)
	}
	hours := length.Hours()
	if !s.open || s.incomplete || !(hours > 0) || !(drawnAh/hours >= minRunA && drawnAh < maxRunAh) {
		return
	}
	st.Runs = min(st.Runs+1, math.MaxUint32-1)
	st.RunAh.add(drawnAh, runMemory)
	st.RunWh.add(s.wattS/secondsPerHour, runMemory)
	st.RunS.add(length.Seconds(), runMemory)
	if s.steadyS < minSteady.Seconds() || s.steadyN == 0 {
		return
	}
	m.learnVoltages(&s, in)
}

// learnVoltages learns from the steady part of a run what the motor draws, what is lost on the way
// to it, and how the batteries' voltages stand against the model's.
func (m *Meter) learnVoltages(s *runSums, in *Inputs) {
	st := &m.state
	var bankA, bankV float64
	n := float64(s.steadyN)
	for k := range m.n {
		bankA += m.p.Layout.OfString(s.sumA[k] / n)
		bankV += s.sumV[k] / n / float64(m.p.strings())
	}
	if bankA < minRunA {
		return
	}
	st.SteadyA.add(bankA, runMemory)
	if s.motorN > 0 {
		v := s.sumM / float64(s.motorN)
		st.MotorV.add(v, runMemory)
		st.PathOhm.add((bankV-v)/bankA, runMemory)
	}
	if m.p.missing(in) != nil {
		return
	}
	for k := range m.n {
		b := m.model(k, in, &noChange)
		amps := s.sumA[k] / n
		got := s.sumV[k]/n - (b.restV() - amps*b.ohm())
		st.OffsetV[k].add(min(max(got, -maxOffsetV), maxOffsetV), offsetMemory)
	}
}

func (m *Meter) liftsWait() *unit.Text {
	if float64(m.state.Runs) < max(minRuns, float64(minLifts*m.p.CycleRuns)) {
		return waitsForLifts
	}
	return nil
}

// LiftAh returns the charge that a lift takes, in Ah.
func (m *Meter) LiftAh() Answer { return m.perLift(&m.state.RunAh, m.p.Current.Gain) }

// LiftWh returns the energy that a lift takes out of the batteries, in Wh.
func (m *Meter) LiftWh() Answer {
	return m.perLift(&m.state.RunWh, math.Hypot(m.p.Voltage.Gain, m.p.Current.Gain))
}

func (m *Meter) perLift(run *Mean, gain float64) Answer {
	if why := m.liftsWait(); why != nil {
		return waits(why)
	}
	n := float64(m.p.CycleRuns)
	return says(n*run.Value, n*math.Hypot(run.sigma(), gain*run.Value))
}
