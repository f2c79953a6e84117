package loadtest

import (
	"errors"
	"fmt"
	"math"
)

// State is what a meter has learnt, to be saved and restored. What was under way in a run is not in it.
type State struct {
	MetalMohm, AcidMohm       float64 // at 25 °C and full charge
	VarMetal, Covar, VarAcid  float64 // mΩ²
	Runs                      uint32
	Strikes                   int8
	CorrectionShare           float64
	EMFV                      float64
	EMFRuns                   uint32
	TakingRuns                uint8
	TrendN, TrendX, TrendY    float64
	TrendXX, TrendXY, TrendYY float64
	TrendRuns                 uint32
	LagS                      float64
	LagRuns                   uint32
}

// State gives what has been learnt.
func (m *Meter) State() State {
	e, t := &m.est, &m.est.trend
	return State{
		MetalMohm: e.metal, AcidMohm: e.acid, VarMetal: e.pMM, Covar: e.pMA, VarAcid: e.pAA,
		Runs: e.runs, Strikes: e.strikes, CorrectionShare: e.correction, EMFV: e.emfV, EMFRuns: e.emfRuns, TakingRuns: e.taking,
		TrendN: t.n, TrendX: t.x, TrendY: t.y, TrendXX: t.xx, TrendXY: t.xy, TrendYY: t.yy, TrendRuns: t.runs,
		LagS: m.lag.meanS, LagRuns: m.lag.runs,
	}
}

// Restore takes a saved state over; one that no meter can have had is refused with all that is wrong with it, and changes nothing.
func (m *Meter) Restore(s State) error {
	if err := s.validate(); err != nil {
		return fmt.Errorf("load test: state: %w", err)
	}
	*m = Meter{p: m.p, lag: lag{s.LagS, s.LagRuns}}
	m.est = estimate{
		metal: s.MetalMohm, acid: s.AcidMohm, pMM: s.VarMetal, pMA: s.Covar, pAA: s.VarAcid,
		runs: s.Runs, strikes: s.Strikes, correction: s.CorrectionShare, emfV: s.EMFV, emfRuns: s.EMFRuns, taking: s.TakingRuns,
		trend: trend{n: s.TrendN, x: s.TrendX, y: s.TrendY, xx: s.TrendXX, xy: s.TrendXY, yy: s.TrendYY, runs: s.TrendRuns},
	}
	if s.Runs > 0 {
		m.est.tell(m.p.Chemistry)
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
	}
	in("strikes", float64(s.Strikes), -strikesLimit, strikesLimit)
	in("emf", s.EMFV, 0, 30)
	in("runs taking", float64(s.TakingRuns), 0, takingMost)
	in("lag", s.LagS, -lagMostS, lagMostS)
	in("lag runs", float64(s.LagRuns), 0, lagMemory)
	in("trend weight", s.TrendN, 0, trendMemory+1)
	for _, x := range []float64{s.TrendX, s.TrendY, s.TrendXX, s.TrendXY, s.TrendYY} {
		in("trend sum", x, -1e12, 1e12)
	}
	return errors.Join(errs...)
}
