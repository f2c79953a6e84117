package estimate

import (
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
	Unseen             Unseen
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

// rounding is by how much a saved figure may be past a bound of the estimator itself.
const rounding = 0.001 // ratio: of the bound; our choice

func (s *State) check(p Params) error {
	var c unit.Check
	if !p.Chemistry.Is(s.Chemistry) || s.RatedAh != p.RatedAh {
		c.Wrong("battery: got %v of %g Ah: want %v of %g Ah", s.Chemistry, s.RatedAh, p.Chemistry, p.RatedAh)
	}
	if s.Begun {
		c.In("capacity", s.CapAh, minCap*p.RatedAh, max(maxCap, 1)*p.RatedAh)
		c.In("variance of capacity", s.CapVar, 0, 1)
		c.In("variance of zero", s.ZeroVar, minZeroSigmaA*minZeroSigmaA/2, maxZeroVar)
		c.In("variance of zero before", s.ZeroVarThen, minZeroSigmaA*minZeroSigmaA/2, maxZeroVar)
		c.In("taper constant", s.TaperH, minTaperH*(1-rounding), maxTaperH*(1+rounding))
		c.In("its variance", s.TaperVar, 0, 1)
	}
	if !s.Filter.sane() {
		c.Wrong("filter: impossible figures")
	}
	c.In("zero", s.ZeroA, -p.maxZeroA(), p.maxZeroA())
	c.Finite("moved", s.MovedPct, s.Down.MovedAh, s.Up.MovedAh)
	c.Sum("deviation", s.CountedSigmaPct, s.Said.Sigma, s.Down.FromSigmaPct, s.Up.FromSigmaPct)
	c.Sum("hours", s.MovedHours, s.Down.Hours, s.Up.Hours)
	c.In("surface charge", s.SurfaceV, 0, maxSurfaceV)
	c.In("dip", s.DipV, 0, dipV*(1+rounding))
	c.In("its temperature", s.SurfaceTauC, -maxTempC, maxTempC)
	c.In("rested voltage", s.RestedV, -2*maxVoltageV, 2*maxVoltageV)
	c.In("rested voltage", s.FallFromV, -2*maxVoltageV, 2*maxVoltageV)
	c.Time("time in a state", s.RestFor, s.FallAt, s.LoadFor, s.SlopeFor, s.TaperFor, s.HeldFor, s.SurfaceTau, s.Knee.For)
	c.Sum("usual use", s.Blind.UsePct, s.Blind.UseAh, s.Blind.UseDays)
	c.In("voltage during work", s.Unseen.LowV, -2*maxVoltageV, 2*maxVoltageV)
	c.In("voltage during work", s.Unseen.TopV, -2*maxVoltageV, 2*maxVoltageV)
	c.Finite("charge during work", s.Unseen.InPct)
	c.In("load", s.LoadA, -maxCurrentA-1, maxCurrentA+1)
	c.Sum("taper", s.MissingPct)
	c.Finite("held charge", s.SlopeA, s.SlopeFromA, s.SlopeV, s.HeldA)
	for _, pct := range []float64{s.Said.Value, s.Down.FromPct, s.Up.FromPct} {
		c.In("charge", pct, 0, 100)
	}
	c.In("least deviation of capacity", s.UpLeastSigma, 0, 1)
	c.Sum("charge counted", s.DrawnSinceChargeAh, s.ChargedAh, s.DrawnAh, s.Down.LostAh, s.Up.LostAh)
	c.Finite("charge stored", s.StoredAh)
	last := s.Last
	if !last.NeighborA.OK() {
		last.CurrentA.Value += s.ZeroA // as it was read
	}
	if last.dropImpossible(); last.CurrentA.Quality != s.Last.CurrentA.Quality ||
		last.VoltageV != s.Last.VoltageV || last.TempC != s.Last.TempC {
		c.Wrong("last sample: impossible figures")
	}
	return c.Err()
}

// sane reports whether a filter can have come to this; one that has not begun is zero.
func (f *Filter) sane() bool {
	var c unit.Check
	within := func(x, low, high float64) bool { return x >= low && x <= high } // false for NaN
	ok := within(f.X[iSoC], 0, 100) && within(math.Abs(f.X[iFullV]), 0, maxOffsetV) &&
		within(math.Abs(f.X[iEmptyV]), 0, maxOffsetV) && within(math.Abs(f.X[iDrop]), 0, maxDrop)
	for i := range states {
		c.Sum("", f.P[i][i])
		for j := range states {
			most := (1+rounding)*math.Sqrt(f.P[i][i]*f.P[j][j]) + 1e-9
			ok = ok && within(math.Abs(f.P[i][j]), 0, most)
		}
		for k := range considerStates {
			c.Finite("", f.Cross[i][k])
		}
	}
	return ok && c.Err() == nil
}
