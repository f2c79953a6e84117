// Package estimate follows one battery: its state of charge by counted charge, put right by rested voltage, a charge seen
// to its end and the knee at the empty end; and its resistance from motor runs.
//
// State of charge is in percent of the present full capacity at the 20 h rate. What a rested voltage is worth depends on what
// came before it: charge leaves a surface charge that takes hours to go at rest and about 1 % of the capacity under load; a
// discharge leaves a dip that recovers in about an hour. Both are carried as states that say how far the terminals may still stand
// from the rested voltage. The published table is itself off by tens of millivolts for any one block, always the same way: readings of
// it within half a day count as one.
package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Params describes the battery. RatedAh is the 20 h capacity in ampere hours (> 0).
type Params struct {
	Chemistry leadacid.Chemistry
	RatedAh   float64
}

// Sample is one reading of a battery. What is not usable is marked so and ignored.
type Sample struct {
	At        time.Duration // monotonic
	VoltageV  float64
	CurrentA  float64 // positive into the battery
	TempC     float64
	VoltageOK bool
	CurrentOK bool
	TempOK    bool
	// Held says that the current before this sample held until now (the sample was taken at once on a change).
	// Otherwise the change is taken as even between the two.
	Held bool
}

// Limits and constants. Where no source is named, the figure is our choice.
const (
	maxGap         = 20 * time.Minute // longer without a current: what flowed is not known
	firstSigmaPct  = 30.0             // before any evidence
	knownSigmaPct  = 25.0             // above it, the charge counts as unknown
	offsetSigmaA   = 0.1              // current sensor's zero, as a class; its error grows with time
	gainSigma      = 0.01             // current sensor's gain
	restShare      = 0.012            // of the capacity per hour: below it the battery counts as at rest
	restFloorA     = 0.3              // as small as a ±200 A sensor can tell from zero
	surfaceV       = 0.5              // most that a charge leaves above the rested voltage
	surfaceDecay   = 3 * time.Hour    // published: 6 h or more to go by itself
	surfaceLoad    = 0.01             // of the capacity drawn takes most of it
	dipV           = 0.15             // most that a discharge leaves below
	dipDecay       = 30 * time.Minute // published: about 1 h to settle after a load
	memoryShare    = 0.02             // of the capacity moved builds either up
	tableShare     = 12 * time.Hour   // readings of the table closer than this count as one
	heldV          = 13.25            // above it a charger holds the voltage, or did until just now: no rest
	fullV25        = 13.5             // a charge this high, at 25 °C, ...
	fullShare      = 0.02             // ... that takes less than this of the capacity per hour ...
	fullHold       = 30 * time.Minute // ... for this long is at its end
	fullPct        = 99.0
	fullSigmaPct   = 2.0
	kneeV          = 10.8 // at a third of the capacity per hour or less; 10.5 V is the usual end of a 20 h discharge
	kneePct        = 2.0
	kneeSigmaPct   = 4.0
	rereadSigmaV   = 0.010
	unknownTempSgV = 0.015 // no thermometer: ±12 °C at about 1.2 mV per °C
	voltageTau     = 2 * time.Minute
)

// Battery is the estimator of one battery. It is not safe for concurrent use.
type Battery struct {
	p     Params
	begun bool
	last  Sample
	lastI time.Duration // instant of the last usable current
	everI bool

	soc      float64 // counted from the last anchor
	anchor   float64 // variance at that anchor, %²
	counted  float64 // standard deviation counted up since, %
	surface  float64 // V that the terminals may stand above the rested voltage
	dip      float64 // V that they may stand below
	restFor  time.Duration
	restedV  float64 // smoothed, 25 °C
	restNew  bool
	tableAt  time.Duration // last time the table was committed
	tableHad bool

	fullFor  time.Duration
	full     bool
	fullAt   time.Duration
	everFull bool
	knee     bool

	chargedAh, drawnAh float64

	settleV    float64 // settleSigmaV of the last step
	socNow     float64 // charge and its deviation after the last step, once asked for
	sigmaNow   float64
	haveNow    bool
	haveSettle bool
}

// New gives an estimator that knows nothing yet.
func New(p Params) *Battery { return &Battery{p: p} }

// Step takes one sample in. Samples come in order of time; one that is not later than the last is ignored.
func (b *Battery) Step(s Sample) {
	s = sane(s)
	if !b.begun {
		b.begin(s)
		return
	}
	dt := s.At - b.last.At
	if dt <= 0 {
		return
	}
	b.haveSettle = false
	if dt > maxGap && b.restNew {
		// What the rest said was of before the gap.
		b.commitRest(b.last)
		b.restNew, b.restFor = false, 0
	}
	b.relax(dt)
	b.count(s)
	b.watchRest(s, dt)
	b.watchFull(s, dt)
	b.watchKnee(s)
	b.last, b.haveNow, b.haveSettle = s, false, false
}

// sane drops what no battery shows, numbers that are none included, so that it cannot spread.
func sane(s Sample) Sample {
	within := func(x, limit float64) bool { return x >= -limit && x <= limit } // false for NaN
	s.VoltageOK = s.VoltageOK && within(s.VoltageV, 100)
	s.CurrentOK = s.CurrentOK && within(s.CurrentA, 5000)
	s.TempOK = s.TempOK && within(s.TempC, 200)
	return s
}

// begin takes the first sample: a wide guess, a little better where the battery is idle or lightly loaded.
func (b *Battery) begin(s Sample) {
	b.begun, b.last = true, s
	b.soc, b.anchor = 60, firstSigmaPct*firstSigmaPct
	b.surface, b.dip = surfaceV/2, dipV/2 // what came before is not known
	if s.CurrentOK {
		b.lastI, b.everI = s.At, true
	}
	if !s.VoltageOK || !s.CurrentOK || b.resting(s.CurrentA) {
		return
	}
	// A loaded voltage says something: about 0.4 V is lost at a fifth of the capacity per hour, growing with the root.
	if load := -s.CurrentA / b.p.RatedAh; load > 0 && load <= 0.4 {
		v25, _ := leadacid.RestedVAtReference(s.VoltageV+0.4*math.Sqrt(load/0.2), b.tempC(s))
		b.fuseTable(v25, 0.15)
	}
}

func (b *Battery) tempC(s Sample) float64 {
	if s.TempOK {
		return s.TempC
	}
	return leadacid.ReferenceC
}

func (b *Battery) resting(currentA float64) bool {
	return math.Abs(currentA) < max(restShare*b.p.RatedAh, restFloorA)
}

// relax lets surface charge and dip go with time.
func (b *Battery) relax(dt time.Duration) {
	b.surface *= 1 - ease(dt, surfaceDecay)
	b.dip *= 1 - ease(dt, dipDecay)
}

// ease is the share of an exponential approach made in dt; the rational form is close enough and costs no exp.
func ease(dt, tau time.Duration) float64 {
	x := float64(dt) / float64(tau)
	return x / (1 + x)
}

// count adds the charge moved since the last usable current.
func (b *Battery) count(s Sample) {
	if !s.CurrentOK {
		return
	}
	gap := s.At - b.lastI
	known := b.everI && gap <= maxGap
	b.lastI, b.everI = s.At, true
	if !known {
		// What flowed in between is not known: any charge is possible again after a day.
		days := float64(gap) / float64(24*time.Hour)
		b.counted += firstSigmaPct * min(1, days)
		return
	}
	mean := s.CurrentA
	if b.last.CurrentOK {
		mean = (b.last.CurrentA + s.CurrentA) / 2
		if s.Held {
			mean = b.last.CurrentA
		}
	}
	hours := gap.Hours()
	ah := mean * hours
	share := ah / b.p.RatedAh
	b.counted += (offsetSigmaA*hours + gainSigma*math.Abs(ah)) / b.p.RatedAh * 100
	if ah >= 0 {
		b.chargedAh += ah
		stored := leadacid.ChargeEfficiency(b.p.Chemistry, b.soc)
		b.counted += (1 - stored) * 0.5 * share * 100 // efficiency itself is known to about half of what it takes
		share *= stored
	} else {
		b.drawnAh -= ah
	}
	if !b.resting(mean) {
		b.remember(share)
	}
	b.soc = min(max(b.soc+100*share, 0), 100)
}

// remember builds up surface charge or dip with the share of the capacity moved.
func (b *Battery) remember(share float64) {
	if share >= 0 {
		b.surface += (surfaceV - b.surface) * min(1, share/memoryShare)
		b.dip *= 1 - min(1, share/memoryShare)
		return
	}
	b.dip += (dipV - b.dip) * min(1, -share/memoryShare)
	b.surface *= 1 - min(1, -share/surfaceLoad)
}

// watchRest smooths the voltage while the battery is at rest, and takes the reading in when the rest ends.
func (b *Battery) watchRest(s Sample, dt time.Duration) {
	if !s.CurrentOK || !s.VoltageOK || !b.resting(s.CurrentA) {
		if b.restNew && s.CurrentOK {
			b.commitRest(s)
		}
		b.restNew, b.restFor = false, 0
		return
	}
	v25, _ := leadacid.RestedVAtReference(s.VoltageV, b.tempC(s))
	if above := v25 - leadacid.RestedVFromSoC(b.p.Chemistry, 100); above > 0 {
		b.surface = max(b.surface, min(above, 2*surfaceV)) // no block rests above its table's end: charge shows
	}
	if v25 > heldV {
		b.restNew, b.restFor = false, 0
		return
	}
	if !b.restNew {
		b.restNew, b.restFor, b.restedV = true, 0, v25
		return
	}
	b.restFor += dt
	b.restedV += (v25 - b.restedV) * ease(dt, voltageTau)
}

// restReading gives what the rest so far says: the rested voltage expected at 25 °C, and its standard deviation in volts.
func (b *Battery) restReading() (v25, sigmaV float64) {
	settle := b.settleSigmaV()
	table := leadacid.TableSigmaV(b.p.Chemistry)
	return b.restedV - b.surface/2 + b.dip/2, math.Sqrt(table*table + settle*settle)
}

// settleSigmaV is how far the terminals may still stand from the rested voltage, and how well it is read.
func (b *Battery) settleSigmaV() float64 {
	if b.haveSettle {
		return b.settleV
	}
	temp := unknownTempSgV
	if b.last.TempOK {
		_, temp = leadacid.TemperatureShiftV(b.last.TempC)
	}
	b.settleV, b.haveSettle = math.Sqrt(sq(b.surface/2)+sq(b.dip/2)+sq(temp)+sq(rereadSigmaV)), true
	return b.settleV
}

func (b *Battery) commitRest(s Sample) {
	if b.restFor < voltageTau {
		return
	}
	v25, sigma := b.restReading()
	soc, variance := b.withTable(v25, sigma)
	b.setAnchor(soc, variance)
	b.tableAt, b.tableHad = s.At, true
}

// withTable gives the charge and its variance with a rested voltage taken in.
func (b *Battery) withTable(v25, sigmaV float64) (soc, variance float64) {
	z, slope := leadacid.SoCFromRestedV(b.p.Chemistry, v25)
	r := sq(sigmaV * slope)
	if b.tableHad && b.last.At-b.tableAt < tableShare {
		// Largely the same evidence as last time.
		r *= float64(tableShare) / float64(max(b.last.At-b.tableAt, time.Minute))
	}
	// Beyond the table's ends only "at least full" or "at most empty" is meant.
	z = min(max(z, 0), 100)
	p := b.variance()
	k := p / (p + r)
	return min(max(b.soc+k*(z-b.soc), 0), 100), p * (1 - k)
}

func (b *Battery) fuseTable(v25, sigmaV float64) { b.setAnchor(b.withTable(v25, sigmaV)) }

func (b *Battery) variance() float64 { return b.anchor + sq(b.counted) }

func (b *Battery) setAnchor(soc, variance float64) {
	b.soc, b.anchor, b.counted = soc, variance, 0
}

// watchFull sees the end of a charge: voltage held, current tapered off.
func (b *Battery) watchFull(s Sample, dt time.Duration) {
	if !s.CurrentOK || !s.VoltageOK {
		b.fullFor = 0
		return
	}
	held := s.VoltageV >= leadacid.ChargeLimitV(fullV25, b.tempC(s))
	small := s.CurrentA < fullShare*b.p.RatedAh && s.CurrentA > -offsetSigmaA*3
	if !held || !small {
		b.fullFor = 0
		b.full = b.full && held
		return
	}
	b.fullFor += dt
	if b.fullFor >= fullHold {
		if !b.full {
			b.fuse(fullPct, fullSigmaPct)
		}
		b.full, b.everFull, b.fullAt = true, true, s.At
	}
}

// watchKnee sees the steep end of a discharge.
func (b *Battery) watchKnee(s Sample) {
	if !s.CurrentOK || !s.VoltageOK {
		return
	}
	load := -s.CurrentA / b.p.RatedAh
	low := load > restShare && load <= 1.0/3 && s.VoltageV < kneeV
	if low && !b.knee {
		b.fuse(kneePct, kneeSigmaPct)
	}
	if low || s.VoltageV > kneeV+0.5 {
		b.knee = low
	}
}

// fuse takes in that the charge is socPct, give or take sigmaPct.
func (b *Battery) fuse(socPct, sigmaPct float64) {
	p := b.variance()
	// Evidence far outside what was thought possible: the start was wrong, not the evidence.
	p = max(p, sq(socPct-b.soc)/4)
	k := p / (p + sq(sigmaPct))
	b.setAnchor(b.soc+k*(socPct-b.soc), p*(1-k))
}

// SoC gives the state of charge in percent with its standard deviation; ok is false while it is not known well enough to be
// said.
func (b *Battery) SoC() (pct, sigmaPct float64, ok bool) {
	if !b.begun {
		return 0, 0, false
	}
	if !b.haveNow {
		soc, variance := b.soc, b.variance()
		if b.restNew && b.restFor >= voltageTau {
			v25, sigma := b.restReading()
			soc, variance = b.withTable(v25, sigma)
		}
		b.socNow, b.sigmaNow, b.haveNow = soc, math.Sqrt(variance), true
	}
	return b.socNow, b.sigmaNow, b.sigmaNow <= knownSigmaPct
}

// RestedV gives the smoothed voltage at rest at 25 °C and how far it may still stand from the settled one, in volts; ok is
// false when the battery is not at rest.
func (b *Battery) RestedV() (v25, sigmaV float64, ok bool) {
	if !b.restNew || b.restFor < voltageTau {
		return 0, 0, false
	}
	return b.restedV, b.settleSigmaV(), true
}

// RestFor gives how long the battery has been at rest.
func (b *Battery) RestFor() time.Duration { return b.restFor }

// Full gives the instant of the last charge seen to its end; ever is false before the first.
func (b *Battery) Full() (at time.Duration, ever bool) { return b.fullAt, b.everFull }

// ChargedAh and DrawnAh give the charge counted in and out, in ampere hours, both positive.
func (b *Battery) ChargedAh() float64 { return b.chargedAh }

// DrawnAh: see ChargedAh.
func (b *Battery) DrawnAh() float64 { return b.drawnAh }

func sq(x float64) float64 { return x * x }
