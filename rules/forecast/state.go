package forecast

import (
	"errors"
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

// Bounds of a saved state, beyond those of the meter itself.
const (
	maxMeanN   = 1000  // count: values of a mean; our choice
	maxAh      = 100   // Ah: of a run; our choice
	minWh      = -100  // Wh: of a run; our choice
	maxWh      = 2000  // Wh: of a run; our choice
	maxRunS    = 1e5   // s: of a run; our choice
	maxMotorA  = 5000  // A: of the motor, and a battery's mean; our choice
	maxVolt    = 100   // V: of a mean; our choice
	maxPathOhm = 20    // Ω: of the motor's path; our choice
	maxTaperH  = 1000  // h: of a level; our choice
	rounding   = 0.001 // ratio: by which a figure may be past its bound; our choice
	maxSum     = 1e9   // A: and V and °C, of a mean in progress; our choice
	maxBankA   = 20000 // A: of the bank, in charge; our choice
	maxMeanC   = 200   // °C: of a mean; our choice
	maxLateH   = 1     // h: that a run may have ended after the last scan; our choice
)

func (s *State) check() error {
	var errs []error
	in := func(what string, got, least, most float64) {
		if !(got >= least && got <= most) {
			errs = append(errs, fmt.Errorf("%s: %g: want %g to %g", what, got, least, most))
		}
	}
	mean := func(what string, m *Mean, least, most float64) {
		in(what, m.Value, least, most)
		in(what+" count", m.N, 0, maxMeanN)
		in(what+" variance", m.Variance, 0, sq(most-least))
	}
	mean("charge of a run", &s.RunAh, 0, maxAh)
	mean("energy of a run", &s.RunWh, minWh, maxWh)
	mean("length of a run", &s.RunS, 0, maxRunS)
	mean("rest", &s.RestS, 0, maxRest.Seconds())
	mean("motor current", &s.SteadyA, 0, maxMotorA)
	mean("motor voltage", &s.MotorV, -maxVolt, maxVolt)
	mean("motor path", &s.PathOhm, -maxPathOhm, maxPathOhm)
	for k := range unit.MaxBatteries {
		mean("voltage offset", &s.OffsetV[k], -maxOffsetV, maxOffsetV)
		in("mean current", s.MeanA[k], -maxMotorA, maxMotorA)
	}
	for l := range s.Tapers {
		in("taper time", s.Tapers[l].Hours, 0, maxTaperH)
		in("taper fall", s.Tapers[l].Fall, 0, maxTaper*(1+rounding))
	}
	f := &s.Feed
	in("means kept", float64(f.Count), 0, math.MaxInt32)
	in("readings of a mean", float64(f.N), 0, math.MaxInt32)
	for _, x := range []float64{f.SumV, f.SumA, f.SumT, f.LowA} {
		in("sum of a mean", x, -maxSum, maxSum)
	}
	for i := range f.Kept {
		in("mean voltage", f.Kept[i].Volt, -maxVolt, maxVolt)
		in("mean charge current", f.Kept[i].Amps, -maxBankA, maxBankA)
		in("mean temperature", f.Kept[i].TempC, -maxMeanC, maxMeanC)
	}
	in("held voltage", s.HeldV25, -maxVolt, maxVolt)
	in("last run", s.LastEnd.Hours(), math.Inf(-1), s.Now.Hours()+maxLateH)
	in("last scan", s.Now.Hours(), 0, math.MaxFloat64)
	return errors.Join(errs...)
}

// ForgetBatteries drops what was learned of the batteries, since one of them was replaced: how they
// share, how their voltages read and how they take a charge. What a lift takes stays.
func (m *Meter) ForgetBatteries() {
	s := &m.state
	s.OffsetV, s.MeanA, s.Tapers = [unit.MaxBatteries]Mean{}, [unit.MaxBatteries]float64{}, [levels]Taper{}
}
