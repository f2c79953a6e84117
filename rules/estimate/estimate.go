// Package estimate follows one battery: its state of charge by counted charge, put right by rested voltage, a charge seen
// to its end and the knee at the empty end; the zero of its current sensor; and its capacity.
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
	// Idle says that neither feed nor motor is on: what flows is a trickle, and the current sensor's zero shows.
	Idle bool
	// Held says that the current before this sample held until now (the sample was taken at once on a change).
	// Otherwise the change is taken as even between the two.
	Held bool
}

// Limits and constants. Where no source is named, the figure is our choice.
const (
	maxGap         = 20 * time.Minute // longer without a current: what flowed is not known
	firstSigmaPct  = 30.0             // before any evidence
	knownSigmaPct  = 25.0             // above it, the charge counts as unknown
	zeroSigmaA     = 0.15             // current sensor's zero, as a class (±0.2 A), before it was seen at rest
	zeroMostA      = 0.25             // more is no offset of the class but a fault, or a drain
	zeroFloorA     = 0.05             // how well it can ever be known: what a parked bank gives is not
	idleA          = -0.03            // what a parked battery gives: the board, self-balancing
	idleSigmaA     = 0.06             // and how uncertain that is
	idleShare      = 2 * time.Hour    // readings closer than this count as one
	idleAfter      = 20 * time.Minute // of rest
	gainSigma      = 0.01             // current sensor's gain
	restShare      = 0.012            // of the capacity per hour: below it the battery counts as at rest
	restFloorA     = 0.3              // as small as a ±200 A sensor can tell from zero
	surfaceV       = 0.5              // most that a charge leaves above the rested voltage
	surfaceDecay   = 5 * time.Hour    // at 25 °C; published: 6 h or more to go by itself
	surfaceColdC   = 12.0             // °C colder make it twice as slow; between the rule of 10 °C and acid diffusion's 2 % per °C
	surfaceLoad    = 0.01             // of the capacity drawn takes most of it
	dipV           = 0.15             // most that a discharge leaves below
	dipDecay       = 30 * time.Minute // published: about 1 h to settle after a load
	memoryShare    = 0.02             // of the capacity moved builds either up
	tableShare     = 12 * time.Hour   // readings of the table closer than this count as one
	gasFromV       = 13.0             // under it gassing is too little to count
	heldV          = 13.25            // above it a charger holds the voltage, or did until just now: no rest
	fullV25        = 13.3             // a charge this high, at 25 °C (13.5 V is the least float setting, 0.2 V may be read low or compensated away), ...
	taperShare     = 0.04             // ... that takes less than this of the capacity per hour ...
	fullMissing    = 3.0              // % missing at most for a charge to count as full
	fullHold       = 30 * time.Minute // ... for this long is at its end, ...
	absorbHold     = 15 * time.Minute // ... or for this long where it is
	absorbV        = 13.9             // or more at 25 °C (14.2 V is the least absorption setting; a tap may read 0.15 V low, another thermometer compensate 0.1 V away): in float the current falls off long before
	fullAgain      = 10 * time.Minute // while it lasts, the taper is read again
	fullTau        = 1.2              // h: what is missing over the current; published and measured: 0.65 to 2 h, ...
	fullTauAGM     = 0.8              // ... of which an AGM block is at the quick end (common practice, no source)
	fullTauSigma   = 0.5              // relative, before it was seen how the current falls
	fullTauV       = 14.4             // at this voltage at 25 °C; at a lower one the current falls sooner
	fullRestV      = 12.8             // of a full block
	fullSigmaPct   = 0.7              // of an end of charge as such
	kneeV          = 10.8             // at a third of the capacity per hour or less; 10.5 V is the usual end of a 20 h discharge
	kneePct        = 2.0
	kneeSigmaPct   = 4.0
	rereadSigmaV   = 0.010
	bestSigmaPct   = 0.5   // no anchor is better, however often it is read
	unknownTempSgV = 0.015 // no thermometer: ±12 °C at about 1.2 mV per °C
	voltageTau     = 2 * time.Minute
	fallAfter      = 2 * time.Hour // of rest
	fallTime       = 3 * time.Hour
	fallSigmaV     = 0.008 // of the difference of two readings hours apart, at another temperature
	restJumpV      = 0.10  // between two readings of a resting battery
	aboveFullV     = 0.10  // over a full block's rested voltage
	aboveFullPct   = 6.0
	ratedSigma     = 0.15 // of the rated capacity, before a swing was seen
	swingLeast     = 0.3  // of the capacity, for a swing to tell something
	capLeast       = 0.2  // of the rated capacity
	capMost        = 1.4
	capKnownSigma  = 0.08 // relative; above it the capacity counts as unknown
)

// Battery is the estimator of one battery. It is not safe for concurrent use.
type Battery struct {
	p     Params
	begun bool
	last  Sample
	lastI time.Duration // instant of the last usable current
	everI bool

	zero                 float64 // A that the current sensor shows without current
	zeroVar              float64 // A²
	capAh                float64 // present full capacity
	capVar               float64 // relative variance of it
	capHad               bool    // learnt from at least one swing
	swing                Swing
	f                    Filter
	movedPct, movedHours float64 // counted since then
	zeroVarWas           float64 // then
	counted              float64 // standard deviation counted up since the last reading, of what is lost in charging and in gaps, %
	surface              float64 // V that the terminals may stand above the rested voltage
	dip                  float64 // V that they may stand below
	restFor              time.Duration
	restedV              float64 // smoothed, 25 °C
	restNew              bool
	fallFromV            float64 // restedV where the reading of its fall began, and when in the rest
	fallAt               time.Duration
	jumped               bool          // the last reading stood far from the smoothed one
	tableAt              time.Duration // last time the table was committed
	tableHad             bool

	loadFor     time.Duration // of a discharge, and its mean current
	loadA       float64
	loadRead    time.Duration // last time its voltage was read
	sinceCharge float64       // Ah drawn since the last charge
	chargeRead  time.Duration // last time a charge's voltage was read

	fullFor    time.Duration
	heldFor    time.Duration // a charge's voltage
	heldA      float64       // averaged
	little     bool          // and next to nothing
	full       bool
	fullRead   time.Duration // last time the taper was read
	taper      float64       // % missing by it
	taperH     float64       // h: what is missing over the current, at fullTauV
	taperVar   float64       // relative
	slopeFor   time.Duration // of a held charge without a break
	slopeA     float64       // its current now and where the reading of its fall began, without gas
	slopeFromA float64
	slopeV     float64
	fullAt     time.Duration
	everFull   bool
	knee       bool

	tauFor             time.Duration // of a surface charge, at tauTempC
	tauTempC           float64
	chargedAh, drawnAh float64
	storedAh           float64 // charged less drawn and less what charging loses

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
	if s.CurrentOK {
		s.CurrentA -= b.zero
	}
	b.haveSettle = false
	watched := dt
	if dt > maxGap {
		b.breakOff()
		watched = 0
	}
	b.relax(dt)
	b.count(s)
	b.watchRest(s, watched)
	b.watchFull(s, watched)
	b.watchLoad(s, watched)
	b.watchCharge(s)
	b.watchKnee(s)
	b.learnZero(s, watched)
	b.last, b.haveNow, b.haveSettle = s, false, false
}

// breakOff ends what was being watched: after a gap nobody knows how long it has lasted.
func (b *Battery) breakOff() {
	if b.restNew {
		b.commitRest(b.last) // what the rest said was of before the gap
	}
	b.restNew, b.restFor, b.loadFor = false, 0, 0
	b.endHeld()
}

// sane drops what no battery shows, numbers that are none included, so that it cannot spread.
func sane(s Sample) Sample {
	within := func(x, limit float64) bool { return x >= -limit && x <= limit } // false for NaN
	s.VoltageOK = s.VoltageOK && within(s.VoltageV, 100)
	s.CurrentOK = s.CurrentOK && within(s.CurrentA, 5000)
	s.TempOK = s.TempOK && within(s.TempC, 200)
	if !s.VoltageOK {
		s.VoltageV = 0
	}
	if !s.CurrentOK {
		s.CurrentA = 0
	}
	if !s.TempOK {
		s.TempC = 0
	}
	return s
}

// begin takes the first sample: a wide guess.
func (b *Battery) begin(s Sample) {
	b.begun, b.last = true, s
	b.f = newFilter(b.p.Chemistry)
	b.taperH, b.taperVar = fullTau, fullTauSigma*fullTauSigma
	if b.p.Chemistry == leadacid.AGM {
		b.taperH = fullTauAGM
	}
	b.zeroVar = zeroSigmaA * zeroSigmaA
	b.zeroVarWas = b.zeroVar
	b.capAh, b.capVar = b.p.RatedAh, ratedSigma*ratedSigma
	b.surface, b.dip = surfaceV/2, dipV/2 // what came before is not known
	if s.CurrentOK {
		b.lastI, b.everI = s.At, true
	}
	b.sinceCharge = fouetShare * b.capAh // a discharge under way is taken as past its first dip
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
	b.surface *= 1 - ease(dt, b.surfaceTau())
	b.dip *= 1 - ease(dt, dipDecay)
}

// surfaceTau gives how long a surface charge takes to fall to a third at the battery's temperature.
func (b *Battery) surfaceTau() time.Duration {
	if t := b.tempC(b.last); b.tauFor == 0 || math.Abs(t-b.tauTempC) > 1 {
		b.tauTempC = t
		b.tauFor = time.Duration(float64(surfaceDecay) * math.Exp2((leadacid.ReferenceC-min(max(t, -20), 50))/surfaceColdC))
	}
	return b.tauFor
}

// ease is the share of an exponential approach made in dt; the rational form is close enough and costs no exp.
func ease(dt, tau time.Duration) float64 {
	x := float64(dt) / float64(tau)
	return x / (1 + x)
}

// count adds the charge moved since the last usable current.
func (b *Battery) count(s Sample) {
	held := s.Held && b.last.CurrentOK
	if !s.CurrentOK && !held { // a motor's inrush goes beyond the sensor's range, and until it began the last current held
		return
	}
	gap := s.At - b.lastI
	known := b.everI && gap <= maxGap
	b.lastI, b.everI = s.At, true
	if !known {
		// What flowed in between is not known: any charge is possible again after a day.
		days := float64(gap) / float64(24*time.Hour)
		b.counted += firstSigmaPct * min(1, days)
		b.swing.Open = false
		return
	}
	mean := s.CurrentA
	switch {
	case held:
		mean = b.last.CurrentA
	case b.last.CurrentOK:
		mean = (b.last.CurrentA + s.CurrentA) / 2
	}
	hours := gap.Hours()
	ah := mean * hours
	stored := ah
	if ah >= 0 {
		b.chargedAh += ah
		lost := ah * (1 - leadacid.ChargeEfficiency(b.p.Chemistry))
		if s.VoltageOK && s.VoltageV > gasFromV {
			lost += leadacid.GassingA(b.p.Chemistry, b.p.RatedAh, s.VoltageV, b.tempC(s)) * hours
		}
		lost = min(lost, ah)
		stored -= lost
		b.counted += 50 * lost / b.capAh // known to a factor of two
	} else {
		b.drawnAh -= ah
	}
	b.storedAh += stored
	share := stored / b.capAh
	b.swing.DrawnAh -= stored
	if !b.resting(mean) {
		b.remember(share)
		b.sinceCharge = max(b.sinceCharge-stored, 0)
		if stored > 0 {
			b.sinceCharge *= 1 - min(1, share/memoryShare)
		}
	}
	b.f.X[iSoC] = min(max(b.f.X[iSoC]+100*share, 0), 100)
	b.movedPct += 100 * share
	b.movedHours += hours
}

// learnZero takes a reading of an idle bank that goes on resting as one of the current sensor's zero.
func (b *Battery) learnZero(s Sample, dt time.Duration) {
	if !s.Idle || !s.CurrentOK || !b.restNew || b.jumped || b.restFor < idleAfter || math.Abs(s.CurrentA) > 4*zeroMostA {
		return
	}
	// Until the battery has settled, more than a trickle may flow between it and its neighbours.
	settle := 0.3 * (1 - ease(b.restFor, time.Hour))
	r := (idleSigmaA*idleSigmaA + settle*settle) * float64(idleShare) / float64(max(dt, time.Millisecond))
	k := b.zeroVar / (b.zeroVar + r)
	b.zero = min(max(b.zero+k*(s.CurrentA-idleA), -zeroMostA), zeroMostA)
	b.zeroVar = max(b.zeroVar*(1-k), zeroFloorA*zeroFloorA)
}

// ZeroA gives what the current sensor shows without current, in amperes, and its standard deviation.
func (b *Battery) ZeroA() (zeroA, sigmaA float64) { return b.zero, math.Sqrt(b.zeroVar) }

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
		b.restNew, b.restFor, b.restedV, b.jumped = true, 0, v25, false
		return
	}
	b.restFor += dt
	if jump := math.Abs(v25-b.restedV) > restJumpV; jump && !b.jumped {
		b.jumped = true // a load whose current is not in this reading yet, or a bad reading: wait for the next
		return
	}
	b.jumped = false
	b.restedV += (v25 - b.restedV) * ease(dt, voltageTau)
	b.watchFall()
	if b.restFor >= tableShare && (!b.tableHad || s.At-b.tableAt >= tableShare) {
		b.commitRest(s) // a long rest speaks more than once: a small drain counts up meanwhile
	}
}

// watchFall bounds the surface charge by how much the voltage of a resting battery falls: one that stands still has none left, whatever came
// before. The dip of a discharge must be over first.
func (b *Battery) watchFall() {
	if b.restFor < fallAfter {
		b.fallFromV, b.fallAt = b.restedV, b.restFor
		return
	}
	span := b.restFor - b.fallAt
	if span < fallTime {
		return
	}
	share := ease(span, b.surfaceTau()) // of a surface charge, gone meanwhile
	b.surface = min(b.surface, (max(b.fallFromV-b.restedV, 0)+fallSigmaV)/share)
	b.fallFromV, b.fallAt = b.restedV, b.restFor
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
	b.settle()
	b.learnFromRest()
	b.takeRest(&b.f)
	if sigma := math.Sqrt(b.f.P[iSoC][iSoC]); !b.swing.Open && sigma <= topSigmaPct && b.f.X[iSoC] >= topLeastPct {
		b.swing = Swing{Open: true, TopPct: b.f.X[iSoC], TopSigmaPct: sigma}
	}
	b.tableAt, b.tableHad = s.At, true
}

// settle makes what was counted since the last reading part of the filter's deviations.
func (b *Battery) settle() {
	b.counting(&b.f)
	b.counted, b.movedPct, b.movedHours, b.zeroVarWas = 0, 0, 0, b.zeroVar
}

// counting brings f's deviations up to what was counted since the last reading.
func (b *Battery) counting(f *Filter) {
	for i := range states {
		f.Cross[i][kZero] *= b.zeroVar / b.zeroVarWas
	}
	f.move(b.movedPct, 100*b.movedHours/b.capAh, b.capVar+gainSigma*gainSigma, b.zeroVar)
	f.drift(b.movedHours)
	f.widen(sq(b.counted))
}

// variance gives that of the charge as counting leaves it.
func (b *Battery) variance() float64 {
	c := b.f.Cross[iSoC]
	c[kZero] *= b.zeroVar / b.zeroVarWas
	p := moved(b.f.P[iSoC][iSoC], &c, b.movedPct, 100*b.movedHours/b.capAh, b.capVar+gainSigma*gainSigma, b.zeroVar)
	return widened(p, sq(b.counted))
}

// restNowV is the rested voltage at 25 °C that the rest so far leads to expect.
func (b *Battery) restNowV() float64 { return b.restedV - b.surface/2 + b.dip/2 }

// takeRest takes the rest so far into f.
func (b *Battery) takeRest(f *Filter) {
	r := b.settleSigmaV()
	if b.tableHad && b.last.At-b.tableAt < tableShare {
		// Largely the same evidence as last time.
		r *= math.Sqrt(float64(tableShare) / float64(max(b.last.At-b.tableAt, time.Minute)))
	}
	v25 := b.restNowV()
	if v25 > leadacid.RestedVFromSoC(b.p.Chemistry, 100)+aboveFullV && b.restFor >= idleAfter {
		f.takeSoC(100, aboveFullPct) // only a charge near its end leaves so much
	}
	f.takeRested(b.p.Chemistry, v25, r)
}

// watchFull sees the end of a charge: voltage held, current tapered off. What is then still missing is some time's worth of the
// current; the longer it lasts, the less.
func (b *Battery) watchFull(s Sample, dt time.Duration) {
	if !s.CurrentOK || !s.VoltageOK {
		b.fullFor, b.slopeFor, b.heldFor, b.little = 0, 0, 0, false
		return
	}
	limit := leadacid.ChargeLimitV(fullV25, b.tempC(s))
	if s.VoltageV < limit {
		b.endHeld()
		return
	}
	v25 := s.VoltageV - limit + fullV25
	gas := leadacid.GassingA(b.p.Chemistry, b.p.RatedAh, s.VoltageV, b.tempC(s))
	taper := s.CurrentA - gas
	b.watchTaper(s, taper, v25, dt)
	b.watchLittle(taper, v25, dt)
	if !(taper < taperShare*b.p.RatedAh && s.CurrentA > -restFloorA) {
		b.fullFor = 0
		b.readTaper(s, v25, gas)
		return
	}
	b.fullFor += dt
	if b.fullFor < fullHold && (b.fullFor < absorbHold || v25 < absorbV) {
		b.readEarly(s, v25, taper, gas)
		return
	}
	if !b.full || s.At-b.fullRead >= fullAgain {
		missing, sigma := b.missing(taper, v25, gas, b.cold(s))
		if b.full {
			sigma *= 2.5 // much the same evidence as ten minutes ago
		}
		b.settle()
		b.f.takeSoC(100-missing, sigma)
		b.taper, b.fullRead = missing, s.At
		b.swing = Swing{Open: true, TopPct: b.f.X[iSoC], TopSigmaPct: math.Sqrt(b.f.P[iSoC][iSoC])}
	}
	b.full = true
	if b.taper <= fullMissing {
		b.everFull, b.fullAt = true, s.At
	}
}

// endHeld: the charger no longer holds the voltage.
func (b *Battery) endHeld() {
	b.fullFor, b.slopeFor, b.heldFor, b.full, b.little = 0, 0, 0, false, false
}

// watchKnee sees the steep end of a discharge.
func (b *Battery) watchKnee(s Sample) {
	if !s.CurrentOK || !s.VoltageOK {
		return
	}
	load := -s.CurrentA / b.p.RatedAh
	low := load > restShare && load <= 1.0/3 && s.VoltageV < kneeV && s.VoltageV > deadV
	if low && !b.knee {
		b.settle()
		left, sigma := leadacid.LeftPct(b.p.Chemistry, load, b.tempC(s))
		left, sigma = left+kneePct, math.Hypot(kneeSigmaPct, sigma)
		b.learnCapacity(left, sigma, gainSigma)
		b.f.takeSoC(left, sigma)
	}
	if low || s.VoltageV > kneeV+0.5 {
		b.knee = low
	}
}

// SoC gives the state of charge in percent with its standard deviation; ok is false while it is not known well enough to be
// said.
func (b *Battery) SoC() (pct, sigmaPct float64, ok bool) {
	if !b.begun {
		return 0, 0, false
	}
	if !b.haveNow {
		soc, variance := b.f.X[iSoC], b.variance()
		if b.restNew && b.restFor >= voltageTau {
			f := b.f
			b.counting(&f)
			b.takeRest(&f)
			soc, variance = f.X[iSoC], f.P[iSoC][iSoC]
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

// StoredAh gives the charge counted in less that counted out and less what charging loses, in ampere hours. Nothing but the current is in it.
func (b *Battery) StoredAh() float64 { return b.storedAh }

func sq(x float64) float64 { return x * x }
