package loadtest

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
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
	// Runs in a string through which a charger was on, since the last run that counted.
	ChargedRuns uint32 `json:",omitempty"`
}

// Rest is the last reading with the motor off, that a run is compared with.
type Rest struct {
	At                 time.Duration
	VoltageV, CurrentA float64
	Slower             float64 // lags of the layers, over those at 25 °C
	Have               bool
	Held               bool `json:",omitempty"` // by a charger, as the string or the feed shows
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

const rounding = 1e-9 // ratio: by which a saved covariance may be past its bound; our choice

func (s *State) check() error {
	var c unit.Check
	if p := &s.Parts; p.Runs > 0 {
		if !(p.MetalMohm > 0 && p.AcidMohm > 0) {
			c.Wrong("resistance: metal %g, acid %g: want more than 0", p.MetalMohm, p.AcidMohm)
		}
		c.Sum("resistance", p.MetalMohm, p.AcidMohm)
		c.Sum("layer resistance", p.LayerMohm)
		c.Sum("correction", p.CorrectionShare)
		c.Sum("variance of resistance", p.VarMetal, p.VarAcid, p.VarLayer)
		covar := math.Sqrt(p.VarMetal*p.VarAcid) * (1 + rounding)
		c.In("covariance", p.Covar, -covar, covar)
		c.In("scatter", p.Scatter, minScatter, maxScatter)
	}
	c.In("strikes", float64(s.Parts.Strikes), -maxStrikes, maxStrikes)
	c.Sum("emf", s.EMFV)
	c.In("runs taking", float64(s.TakingRuns), 0, maxTaking)
	c.In("runs under a charger", float64(s.ChargedRuns), 0, VerdictRuns)
	c.In("lag", s.Lag.MeanS, -maxLagS, maxLagS)
	c.In("lag runs", float64(s.Lag.Runs), 0, lagMemory)
	c.Finite("rest", s.Rest.VoltageV, s.Rest.CurrentA)
	c.Sum("rest lag", s.Rest.Slower)
	c.In("trend weight", s.Trend.N, 0, trendMemory+1)
	c.Finite("trend sum", s.Trend.X, s.Trend.Y, s.Trend.XX, s.Trend.XY, s.Trend.YY)
	return c.Err()
}

// JudgeState is what a judge remembers, to be saved and restored.
type JudgeState struct {
	Last       Verdict
	Dead       bool   // a dead cell was seen
	GivingRuns uint8  // runs in a row in which the battery gave its part
	BesideTill uint32 // runs up to which it doesn't get worse: it gave more than its part
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

// Recalibrated brings what was learned to readings that are corrected otherwise: resistances are mohm
// times what they were, and a voltage of before is now gainV · voltage + addV.
func (s *State) Recalibrated(mohm, gainV, addV float64) {
	p, t := &s.Parts, &s.Trend
	for _, x := range []*float64{&p.MetalMohm, &p.AcidMohm, &p.LayerMohm, &t.Y, &t.XY} {
		*x *= mohm
	}
	for _, x := range []*float64{&p.VarMetal, &p.Covar, &p.VarAcid, &p.VarLayer, &t.YY} {
		*x *= mohm * mohm
	}
	if s.EMFRuns > 0 {
		s.EMFV = s.EMFV*gainV + addV
	}
	s.Rest = Rest{}
}
