package loadtest

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// State is what a meter has learned: it works on it, and it is saved as it is. What a run in
// progress has shown is not in it.
type State struct {
	Parts      Parts
	Trend      Trend
	Lag        Lag
	EMFV       float64 // that the last runs point to at no current
	EMFRuns    uint32
	TakingRuns uint8 // runs in a row in which the battery took current
	Rest       Rest
}

// Rest is the last reading with the motor off, that a run is compared with.
type Rest struct {
	At                 time.Duration
	VoltageV, CurrentA float64
	Slower             float64 // lags of the layers, over those at 25 °C
	Have               bool
}

// State returns what has been learned.
func (m *Meter) State() State { return m.state }

// Restore replaces what has been learned. An impossible state is refused with all that is wrong
// with it, and changes nothing.
func (m *Meter) Restore(s State) error {
	if err := s.check(); err != nil {
		return fmt.Errorf("load test: state: %w", err)
	}
	*m = Meter{p: m.p, state: s, run: runState{class: m.run.class, parallel: m.p.Parallel}}
	if s.Parts.Runs > 0 {
		m.updateFigures()
	}
	return nil
}

// Bounds of a saved state, beyond those of the meter itself.
const (
	maxMohm       = 1000 * maxOhm // mΩ: resistance of a block; our choice
	minMohm       = 1e-6          // mΩ: of a part; our choice
	maxCorrection = 10            // ratio: that temperature and charge leave; our choice
	maxEMFV       = 30            // V: EMF; our choice
	maxReading    = 1e6           // V: and A, of a reading; our choice
	maxSlower     = 100           // ratio: of lags over those at 25 °C; our choice
	maxTrendSum   = 1e12          // mΩ²: of a sum of the trend; our choice
	rounding      = 1e-9          // ratio: by which a covariance may be past its bound; our choice
)

func (s *State) check() error {
	var errs []error
	in := func(field string, got, lo, hi float64) {
		if !(got >= lo && got <= hi) {
			errs = append(errs, fmt.Errorf("%s: got %g: want %g to %g", field, got, lo, hi))
		}
	}
	if p := &s.Parts; p.Runs > 0 {
		in("metal resistance", p.MetalMohm, minMohm, maxMohm)
		in("acid resistance", p.AcidMohm, minMohm, maxMohm)
		in("variance of metal", p.VarMetal, 0, maxMohm*maxMohm)
		in("variance of acid", p.VarAcid, 0, maxMohm*maxMohm)
		covar := math.Sqrt(p.VarMetal*p.VarAcid) * (1 + rounding)
		in("covariance", p.Covar, -covar, covar)
		in("correction", p.CorrectionShare, 0, maxCorrection)
		in("scatter", p.Scatter, minScatter, maxScatter)
		in("layer resistance", p.LayerMohm, 0, maxMohm)
		in("variance of layer", p.VarLayer, 0, maxMohm*maxMohm)
	}
	in("strikes", float64(s.Parts.Strikes), -maxStrikes, maxStrikes)
	in("emf", s.EMFV, 0, maxEMFV)
	in("runs taking", float64(s.TakingRuns), 0, maxTaking)
	in("lag", s.Lag.MeanS, -maxLagS, maxLagS)
	in("lag runs", float64(s.Lag.Runs), 0, lagMemory)
	in("rest voltage", s.Rest.VoltageV, -maxReading, maxReading)
	in("rest current", s.Rest.CurrentA, -maxReading, maxReading)
	in("rest lag", s.Rest.Slower, 0, maxSlower)
	in("trend weight", s.Trend.N, 0, trendMemory+1)
	for _, x := range []float64{s.Trend.X, s.Trend.Y, s.Trend.XX, s.Trend.XY, s.Trend.YY} {
		in("trend sum", x, -maxTrendSum, maxTrendSum)
	}
	return errors.Join(errs...)
}

// JudgeState is what a judge remembers, to be saved and restored.
type JudgeState struct {
	Last       Verdict
	Dead       bool  // a dead cell was seen
	GivingRuns uint8 // runs in a row in which the battery gave its part
}

// State returns what is remembered.
func (j *Judge) State() JudgeState { return j.state }

// Restore replaces what is remembered. An impossible verdict is refused and changes nothing.
func (j *Judge) Restore(s JudgeState) error {
	if int(s.Last) >= len(verdictWords) || s.GivingRuns > soundGiving {
		return fmt.Errorf("verdict: state: got %d, giving %d: want 0 to %d, and up to %d", s.Last, s.GivingRuns,
			len(verdictWords)-1, soundGiving)
	}
	j.state = s
	return nil
}
