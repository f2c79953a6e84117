package estimate

import (
	"errors"
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

// State is all that an estimator knows, as plain values: it works on them, and they are saved as
// they are. Instants are on the caller's timeline, which continues over a restart.
type State struct {
	Chemistry   string // name, of the battery it is of
	RatedAh     float64
	Begun       bool
	Last        Sample        // its current without the sensor's zero
	CurrentAt   time.Duration // instant of the last usable current
	CurrentSeen bool

	Belief
	Rest
	Held

	LoadFor            time.Duration // of a discharge, and its mean current
	LoadA              float64
	LoadReadAt         time.Duration // last time its voltage was read
	DrawnSinceChargeAh float64
	Knee               Knee
	Blind              Blind
	Said               unit.Estimate // the charge as it is stated

	ChargedAh, DrawnAh float64 // counted in and out, both positive
	StoredAh           float64 // charged less drawn and less what charging loses
}

// State returns what is known, to be saved.
func (b *Battery) State() State { return b.s }

// Restore replaces what is known by what an estimator of the same battery knew. An impossible state
// is refused with all that is wrong with it, and changes nothing.
func (b *Battery) Restore(s State) error {
	if err := s.check(b.p); err != nil {
		return fmt.Errorf("restore battery: %w", err)
	}
	*b = Battery{p: b.p, s: s, limits: b.limits}
	return nil
}

// Bounds of a saved state, beyond those of the estimator itself.
const (
	rounding    = 0.001 // ratio: by which a figure may be past its bound; our choice
	maxTimeNs   = 1e18  // ns: of a time, 31 years; our choice
	maxSumAh    = 1e12  // Ah: of a count; our choice
	maxSwingPct = 1e3   // %: deviation of a swing's start; our choice
	maxTaperPct = 1e6   // %: missing; our choice
	maxSlopeA   = 1e7   // A: of a falling current; our choice
	maxMoved    = 1e9   // %: counted, and h; our choice
	maxTauH     = 1000  // h: time constant of a surface charge; our choice
	minTauC     = -300  // °C: its temperature; our choice
	maxCovar    = 1e5   // %²: of the filter; our choice
)

func (s *State) check(p Params) error {
	var errs []error
	in := func(field string, got, low, high float64) {
		if !(got >= low && got <= high) { // NaN too
			errs = append(errs, fmt.Errorf("%s: got %g: want %g to %g", field, got, low, high))
		}
	}
	if !p.Chemistry.Is(s.Chemistry) || s.RatedAh != p.RatedAh {
		errs = append(errs, fmt.Errorf("battery: got %v of %g Ah: want %v of %g Ah",
			s.Chemistry, s.RatedAh, p.Chemistry, p.RatedAh))
	}
	if s.Begun {
		in("capacity", s.CapAh, minCap*p.RatedAh, max(maxCap, 1)*p.RatedAh)
		in("variance of capacity", s.CapVar, 0, 1)
		in("variance of zero", s.ZeroVar, minZeroSigmaA*minZeroSigmaA/2, maxZeroVar)
		in("variance of zero before", s.ZeroVarThen, minZeroSigmaA*minZeroSigmaA/2, maxZeroVar)
		in("taper constant", s.TaperH, minTaperH*(1-rounding), maxTaperH*(1+rounding))
		in("its variance", s.TaperVar, 0, 1)
	}
	if !s.Filter.sane() {
		errs = append(errs, errors.New("filter: impossible figures"))
	}
	in("zero", s.ZeroA, -p.maxZeroA(), p.maxZeroA())
	in("deviation counted", s.CountedSigmaPct, 0, maxMoved)
	in("moved", s.MovedPct, -maxMoved, maxMoved)
	in("hours moved", s.MovedHours, 0, maxMoved)
	in("surface charge", s.SurfaceV, 0, maxSurfaceV)
	in("dip", s.DipV, 0, dipV*(1+rounding))
	in("time constant", s.SurfaceTau.Hours(), 0, maxTauH)
	in("its temperature", s.SurfaceTauC, minTauC, maxTempC)
	for _, v := range []float64{s.RestedV, s.FallFromV} {
		in("rested voltage", v, -2*maxVoltageV, 2*maxVoltageV)
	}
	for _, d := range []time.Duration{s.RestFor, s.FallAt, s.LoadFor, s.SlopeFor, s.TaperFor, s.HeldFor} {
		in("time in a state", float64(d), 0, maxTimeNs)
	}
	for _, x := range []float64{s.Blind.UsePct, s.Blind.UseAh, s.Blind.UseDays} {
		in("usual use", x, 0, maxSumAh)
	}
	in("time at the empty end", float64(s.Knee.For), 0, maxTimeNs)
	in("charge as stated", s.Said.Value, 0, 100)
	in("its deviation", s.Said.Sigma, 0, maxMoved)
	in("load", s.LoadA, -maxCurrentA-1, maxCurrentA+1)
	in("taper", s.MissingPct, 0, maxTaperPct)
	for _, x := range []float64{s.SlopeA, s.SlopeFromA, s.SlopeV, s.HeldA} {
		in("held charge", x, -maxSlopeA, maxSlopeA)
	}
	for _, w := range []Swing{s.Down, s.Up} {
		in("start of swing", w.FromPct, 0, 100)
		in("its deviation", w.FromSigmaPct, 0, maxSwingPct)
		in("moved in a swing", w.MovedAh, -maxSumAh, maxSumAh)
		in("lost in a swing", w.LostAh, 0, maxSumAh)
		in("hours of a swing", w.Hours, 0, maxMoved)
	}
	in("least deviation of capacity", s.UpLeastSigma, 0, 1)
	for _, ah := range []float64{s.DrawnSinceChargeAh, s.ChargedAh, s.DrawnAh} {
		in("charge counted", ah, 0, maxSumAh)
	}
	in("charge stored", s.StoredAh, -maxSumAh, maxSumAh)
	last := s.Last
	if !last.NeighborA.OK() {
		last.CurrentA.Value += s.ZeroA // as it was read
	}
	if last.dropImpossible(); last.CurrentA.Quality != s.Last.CurrentA.Quality ||
		last.VoltageV != s.Last.VoltageV || last.TempC != s.Last.TempC {
		errs = append(errs, errors.New("last sample: impossible figures"))
	}
	return errors.Join(errs...)
}

// sane reports whether a filter can have come to this; one that has not begun is zero.
func (f *Filter) sane() bool {
	within := func(x, low, high float64) bool { return x >= low && x <= high } // false for NaN
	ok := within(f.X[iSoC], 0, 100) && within(math.Abs(f.X[iFullV]), 0, maxOffsetV) &&
		within(math.Abs(f.X[iEmptyV]), 0, maxOffsetV) && within(math.Abs(f.X[iDrop]), 0, maxDrop)
	for i := range states {
		for j := range states {
			most := (1+rounding)*math.Sqrt(f.P[i][i]*f.P[j][j]) + 1e-9
			ok = ok && within(f.P[i][i], 0, maxCovar) && within(math.Abs(f.P[i][j]), 0, most)
		}
		for k := range considerStates {
			ok = ok && within(math.Abs(f.Cross[i][k]), 0, maxCovar)
		}
	}
	return ok
}
