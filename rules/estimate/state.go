package estimate

import (
	"errors"
	"fmt"
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// State is all that an estimator knows, as plain values to be saved. Instants are on the caller's timeline, which goes on over a restart.
type State struct {
	Chemistry leadacid.Chemistry // whose battery it is
	RatedAh   float64
	Begun     bool
	Last      Sample // its current without the sensor's zero
	LastI     time.Duration
	EverI     bool

	ZeroA, ZeroVar                   float64
	CapAh, CapVar                    float64
	CapHad                           bool
	Swing                            Swing
	Filter                           Filter
	CountedSigmaPct                  float64
	MovedPct, MovedHours, ZeroVarWas float64
	SurfaceV, DipV                   float64
	RestFor                          time.Duration
	RestedV                          float64
	RestNew, Jumped                  bool
	TableAt                          time.Duration
	TableHad                         bool
	FallFromV                        float64
	FallAt                           time.Duration
	LoadFor                          time.Duration
	LoadA                            float64
	LoadRead                         time.Duration
	SinceCharge                      float64
	ChargeRead                       time.Duration
	FullFor, HeldFor                 time.Duration
	HeldA                            float64
	Full, Little                     bool
	FullRead                         time.Duration
	TaperPct                         float64
	TaperH, TaperVar                 float64
	SlopeFor                         time.Duration
	SlopeA, SlopeFromA, SlopeV       float64
	FullAt                           time.Duration
	EverFull                         bool
	Knee                             bool
	TauFor                           time.Duration
	TauTempC                         float64
	ChargedAh, DrawnAh, StoredAh     float64
}

// State gives what is known, to be saved.
func (b *Battery) State() State {
	return State{
		Chemistry: b.p.Chemistry, RatedAh: b.p.RatedAh, Begun: b.begun, Last: b.last, LastI: b.lastI, EverI: b.everI,
		ZeroA: b.zero, ZeroVar: b.zeroVar, CapAh: b.capAh, CapVar: b.capVar, CapHad: b.capHad, Swing: b.swing,
		Filter: b.f, CountedSigmaPct: b.counted, MovedPct: b.movedPct, MovedHours: b.movedHours, ZeroVarWas: b.zeroVarWas,
		SurfaceV: b.surface, DipV: b.dip,
		RestFor: b.restFor, RestedV: b.restedV, RestNew: b.restNew, FallFromV: b.fallFromV, FallAt: b.fallAt, Jumped: b.jumped, TableAt: b.tableAt, TableHad: b.tableHad,
		LoadFor: b.loadFor, LoadA: b.loadA, LoadRead: b.loadRead, SinceCharge: b.sinceCharge, ChargeRead: b.chargeRead,
		FullFor: b.fullFor, HeldFor: b.heldFor, HeldA: b.heldA, Full: b.full, Little: b.little, FullRead: b.fullRead, TaperPct: b.taper, FullAt: b.fullAt, EverFull: b.everFull, Knee: b.knee,
		TaperH: b.taperH, TaperVar: b.taperVar, SlopeFor: b.slopeFor, SlopeA: b.slopeA, SlopeFromA: b.slopeFromA, SlopeV: b.slopeV,
		TauFor: b.tauFor, TauTempC: b.tauTempC, ChargedAh: b.chargedAh, DrawnAh: b.drawnAh, StoredAh: b.storedAh,
	}
}

// Restore takes over what an estimator of the same battery knew; one that none can have known is refused with all that is wrong
// with it, and changes nothing.
func (b *Battery) Restore(s State) error {
	if err := s.check(b.p); err != nil {
		return fmt.Errorf("restore battery: %w", err)
	}
	*b = Battery{
		p: b.p, begun: s.Begun, last: s.Last, lastI: s.LastI, everI: s.EverI,
		zero: s.ZeroA, zeroVar: s.ZeroVar, capAh: s.CapAh, capVar: s.CapVar, capHad: s.CapHad, swing: s.Swing,
		f: s.Filter, counted: s.CountedSigmaPct, movedPct: s.MovedPct, movedHours: s.MovedHours, zeroVarWas: s.ZeroVarWas,
		surface: s.SurfaceV, dip: s.DipV,
		restFor: s.RestFor, restedV: s.RestedV, restNew: s.RestNew, fallFromV: s.FallFromV, fallAt: s.FallAt, jumped: s.Jumped, tableAt: s.TableAt, tableHad: s.TableHad,
		loadFor: s.LoadFor, loadA: s.LoadA, loadRead: s.LoadRead, sinceCharge: s.SinceCharge, chargeRead: s.ChargeRead,
		fullFor: s.FullFor, heldFor: s.HeldFor, heldA: s.HeldA, full: s.Full, little: s.Little, fullRead: s.FullRead, taper: s.TaperPct, fullAt: s.FullAt, everFull: s.EverFull, knee: s.Knee,
		taperH: s.TaperH, taperVar: s.TaperVar, slopeFor: s.SlopeFor, slopeA: s.SlopeA, slopeFromA: s.SlopeFromA, slopeV: s.SlopeV,
		tauFor: s.TauFor, tauTempC: s.TauTempC, chargedAh: s.ChargedAh, drawnAh: s.DrawnAh, storedAh: s.StoredAh,
	}
	return nil
}

func (s *State) check(p Params) error {
	var errs []error
	in := func(field string, got, low, high float64) {
		if !(got >= low && got <= high) { // NaN too
			errs = append(errs, fmt.Errorf("%s: got %g: want %g to %g", field, got, low, high))
		}
	}
	if s.Chemistry != p.Chemistry || s.RatedAh != p.RatedAh {
		errs = append(errs, fmt.Errorf("battery: got %v of %g Ah: want %v of %g Ah", s.Chemistry, s.RatedAh, p.Chemistry, p.RatedAh))
	}
	if s.Begun {
		in("capacity", s.CapAh, capLeast*p.RatedAh, max(capMost, 1)*p.RatedAh)
		in("variance of capacity", s.CapVar, 0, 1)
		in("variance of zero before", s.ZeroVarWas, zeroFloorA*zeroFloorA/2, 1)
		in("taper constant", s.TaperH, taperLeastH*0.999, taperMostH*1.001)
		in("its variance", s.TaperVar, 0, 1)
		in("variance of zero", s.ZeroVar, zeroFloorA*zeroFloorA/2, 1)
	}
	in("zero", s.ZeroA, -zeroMostA, zeroMostA)
	in("time loaded", float64(s.LoadFor), 0, 1e18)
	in("load", s.LoadA, -5001, 5001)
	in("drawn since a charge", s.SinceCharge, 0, 1e12)
	if !s.Filter.sane() {
		errs = append(errs, errors.New("filter: figures that can't be"))
	}
	in("deviation counted", s.CountedSigmaPct, 0, 1e9)
	in("moved", s.MovedPct, -1e9, 1e9)
	in("hours moved", s.MovedHours, 0, 1e9)
	in("surface charge", s.SurfaceV, 0, 2*surfaceV)
	in("dip", s.DipV, 0, dipV*1.001)
	in("rested voltage", s.RestedV, -200, 200)
	in("fall from", s.FallFromV, -200, 200)
	in("fall since", float64(s.FallAt), 0, 1e18)
	in("taper", s.TaperPct, 0, 1e6)
	in("charged", s.ChargedAh, 0, 1e12)
	in("drawn", s.DrawnAh, 0, 1e12)
	in("stored", s.StoredAh, -1e12, 1e12)
	in("time constant", s.TauFor.Hours(), 0, 1000)
	in("its temperature", s.TauTempC, -300, 200)
	in("top of swing", s.Swing.TopPct, 0, 100)
	in("deviation of top", s.Swing.TopSigmaPct, 0, 1e3)
	in("drawn in swing", s.Swing.DrawnAh, -1e12, 1e12)
	in("rest", float64(s.RestFor), 0, 1e18)
	in("fall", float64(s.SlopeFor), 0, 1e18)
	for _, x := range []float64{s.SlopeA, s.SlopeFromA, s.SlopeV} {
		in("fall of a taper", x, -1e7, 1e7)
	}
	in("held voltage", float64(s.FullFor), 0, 1e18)
	in("held charge", float64(s.HeldFor), 0, 1e18)
	in("its current", s.HeldA, -1e7, 1e7)
	if l := s.Last; l != sane(l) {
		errs = append(errs, errors.New("last sample: figures that can't be"))
	}
	return errors.Join(errs...)
}

// sane reports whether a filter can have come to this; that of one which has not begun is zero.
func (f *Filter) sane() bool {
	within := func(x, low, high float64) bool { return x >= low && x <= high } // false for NaN
	ok := within(f.X[iSoC], 0, 100) && within(math.Abs(f.X[iFullV]), 0, offsetMostV) && within(math.Abs(f.X[iEmptyV]), 0, offsetMostV) &&
		within(math.Abs(f.X[iDrop]), 0, dropMostShare)
	for i := range states {
		for j := range states {
			most := 1.001*math.Sqrt(f.P[i][i]*f.P[j][j]) + 1e-9
			ok = ok && within(f.P[i][i], 0, 1e5) && within(math.Abs(f.P[i][j]), 0, most)
		}
		for k := range considered {
			ok = ok && within(math.Abs(f.Cross[i][k]), 0, 1e5)
		}
	}
	return ok
}
