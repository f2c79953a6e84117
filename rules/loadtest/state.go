package loadtest

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// State is what a meter has learnt, to be saved and restored. What was under way in a run is not in it.
type State struct {
	MetalMohm, AcidMohm       float64 // at 25 °C and full charge
	VarMetal, Covar, VarAcid  float64 // mΩ²
	Runs                      uint32
	Strikes                   int8
	CorrectionShare           float64
	Scatter                   float64
	EMFV                      float64
	EMFRuns                   uint32
	TakingRuns                uint8
	TrendN, TrendX, TrendY    float64
	TrendXX, TrendXY, TrendYY float64
	TrendRuns                 uint32
	LagS                      float64
	LagRuns                   uint32
	Rest                      Rest
}

// Rest is the last reading with the motor off, against which a run is held.
type Rest struct {
	At                 time.Duration
	VoltageV, CurrentA float64
	Have               bool
}

// State gives what has been learnt.
func (m *Meter) State() State {
	e, t := &m.est, &m.est.trend
	return State{
		MetalMohm: e.metal, AcidMohm: e.acid, VarMetal: e.pMM, Covar: e.pMA, VarAcid: e.pAA,
		Runs: e.runs, Strikes: e.strikes, CorrectionShare: e.correction, Scatter: e.scatter, EMFV: e.emfV, EMFRuns: e.emfRuns, TakingRuns: e.taking,
		TrendN: t.n, TrendX: t.x, TrendY: t.y, TrendXX: t.xx, TrendXY: t.xy, TrendYY: t.yy, TrendRuns: t.runs,
		LagS: m.lag.meanS, LagRuns: m.lag.runs,
		Rest: Rest{m.rest.last.at, m.rest.last.v, m.rest.last.a, m.rest.have},
	}
}

// Restore takes a saved state over; one that no meter can have had is refused with all that is wrong with it, and changes nothing.
func (m *Meter) Restore(s State) error {
	if err := s.validate(); err != nil {
		return fmt.Errorf("load test: state: %w", err)
	}
	*m = Meter{p: m.p, lag: lag{s.LagS, s.LagRuns}, rest: restPoint{point{s.Rest.At, s.Rest.VoltageV, s.Rest.CurrentA}, s.Rest.Have}}
	m.est = estimate{
		metal: s.MetalMohm, acid: s.AcidMohm, pMM: s.VarMetal, pMA: s.Covar, pAA: s.VarAcid,
		runs: s.Runs, strikes: s.Strikes, correction: s.CorrectionShare, scatter: s.Scatter, emfV: s.EMFV, emfRuns: s.EMFRuns, taking: s.TakingRuns,
		trend: trend{n: s.TrendN, x: s.TrendX, y: s.TrendY, xx: s.TrendXX, xy: s.TrendXY, yy: s.TrendYY, runs: s.TrendRuns},
	}
	if s.Runs > 0 {
		if s.Scatter == 0 { // saved before it was learnt
			m.est.scatter = 1
		}
		m.est.tell(&m.p)
	}
	return nil
}

func (s *State) validate() error {
	var errs []error
	in := func(field string, got, lo, hi float64) {
		if !(got >= lo && got <= hi) {
			errs = append(errs, fmt.Errorf("%s: got %g: want %g to %g", field, got, lo, hi))
		}
	}
	const most = 1000 * mostOhm
	if s.Runs > 0 {
		in("metal resistance", s.MetalMohm, 1e-6, most)
		in("acid resistance", s.AcidMohm, 1e-6, most)
		in("variance of metal", s.VarMetal, 0, most*most)
		in("variance of acid", s.VarAcid, 0, most*most)
		in("covariance", s.Covar, -math.Sqrt(s.VarMetal*s.VarAcid)*(1+1e-9), math.Sqrt(s.VarMetal*s.VarAcid)*(1+1e-9))
		in("correction", s.CorrectionShare, 0, 10)
		in("scatter", s.Scatter, 0, scatterMost)
	}
	in("strikes", float64(s.Strikes), -strikesLimit, strikesLimit)
	in("emf", s.EMFV, 0, 30)
	in("runs taking", float64(s.TakingRuns), 0, takingMost)
	in("lag", s.LagS, -lagMostS, lagMostS)
	in("lag runs", float64(s.LagRuns), 0, lagMemory)
	in("rest voltage", s.Rest.VoltageV, -1e6, 1e6)
	in("rest current", s.Rest.CurrentA, -1e6, 1e6)
	in("trend weight", s.TrendN, 0, trendMemory+1)
	for _, x := range []float64{s.TrendX, s.TrendY, s.TrendXX, s.TrendXY, s.TrendYY} {
		in("trend sum", x, -1e12, 1e12)
	}
	return errors.Join(errs...)
}

// JudgeState is what a judge remembers, to be saved and restored.
type JudgeState struct {
	Last Verdict
	Dead bool // a dead cell was seen last
}

// State gives what is remembered.
func (j *Judge) State() JudgeState { return JudgeState{j.last, j.dead} }

// Restore takes a saved state over; a verdict that there is not is refused and changes nothing.
func (j *Judge) Restore(s JudgeState) error {
	if int(s.Last) >= len(verdictWords) {
		return fmt.Errorf("verdict: state: got %d: want 0 to %d", s.Last, len(verdictWords)-1)
	}
	j.last, j.dead = s.Last, s.Dead
	return nil
}
