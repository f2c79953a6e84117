package forecast

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// State is everything that a Meter has learnt, for saving. What a motor run under way has shown is not in it.
type State struct {
	Runs               uint32
	RunAh, RunWh, RunS Mean // of a motor run
	RestS              Mean // between two runs of a stop
	SteadyA            Mean // the motor's current
	MotorV             Mean // at its terminal
	PathOhm            Mean // bank to motor
	OffsetV            [MaxBatteries]Mean
	MeanA              [MaxBatteries]float64
	LastEnd            time.Duration // of the last run
	HaveEnd            bool
	Tapers             [levels]Taper
	HeldV25            float64 // voltage that the feed held last
	HeldKnown          bool
	Feed               Window
	Now                time.Duration // of the last scan
	Begun              bool
}

// State gives what was learnt, for saving.
func (m *Meter) State() State {
	s := m.state
	s.Now, s.Begun = m.now, m.begun
	return s
}

// Restore takes the place of everything learnt with a saved state. One that can't be is refused, and nothing changes.
func (m *Meter) Restore(s State) error {
	if err := s.check(); err != nil {
		return fmt.Errorf("forecast: %w", err)
	}
	m.now, m.begun = s.Now, s.Begun
	s.Now, s.Begun = 0, false
	m.state, m.run = s, runSums{}
	return nil
}

func (s *State) check() error {
	var errs []error
	in := func(what string, got, least, most float64) {
		if !(got >= least && got <= most) {
			errs = append(errs, fmt.Errorf("%s: %g: want %g to %g", what, got, least, most))
		}
	}
	mean := func(what string, m *Mean, least, most float64) {
		in(what, m.Value, least, most)
		in(what+" count", m.N, 0, 1000)
		in(what+" variance", m.Variance, 0, sq(most-least))
	}
	mean("charge of a run", &s.RunAh, 0, 100)
	mean("energy of a run", &s.RunWh, -100, 2000)
	mean("length of a run", &s.RunS, 0, 1e5)
	mean("rest", &s.RestS, 0, restMost.Seconds())
	mean("motor current", &s.SteadyA, 0, 5000)
	mean("motor voltage", &s.MotorV, -100, 100)
	mean("motor path", &s.PathOhm, -20, 20)
	for k := range MaxBatteries {
		mean("voltage offset", &s.OffsetV[k], -mostOffsetV, mostOffsetV)
		in("mean current", s.MeanA[k], -5000, 5000)
	}
	for l := range s.Tapers {
		in("taper time", s.Tapers[l].Hours, 0, 1000)
		in("taper fall", s.Tapers[l].Fall, 0, taperMost*1.001)
	}
	f := &s.Feed
	in("means kept", float64(f.Count), 0, math.MaxInt32)
	in("readings of a mean", float64(f.N), 0, math.MaxInt32)
	for _, x := range []float64{f.SumV, f.SumA, f.SumT, f.LowA} {
		in("sum of a mean", x, -1e9, 1e9)
	}
	for i := range f.Kept {
		in("mean voltage", f.Kept[i].Volt, -100, 100)
		in("mean charge current", f.Kept[i].Amps, -20000, 20000)
		in("mean temperature", f.Kept[i].TempC, -200, 200)
	}
	in("held voltage", s.HeldV25, -100, 100)
	in("last run", s.LastEnd.Hours(), math.Inf(-1), s.Now.Hours()+1)
	in("last scan", s.Now.Hours(), 0, math.MaxFloat64)
	return errors.Join(errs...)
}

// ForgetBatteries drops what was learnt of the batteries, since one of them was replaced: how they share, how their voltages read and how
// they take a charge. What a lift takes stays.
func (m *Meter) ForgetBatteries() {
	m.state.OffsetV, m.state.MeanA, m.state.Tapers = [MaxBatteries]Mean{}, [MaxBatteries]float64{}, [levels]Taper{}
}
