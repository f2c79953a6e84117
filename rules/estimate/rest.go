package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Surface is how far the terminals may be from the rested voltage after what came before. Exported
// only to be saved.
type Surface struct {
	SurfaceV    float64       // that they may be above it, after a charge
	DipV        float64       // that they may be below it, after a discharge
	SurfaceTau  time.Duration // of the surface charge, at ...
	SurfaceTauC float64       // ... this temperature
}

// Rest is a rest of the battery, and what its voltage says. Exported only to be saved.
type Rest struct {
	Surface
	Resting   bool
	RestFor   time.Duration
	RestedV   float64       // smoothed, at 25 °C
	Jumped    bool          // the last reading was far from the smoothed one
	FallFromV float64       // RestedV where the reading of its fall began ...
	FallAt    time.Duration // ... and when in the rest
	TableAt   time.Duration // last time the table was read
	TableRead bool
	AfterPast bool // a charge went past the sensor, and what it left above the rested voltage still shows
}

// What a rest says.
const (
	surfaceV     = 0.5              // V: most that a charge leaves above the rested voltage; our choice
	surfaceDecay = 5 * time.Hour    // at 25 °C; published: post on solar and RV practice, 6 h or more
	surfaceStepC = 1.0              // °C: change worth calculating it again; our choice
	surfaceLoad  = 0.01             // ratio: capacity drawn that takes most of it; our choice
	dipV         = 0.15             // V: most that a discharge leaves below; our choice
	dipDecay     = 30 * time.Minute // of the voltage, at rest; our choice
	memoryShare  = 0.02             // ratio: capacity moved that builds either up; our choice
	tableShare   = 12 * time.Hour   // closer readings of the table count as one; our choice
	heldV        = 13.25            // V: above it a charger holds the voltage, or did until just now; our choice
	noTempSigmaV = 0.015            // V: no thermometer, ±12 °C at about 1.2 mV per °C; our choice
	voltageTau   = 2 * time.Minute  // smoothing of the voltage at rest; our choice
	minReread    = time.Minute      // least time between readings of the table, as evidence; our choice
	fallAfter    = 2 * time.Hour    // of rest, before the fall of the voltage is read; our choice
	fallTime     = 3 * time.Hour    // over which it is read; our choice
	fallSigmaV   = 0.008            // V: of two readings hours apart, at another temperature; our choice
	restJumpV    = 0.10             // V: between two readings of a resting battery; our choice
	aboveFullV   = 0.10             // V: over a full block's rested voltage; our choice
	aboveFullPct = 6.0              // %: charge below full that leaves so much; our choice
	maxSurfaceV  = 2 * surfaceV     // V: that a block can be above its table's end; our choice
)

// relax lets surface charge and dip go with time.
func (s *Surface) relax(dt time.Duration, tempC float64) {
	s.SurfaceV *= 1 - approach(dt, s.tau(tempC))
	s.DipV *= 1 - approach(dt, dipDecay)
}

// tau returns how long a surface charge takes to fall to a third at a temperature.
func (s *Surface) tau(tempC float64) time.Duration {
	if s.SurfaceTau == 0 || math.Abs(tempC-s.SurfaceTauC) > surfaceStepC {
		s.SurfaceTauC = tempC
		s.SurfaceTau = time.Duration(float64(surfaceDecay) * leadacid.SurfaceSlowing(tempC))
	}
	return s.SurfaceTau
}

// build builds up surface charge or dip with the share of the capacity moved.
func (s *Surface) build(share float64) {
	if share >= 0 {
		s.SurfaceV += (surfaceV - s.SurfaceV) * min(1, share/memoryShare)
		s.DipV *= 1 - min(1, share/memoryShare)
		return
	}
	s.DipV += (dipV - s.DipV) * min(1, -share/memoryShare)
	s.SurfaceV *= 1 - min(1, -share/surfaceLoad)
}

// end: the battery is not at rest, or not known to be.
func (r *Rest) end() { r.Resting, r.RestFor = false, 0 }

// readable reports whether there is a rest long enough for its voltage to say something.
func (r *Rest) readable() bool { return r.Resting && r.RestFor >= voltageTau }

// watchFall bounds the surface charge by how much the voltage of a resting battery falls: one that
// stands still has none left, whatever came before. The dip of a discharge must be over first.
func (r *Rest) watchFall(tempC float64) {
	if r.RestFor < fallAfter {
		r.FallFromV, r.FallAt = r.RestedV, r.RestFor
		return
	}
	span := r.RestFor - r.FallAt
	if span < fallTime {
		return
	}
	share := approach(span, r.tau(tempC)) // of a surface charge, gone meanwhile
	r.SurfaceV = min(r.SurfaceV, (max(r.FallFromV-r.RestedV, 0)+fallSigmaV)/share)
	r.FallFromV, r.FallAt = r.RestedV, r.RestFor
}

const openSigmas = 2.0 // ratio: of a zero's deviation, a current that may be none; our choice

// settledV is the rested voltage at 25 °C that the rest so far leads to expect.
func (r *Rest) settledV() float64 { return r.RestedV - r.SurfaceV/2 + r.DipV/2 }

// sigmaV is how far the terminals may still stand from the rested voltage, and how well it is read.
func (r *Rest) sigmaV(last *Sample, p *Params) float64 {
	return math.Sqrt(sq(r.unsettledV()) + sq(last.tempSigmaV()) + sq(p.Voltage.Zero))
}

// unsettledV is how far the terminals may still stand from the rested voltage.
func (r *Rest) unsettledV() float64 { return math.Hypot(r.SurfaceV/2, r.DipV/2) }

// stringBelow reports whether the batteries in series of which this is an upper one rest, on the mean, no higher
// than full ones do.
func (in *Sample) stringBelow(p *Params) bool {
	v25, _ := leadacid.RestedVAtReference(in.StringV.Value, in.tempC())
	return in.StringV.OK() && p.stands() && v25 <= p.Chemistry.RestedVFromSoC(100)+in.aboveFullV()
}

// aboveFullV is how far above a full block's rested voltage only a charge near its end leaves one. In a string, whose
// charge ends where its fullest battery does, one in frost stands that high long before: the more so the slower its
// plates are.
func (in *Sample) aboveFullV() float64 {
	if !in.StringV.OK() {
		return aboveFullV
	}
	return aboveFullV * coldPlates(in.tempC())
}

// tempSigmaV is how well a rested voltage is known for its temperature.
func (in *Sample) tempSigmaV() float64 {
	if !in.TempC.OK() {
		return noTempSigmaV
	}
	_, sigma := leadacid.TemperatureShiftV(in.TempC.Value)
	return sigma
}

// into takes the rest so far into f; last is the sample that it has come to, and capSigma how well
// the capacity is known, as a share of it.
func (r *Rest) into(f *Filter, last *Sample, capSigma float64, p *Params) {
	share := 1.0
	if r.TableRead && last.At-r.TableAt < tableShare {
		// Largely the same evidence as last time.
		share = float64(max(last.At-r.TableAt, minReread)) / float64(tableShare)
	}
	v25 := r.settledV()
	above := v25 - p.Chemistry.RestedVFromSoC(100)
	if above > last.aboveFullV() && r.RestFor >= idleAfter && !r.AfterPast && !last.stringBelow(p) {
		f.updateSoC(100, aboveFullPct) // only a charge near its end leaves so much
	}
	f.updateRested(p.Chemistry, v25, r.unsettledV(), last.tempSigmaV(), share, capSigma)
}

// watchRest smooths the voltage while the battery is at rest, and takes the reading in when the
// rest ends.
func (b *Battery) watchRest(in *Sample, dt time.Duration) {
	r := &b.s.Rest
	// Without a current, nothing on for long is a rest.
	still := in.CurrentA.OK() && b.limits.resting(in.CurrentA.Value) || b.s.Blind.Blind && in.Idle
	if open := openSigmas * in.Zero.Sigma; !still && in.Idle && in.CurrentA.OK() && open >= b.limits.restA {
		// What the sensor shows may be its zero. If it is a load, the voltage is below the rested one.
		if still = math.Abs(in.CurrentA.Value) < open; still {
			r.DipV = max(r.DipV, min(leadacid.LoadedDropV(math.Abs(in.CurrentA.Value)/b.s.CapAh), dipV))
		}
	}
	if !in.VoltageV.OK() || !still {
		if r.Resting && (in.CurrentA.OK() || b.s.Blind.Blind) {
			b.commitRest(in)
		}
		r.end()
		return
	}
	v25, _ := leadacid.RestedVAtReference(in.VoltageV.Value, in.tempC())
	if r.Resting && !r.Jumped && math.Abs(v25-r.RestedV) > restJumpV {
		// A load whose current is not in this reading yet, or a bad reading: wait for the next.
		r.RestFor += dt
		r.Jumped = true
		return
	}
	if above := v25 - b.p.Chemistry.RestedVFromSoC(100); above > 0 {
		// No block rests above its table's end: charge shows.
		r.SurfaceV = max(r.SurfaceV, min(above, maxSurfaceV))
	}
	if v25 > heldV {
		if r.Resting {
			b.commitRest(in)
		}
		r.end()
		return
	}
	if !r.Resting {
		r.Resting, r.RestFor, r.RestedV, r.Jumped = true, 0, v25, false
		return
	}
	r.RestFor += dt
	r.Jumped = false
	r.RestedV += (v25 - r.RestedV) * approach(dt, voltageTau)
	r.AfterPast = r.AfterPast && r.RestedV > b.p.Chemistry.RestedVFromSoC(100)
	r.watchFall(b.s.Last.tempC())
	if r.RestFor >= tableShare && (!r.TableRead || in.At-r.TableAt >= tableShare) {
		b.commitRest(in) // a long rest speaks more than once: a small drain counts up meanwhile
	}
}

// commitRest takes in what the rest so far says of charge and capacity.
func (b *Battery) commitRest(in *Sample) {
	r := &b.s.Rest
	if r.RestFor < voltageTau {
		return
	}
	known := &b.s.Belief
	known.settle(&b.p)
	known.learnFromRest(r.settledV(), r.sigmaV(&b.s.Last, &b.p), &b.p)
	h, expected := known.Filter.rested(b.p.Chemistry)
	same := sq(b.s.Last.tempSigmaV()) + sq(shapePart*b.p.Chemistry.RestedSigmaV)
	known.tellZero(&h, r.settledV()-expected, sq(r.unsettledV())+same)
	r.into(&known.Filter, &b.s.Last, math.Sqrt(known.CapVar), &b.p)
	sigma := math.Sqrt(known.Filter.P[iSoC][iSoC])
	if !known.Down.Open && sigma <= topSigmaPct && known.Filter.X[iSoC] >= topMinPct {
		known.top()
	}
	r.TableAt, r.TableRead = in.At, true
}
