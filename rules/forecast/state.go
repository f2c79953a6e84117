package forecast

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

// State is everything that a Meter has learned, for saving. What a motor run under way has shown is
// not in it.
type State struct {
	Runs               uint32
	RunAh, RunWh, RunS Mean // of a motor run
	RestS              Mean // between two runs of a stop
	SteadyA            Mean // the motor's current
	MotorV             Mean // at its terminal
	PathOhm            Mean // bank to motor
	OffsetV            [unit.MaxBatteries]Mean
	MeanA              [unit.MaxBatteries]float64
	LastEnd            time.Duration // of the last run
	HaveEnd            bool
	Charging
	Now   time.Duration // of the last scan
	Begun bool
}

// State returns what was learned, for saving.
func (m *Meter) State() State { return m.state }

// Restore replaces everything learned by a saved state. An impossible one is refused, and nothing
// changes.
func (m *Meter) Restore(s State) error {
	if err := s.check(); err != nil {
		return fmt.Errorf("forecast: %w", err)
	}
	m.state, m.run = s, runSums{}
	return nil
}

func (s *State) check() error {
	var c unit.Check
	mean := func(what string, m *Mean) {
		c.Finite(what, m.Value)
		c.Sum(what+" count and variance", m.N, m.Variance)
	}
	for _, m := range []*Mean{&s.RunAh, &s.RunWh, &s.SteadyA, &s.MotorV, &s.PathOhm} {
		mean("a run", m)
	}
	for k := range unit.MaxBatteries {
		mean("voltage offset", &s.OffsetV[k])
	}
	c.Finite("mean current", s.MeanA[:]...)
	mean("time", &s.RunS)
	mean("time", &s.RestS)
	c.Sum("time, charge and current of a run", s.RunS.Value, s.RestS.Value, s.RunAh.Value, s.SteadyA.Value)
	for l := range s.Tapers {
		c.Sum("taper time", s.Tapers[l].Hours)
		c.In("taper fall", s.Tapers[l].Fall, 0, maxTaper)
	}
	f := &s.Feed
	c.In("means kept", float64(f.Count), 0, math.MaxInt32)
	c.In("readings of a mean", float64(f.N), 0, math.MaxInt32)
	c.Finite("sum of a mean", f.SumV, f.SumA, f.SumT, f.LowA, s.HeldV25)
	for i := range f.Kept {
		c.Finite("mean in charge", f.Kept[i].Volt, f.Kept[i].Amps, f.Kept[i].TempC)
	}
	if s.LastEnd > s.Now { // a run in progress is not in it
		c.Wrong("last run: ended at %v: want %v at the latest", s.LastEnd, s.Now)
	}
	c.Time("last scan", s.Now)
	return c.Err()
}

// ForgetBatteries drops what was learned of the batteries, since one of them was replaced: how they
// share, how their voltages read and how they take a charge. What a lift takes stays.
func (m *Meter) ForgetBatteries() {
	s := &m.state
	s.OffsetV, s.MeanA, s.Tapers = [unit.MaxBatteries]Mean{}, [unit.MaxBatteries]float64{}, [levels]Taper{}
}

// TakeBackBatteries takes over what ForgetBatteries has dropped. An impossible state is refused, and
// nothing changes.
func (m *Meter) TakeBackBatteries(s State) error {
	if err := s.check(); err != nil {
		return fmt.Errorf("forecast: %w", err)
	}
	m.state.OffsetV, m.state.MeanA, m.state.Tapers = s.OffsetV, s.MeanA, s.Tapers
	return nil
}
