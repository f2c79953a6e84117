// Package estimate follows one battery: its state of charge by counted charge, corrected by rested
// voltage, a charge seen to its end and the knee at the empty end; the zero of its current sensor;
// and its capacity.
//
// State of charge is in percent of the present full capacity at the 20 h rate. What a rested
// voltage is worth depends on what came before it: a charge leaves a surface charge that takes
// hours to go at rest and about 1 % of the capacity under load; a discharge leaves a dip that
// recovers in about an hour. Both are states that say how far the terminals may still be from the
// rested voltage. The published table is off by tens of millivolts for any one block, always the
// same way: readings of it within half a day count as one.
package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Params describes the battery and its sensors. A class that is zero is that of unit.DefaultClass.
type Params struct {
	Chemistry *leadacid.Chemistry
	RatedAh   float64 // 20 h capacity, Ah; > 0
	Voltage   unit.SensorClass
	Current   unit.SensorClass
}

// Facts are what the readings of a battery do not say.
type Facts struct {
	// Idle says that neither feed nor motor is on: what flows is a trickle, and the current
	// sensor's zero shows.
	Idle bool
	// Held says that the current before these readings held until now: they were taken at once on a
	// change. Otherwise the change is taken as even between the two.
	Held bool
}

// Sample is what is known of one instant. Readings that are not usable are zero.
type Sample struct {
	At time.Duration // monotonic
	unit.Battery
	Facts
}

// Counting: what the current sensor leaves open, and when the battery is at rest.
const (
	maxGap         = 20 * time.Minute // without a current, for what flowed to be known; our choice
	firstSigmaPct  = 30.0             // %: charge before any evidence; our choice
	maxSigmaFactor = 1.5              // ratio: of that, squared, the most that counting leaves; our choice
	knownSigmaPct  = 25.0             // %: above it the charge counts as unknown; our choice
	startPct       = 60.0             // %: charge before any evidence; our choice
	minZeroSigmaA  = 0.05             // A: how well a zero can be known, beside what a parked bank gives; our choice
	zeroShare      = 0.75             // ratio: deviation of a zero over its class, before it was seen at rest; our choice
	maxZero        = 1.25             // ratio: of its class, more is a fault or a drain; our choice
	maxIdle        = 4                // ratio: of that, more is no trickle, and says nothing of a zero; our choice
	minRest        = 1.5              // ratio: of a zero's class, as small as the sensor can tell from none; our choice
	idleA          = -0.03            // A: what a parked battery gives to the board and itself; our choice
	idleSigmaA     = 0.06             // A: how uncertain that is; our choice
	unsettledA     = 0.3              // A: what may flow between neighbors at first in a rest; our choice
	unsettledFor   = time.Hour        // for that to go; our choice
	idleShare      = 2 * time.Hour    // closer readings of a zero count as one; our choice
	idleAfter      = 20 * time.Minute // of rest, before a zero is read; our choice
	restShare      = 0.012            // 1/h: current over capacity below which the battery is at rest; our choice
	gasFromV       = 13.0             // V: below it gassing is too little to count; our choice
	lossSigma      = 0.5              // ratio: of what charging loses, known to a factor of two; our choice

	maxVoltageV = 100.0  // V: of a reading; our choice
	maxCurrentA = 5000.0 // A: of a reading; our choice
	maxTempC    = 200.0  // °C: of a reading; our choice
)

// Rest. In the cold a surface charge goes more slowly: between the rule for reactions, a factor of
// two per 10 °C, and diffusion in acid, 2 % per °C.
const (
	surfaceV     = 0.5              // V: most that a charge leaves above the rested voltage; our choice
	surfaceDecay = 5 * time.Hour    // at 25 °C; published: post on solar and RV practice, 6 h or more
	surfaceColdC = 12.0             // °C: so much colder make it twice as slow; our choice
	minSurfaceC  = -20.0            // °C: colder changes nothing more; our choice
	maxSurfaceC  = 50.0             // °C: nor does warmer; our choice
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

// The end of a charge, and of a discharge.
//
// The least float setting published is 13.5 V and the least absorption setting 14.2 V. A tap may
// read low, and another thermometer may compensate some of it away.
const (
	minFloatV     = 13.5             // V: least float setting at 25 °C; published: float settings
	floatSlackV   = 0.055            // V: of that, compensated away; our choice
	minAbsorbV    = 14.2             // V: least absorption setting at 25 °C; published: absorption settings
	absorbSlackV  = 0.148            // V: of that, compensated away; our choice
	taperShare    = 0.04             // 1/h: current over capacity, or less; our choice
	maxMissingPct = 3.0              // %: missing, for a charge to count as full; our choice
	fullHold      = 30 * time.Minute // of both; our choice
	absorbHold    = 15 * time.Minute // of both, at absorption voltage; our choice
	fullAgain     = 10 * time.Minute // while it lasts, the taper is read again; our choice
	againSigma    = 2.5              // ratio: much the same evidence as last time; our choice
	fullTauSigma  = 0.5              // ratio: of Chemistry.TaperH, before it was seen how the current falls; our choice
	fullSigmaPct  = 0.7              // %: of an end of charge as such; our choice
	kneeV         = 10.8             // V: near 10.5 V, the usual end of a 20 h discharge; our choice
	kneeBackV     = 0.5              // V: above that, for a knee to be over; our choice
	kneeMaxLoad   = 1.0 / 3          // 1/h: current over capacity, for a low voltage to be the knee; our choice
	kneePct       = 2.0              // %: left there beyond what the rate leaves; our choice
	kneeSigmaPct  = 4.0              // %: of that; our choice
	bestSigmaPct  = 0.5              // %: no evidence of a charge is better, however often it is read; our choice
)

// Capacity.
const (
	minSwing      = 0.3  // ratio: of the capacity, for a swing to tell something; our choice
	minCap        = 0.2  // ratio: of the rated capacity; our choice
	maxCap        = 1.4  // ratio: of the rated capacity; our choice
	capKnownSigma = 0.08 // ratio: above it the capacity counts as unknown; our choice
)

// Battery is the estimator of one battery. It is not safe for concurrent use.
type Battery struct {
	p      Params
	s      State
	limits limits

	settleV    float64 // settleSigmaV of the last step
	haveSettle bool
	soc        unit.Estimate // after the last step, once asked for
	haveSoC    bool
}

// limits are what follows from the class of the sensors.
type limits struct {
	restA   float64 // current below which the battery is at rest
	fullV25 float64 // held at 25 °C or above, for a charge to be at its end
	absorbV float64 // or at this, with which it is in absorption: in float the current falls off long before
}

func (p *Params) limits() limits {
	return limits{
		restA:   max(restShare*p.RatedAh, minRest*p.Current.Zero),
		fullV25: minFloatV - floatSlackV - p.Voltage.ReadLow(minFloatV),
		absorbV: minAbsorbV - absorbSlackV - p.Voltage.ReadLow(minAbsorbV),
	}
}

func (p *Params) maxZeroA() float64 { return maxZero * p.Current.Zero }

// New returns an estimator that knows nothing yet.
func New(p Params) *Battery {
	p.Voltage = p.Voltage.Or(unit.DefaultClass(unit.BatteryVoltage))
	p.Current = p.Current.Or(unit.DefaultClass(unit.BatteryCurrent))
	return &Battery{limits: p.limits(), p: p, s: State{Chemistry: p.Chemistry.Name, RatedAh: p.RatedAh}}
}

// Step applies the readings of one scan: the voltage between the battery's own posts, its current
// and its temperature. An unusable one is left out. Scans come in order of time; one that is not
// later than the last is ignored.
func (b *Battery) Step(at time.Duration, readings *unit.Battery, facts Facts) {
	in := Sample{at, *readings, facts}
	in.dropImpossible()
	if !b.s.Begun {
		b.begin(&in)
		return
	}
	dt := at - b.s.Last.At
	if dt <= 0 {
		return
	}
	if in.CurrentA.OK() {
		in.CurrentA.Value -= b.s.ZeroA
	}
	b.haveSettle = false
	watched := dt
	if dt > maxGap {
		b.interrupt()
		watched = 0
	}
	b.relax(dt)
	b.count(&in)
	b.watchRest(&in, watched)
	b.watchFull(&in, watched)
	b.watchLoad(&in, watched)
	b.watchCharge(&in)
	b.watchKnee(&in)
	b.learnZero(&in, watched)
	b.s.Last, b.haveSoC, b.haveSettle = in, false, false
}

// interrupt ends what was being watched: after a gap it is not known how long it has lasted.
func (b *Battery) interrupt() {
	if b.s.Resting {
		b.commitRest(&b.s.Last) // what the rest said is from before the gap
	}
	b.s.Resting, b.s.RestFor, b.s.LoadFor = false, 0, 0
	b.endHeld()
}

// dropImpossible clears readings that are not usable or that no battery can have, NaN included, so
// that they can't spread.
func (in *Sample) dropImpossible() {
	clear := func(r *unit.Reading, limit float64) {
		if !r.OK() || !(r.Value >= -limit && r.Value <= limit) {
			*r = unit.Reading{}
		}
	}
	clear(&in.VoltageV, maxVoltageV)
	clear(&in.CurrentA, maxCurrentA)
	clear(&in.TempC, maxTempC)
	in.NegativeV = unit.Reading{} // not looked at
}

// begin applies the first sample: a wide guess.
func (b *Battery) begin(in *Sample) {
	b.s.Begun, b.s.Last = true, *in
	b.s.Filter = newFilter(b.p.Chemistry)
	b.s.TaperH, b.s.TaperVar = b.p.Chemistry.TaperH, fullTauSigma*fullTauSigma
	b.s.ZeroVar = sq(zeroShare * b.p.Current.Zero)
	b.s.ZeroVarThen = b.s.ZeroVar
	b.s.CapAh, b.s.CapVar = b.p.RatedAh, sq(leadacid.RatedSigma)
	b.s.SurfaceV, b.s.DipV = surfaceV/2, dipV/2 // what came before is not known
	if in.CurrentA.OK() {
		b.s.CurrentAt, b.s.CurrentSeen = in.At, true
	}
	b.s.DrawnSinceChargeAh = coupDeFouetShare * b.s.CapAh // a discharge in progress is taken as past its first dip
}

func (b *Battery) tempC(in *Sample) float64 {
	if in.TempC.OK() {
		return in.TempC.Value
	}
	return leadacid.ReferenceC
}

func (b *Battery) resting(currentA float64) bool {
	return math.Abs(currentA) < b.limits.restA
}

// relax lets surface charge and dip go with time.
func (b *Battery) relax(dt time.Duration) {
	b.s.SurfaceV *= 1 - approach(dt, b.surfaceTau())
	b.s.DipV *= 1 - approach(dt, dipDecay)
}

// surfaceTau returns how long a surface charge takes to fall to a third at the battery's
// temperature.
func (b *Battery) surfaceTau() time.Duration {
	if t := b.tempC(&b.s.Last); b.s.SurfaceTau == 0 || math.Abs(t-b.s.SurfaceTauC) > surfaceStepC {
		b.s.SurfaceTauC = t
		b.s.SurfaceTau = time.Duration(float64(surfaceDecay) *
			math.Exp2((leadacid.ReferenceC-min(max(t, minSurfaceC), maxSurfaceC))/surfaceColdC))
	}
	return b.s.SurfaceTau
}

// approach is the share of an exponential approach made in dt; the rational form is close enough
// and costs no exp.
func approach(dt, tau time.Duration) float64 {
	x := float64(dt) / float64(tau)
	return x / (1 + x)
}

// count adds the charge moved since the last usable current.
func (b *Battery) count(in *Sample) {
	held := in.Held && b.s.Last.CurrentA.OK()
	if !in.CurrentA.OK() && !held { // an inrush exceeds the sensor's range, and until it began the last current held
		return
	}
	gap := in.At - b.s.CurrentAt
	known := b.s.CurrentSeen && gap <= maxGap
	b.s.CurrentAt, b.s.CurrentSeen = in.At, true
	if !known {
		// What flowed in between is not known: any charge is possible again after a day.
		days := float64(gap) / float64(24*time.Hour)
		b.s.CountedSigmaPct += firstSigmaPct * min(1, days)
		b.s.Swing.Open = false
		return
	}
	mean := in.CurrentA.Value
	switch {
	case held:
		mean = b.s.Last.CurrentA.Value
	case b.s.Last.CurrentA.OK():
		mean = (b.s.Last.CurrentA.Value + in.CurrentA.Value) / 2
	}
	hours := gap.Hours()
	ah := mean * hours
	stored := ah
	if ah >= 0 {
		b.s.ChargedAh += ah
		lost := ah * (1 - b.p.Chemistry.ChargeEfficiency)
		if in.VoltageV.OK() && in.VoltageV.Value > gasFromV {
			lost += b.p.Chemistry.GassingA(b.p.RatedAh, in.VoltageV.Value, b.tempC(in)) * hours
		}
		lost = min(lost, ah)
		stored -= lost
		b.s.CountedSigmaPct += 100 * lossSigma * lost / b.s.CapAh
	} else {
		b.s.DrawnAh -= ah
	}
	b.s.StoredAh += stored
	share := stored / b.s.CapAh
	b.s.Swing.DrawnAh -= stored
	if !b.resting(mean) {
		b.buildSurface(share)
		b.s.DrawnSinceChargeAh = max(b.s.DrawnSinceChargeAh-stored, 0)
		if stored > 0 {
			b.s.DrawnSinceChargeAh *= 1 - min(1, share/memoryShare)
		}
	}
	b.s.Filter.X[iSoC] = min(max(b.s.Filter.X[iSoC]+100*share, 0), 100)
	b.s.MovedPct += 100 * share
	b.s.MovedHours += hours
}

// learnZero takes a reading of an idle bank that goes on resting as one of the current sensor's
// zero.
func (b *Battery) learnZero(in *Sample, dt time.Duration) {
	if !in.Idle || !in.CurrentA.OK() || math.Abs(in.CurrentA.Value) > maxIdle*b.p.maxZeroA() ||
		!b.s.Resting || b.s.Jumped || b.s.RestFor < idleAfter {
		return
	}
	// Until the battery has settled, more than a trickle may flow between it and its neighbors.
	settle := unsettledA * (1 - approach(b.s.RestFor, unsettledFor))
	r := (idleSigmaA*idleSigmaA + settle*settle) * float64(idleShare) / float64(max(dt, time.Millisecond))
	k := b.s.ZeroVar / (b.s.ZeroVar + r)
	limit := b.p.maxZeroA()
	b.s.ZeroA = min(max(b.s.ZeroA+k*(in.CurrentA.Value-idleA), -limit), limit)
	b.s.ZeroVar = max(b.s.ZeroVar*(1-k), minZeroSigmaA*minZeroSigmaA)
}

// ZeroA returns what the current sensor shows without current.
func (b *Battery) ZeroA() unit.Estimate {
	return unit.Estimate{Value: b.s.ZeroA, Sigma: math.Sqrt(b.s.ZeroVar), Known: true}
}

// buildSurface builds up surface charge or dip with the share of the capacity moved.
func (b *Battery) buildSurface(share float64) {
	if share >= 0 {
		b.s.SurfaceV += (surfaceV - b.s.SurfaceV) * min(1, share/memoryShare)
		b.s.DipV *= 1 - min(1, share/memoryShare)
		return
	}
	b.s.DipV += (dipV - b.s.DipV) * min(1, -share/memoryShare)
	b.s.SurfaceV *= 1 - min(1, -share/surfaceLoad)
}

// watchRest smooths the voltage while the battery is at rest, and takes the reading in when the
// rest ends.
func (b *Battery) watchRest(in *Sample, dt time.Duration) {
	if !in.CurrentA.OK() || !in.VoltageV.OK() || !b.resting(in.CurrentA.Value) {
		if b.s.Resting && in.CurrentA.OK() {
			b.commitRest(in)
		}
		b.s.Resting, b.s.RestFor = false, 0
		return
	}
	v25, _ := leadacid.RestedVAtReference(in.VoltageV.Value, b.tempC(in))
	if above := v25 - b.p.Chemistry.RestedVFromSoC(100); above > 0 {
		b.s.SurfaceV = max(b.s.SurfaceV, min(above, maxSurfaceV)) // no block rests above its table's end: charge shows
	}
	if v25 > heldV {
		b.s.Resting, b.s.RestFor = false, 0
		return
	}
	if !b.s.Resting {
		b.s.Resting, b.s.RestFor, b.s.RestedV, b.s.Jumped = true, 0, v25, false
		return
	}
	b.s.RestFor += dt
	if jump := math.Abs(v25-b.s.RestedV) > restJumpV; jump && !b.s.Jumped {
		b.s.Jumped = true // a load whose current is not in this reading yet, or a bad reading: wait for the next
		return
	}
	b.s.Jumped = false
	b.s.RestedV += (v25 - b.s.RestedV) * approach(dt, voltageTau)
	b.watchFall()
	if b.s.RestFor >= tableShare && (!b.s.TableRead || in.At-b.s.TableAt >= tableShare) {
		b.commitRest(in) // a long rest speaks more than once: a small drain counts up meanwhile
	}
}

// watchFall bounds the surface charge by how much the voltage of a resting battery falls: one that
// stands still has none left, whatever came before. The dip of a discharge must be over first.
func (b *Battery) watchFall() {
	if b.s.RestFor < fallAfter {
		b.s.FallFromV, b.s.FallAt = b.s.RestedV, b.s.RestFor
		return
	}
	span := b.s.RestFor - b.s.FallAt
	if span < fallTime {
		return
	}
	share := approach(span, b.surfaceTau()) // of a surface charge, gone meanwhile
	b.s.SurfaceV = min(b.s.SurfaceV, (max(b.s.FallFromV-b.s.RestedV, 0)+fallSigmaV)/share)
	b.s.FallFromV, b.s.FallAt = b.s.RestedV, b.s.RestFor
}

// settleSigmaV is how far the terminals may still stand from the rested voltage, and how well it is
// read.
func (b *Battery) settleSigmaV() float64 {
	if b.haveSettle {
		return b.settleV
	}
	temp := noTempSigmaV
	if b.s.Last.TempC.OK() {
		_, temp = leadacid.TemperatureShiftV(b.s.Last.TempC.Value)
	}
	b.settleV, b.haveSettle = math.Sqrt(sq(b.s.SurfaceV/2)+sq(b.s.DipV/2)+sq(temp)+sq(b.p.Voltage.Zero)), true
	return b.settleV
}

func (b *Battery) commitRest(in *Sample) {
	if b.s.RestFor < voltageTau {
		return
	}
	b.settle()
	b.learnFromRest()
	b.takeRest(&b.s.Filter)
	sigma := math.Sqrt(b.s.Filter.P[iSoC][iSoC])
	if !b.s.Swing.Open && sigma <= topSigmaPct && b.s.Filter.X[iSoC] >= topMinPct {
		b.s.Swing = Swing{Open: true, TopPct: b.s.Filter.X[iSoC], TopSigmaPct: sigma}
	}
	b.s.TableAt, b.s.TableRead = in.At, true
}

// settle makes what was counted since the last reading part of the filter's deviations.
func (b *Battery) settle() {
	b.counting(&b.s.Filter)
	b.s.CountedSigmaPct, b.s.MovedPct, b.s.MovedHours, b.s.ZeroVarThen = 0, 0, 0, b.s.ZeroVar
}

// counting brings f's deviations up to what was counted since the last reading.
func (b *Battery) counting(f *Filter) {
	for i := range states {
		f.Cross[i][kZero] *= b.s.ZeroVar / b.s.ZeroVarThen
	}
	f.propagate(b.s.MovedPct, 100*b.s.MovedHours/b.s.CapAh, b.s.CapVar+sq(b.p.Current.Gain), b.s.ZeroVar)
	f.drift(b.s.MovedHours)
	f.widen(sq(b.s.CountedSigmaPct))
}

// variance returns that of the charge as counting leaves it.
func (b *Battery) variance() float64 {
	c := b.s.Filter.Cross[iSoC]
	c[kZero] *= b.s.ZeroVar / b.s.ZeroVarThen
	p := moved(b.s.Filter.P[iSoC][iSoC], &c, b.s.MovedPct, 100*b.s.MovedHours/b.s.CapAh,
		b.s.CapVar+sq(b.p.Current.Gain), b.s.ZeroVar)
	return widened(p, sq(b.s.CountedSigmaPct))
}

// expectedRestedV is the rested voltage at 25 °C that the rest so far leads to expect.
func (b *Battery) expectedRestedV() float64 { return b.s.RestedV - b.s.SurfaceV/2 + b.s.DipV/2 }

// takeRest takes the rest so far into f.
func (b *Battery) takeRest(f *Filter) {
	r := b.settleSigmaV()
	if b.s.TableRead && b.s.Last.At-b.s.TableAt < tableShare {
		// Largely the same evidence as last time.
		r *= math.Sqrt(float64(tableShare) / float64(max(b.s.Last.At-b.s.TableAt, minReread)))
	}
	v25 := b.expectedRestedV()
	if v25 > b.p.Chemistry.RestedVFromSoC(100)+aboveFullV && b.s.RestFor >= idleAfter {
		f.updateSoC(100, aboveFullPct) // only a charge near its end leaves so much
	}
	f.updateRested(b.p.Chemistry, v25, r)
}

// watchFull sees the end of a charge: voltage held, current tapered off. What is then still missing
// is some time's worth of the current; the longer it lasts, the less.
func (b *Battery) watchFull(in *Sample, dt time.Duration) {
	if !in.CurrentA.OK() || !in.VoltageV.OK() {
		b.s.TaperFor, b.s.SlopeFor, b.s.HeldFor, b.s.AtTail = 0, 0, 0, false
		return
	}
	limit := leadacid.ChargeLimitV(b.limits.fullV25, b.tempC(in))
	if in.VoltageV.Value < limit {
		b.endHeld()
		return
	}
	v25 := in.VoltageV.Value - limit + b.limits.fullV25
	gas := b.p.Chemistry.GassingA(b.p.RatedAh, in.VoltageV.Value, b.tempC(in))
	taper := in.CurrentA.Value - gas
	b.watchTaper(in, taper, v25, dt)
	b.watchTail(taper, v25, dt)
	if !(taper < taperShare*b.p.RatedAh && in.CurrentA.Value > -minRest*b.p.Current.Zero) {
		b.s.TaperFor = 0
		b.readTaper(in, v25, gas)
		return
	}
	b.s.TaperFor += dt
	if b.s.TaperFor < fullHold && (b.s.TaperFor < absorbHold || v25 < b.limits.absorbV) {
		b.readEarly(in, v25, taper, gas)
		return
	}
	if !b.s.Full || in.At-b.s.FullReadAt >= fullAgain {
		missing, sigma := b.missingPct(taper, v25, gas, b.coldFactor(in))
		if b.s.Full {
			sigma *= againSigma // much the same evidence as ten minutes ago
		}
		b.settle()
		b.s.Filter.updateSoC(100-missing, sigma)
		b.s.MissingPct, b.s.FullReadAt = missing, in.At
		b.s.Swing = Swing{Open: true, TopPct: b.s.Filter.X[iSoC], TopSigmaPct: math.Sqrt(b.s.Filter.P[iSoC][iSoC])}
	}
	b.s.Full = true
	if b.s.MissingPct <= maxMissingPct {
		b.s.EverFull, b.s.FullAt = true, in.At
	}
}

// endHeld: the charger no longer holds the voltage.
func (b *Battery) endHeld() {
	b.s.TaperFor, b.s.SlopeFor, b.s.HeldFor, b.s.Full, b.s.AtTail = 0, 0, 0, false, false
}

// watchKnee sees the steep end of a discharge.
func (b *Battery) watchKnee(in *Sample) {
	if !in.CurrentA.OK() || !in.VoltageV.OK() {
		return
	}
	load := -in.CurrentA.Value / b.p.RatedAh
	low := load > restShare && load <= kneeMaxLoad && in.VoltageV.Value < kneeV && in.VoltageV.Value > deadV
	if low && !b.s.AtKnee {
		b.settle()
		left, sigma := b.p.Chemistry.LeftPct(load, b.tempC(in))
		left, sigma = left+kneePct, math.Hypot(kneeSigmaPct, sigma)
		b.learnCapacity(left, sigma, b.p.Current.Gain)
		b.s.Filter.updateSoC(left, sigma)
	}
	if low || in.VoltageV.Value > kneeV+kneeBackV {
		b.s.AtKnee = low
	}
}

// SoC returns the state of charge in percent. It is not known while its uncertainty is too large
// for it to be shown.
func (b *Battery) SoC() unit.Estimate {
	if !b.s.Begun {
		return unit.Estimate{}
	}
	if !b.haveSoC {
		soc, variance := b.s.Filter.X[iSoC], b.variance()
		if b.s.Resting && b.s.RestFor >= voltageTau {
			f := b.s.Filter
			b.counting(&f)
			b.takeRest(&f)
			soc, variance = f.X[iSoC], f.P[iSoC][iSoC]
		}
		sigma := math.Sqrt(variance)
		b.soc, b.haveSoC = unit.Estimate{Value: soc, Sigma: sigma, Known: sigma <= knownSigmaPct}, true
	}
	return b.soc
}

// RestedV returns the smoothed voltage at rest, at 25 °C; its uncertainty is how far it may still
// be from the settled one. It is not known when the battery is not at rest.
func (b *Battery) RestedV() unit.Estimate {
	if !b.s.Resting || b.s.RestFor < voltageTau {
		return unit.Estimate{}
	}
	return unit.Estimate{Value: b.s.RestedV, Sigma: b.settleSigmaV(), Known: true}
}

// RestFor returns how long the battery has been at rest.
func (b *Battery) RestFor() time.Duration { return b.s.RestFor }

// Full returns when a charge was last seen to its end; ever is false before the first.
func (b *Battery) Full() (at time.Duration, ever bool) { return b.s.FullAt, b.s.EverFull }

// ChargedAh returns the charge counted in.
func (b *Battery) ChargedAh() float64 { return b.s.ChargedAh }

// DrawnAh returns the charge counted out, positive.
func (b *Battery) DrawnAh() float64 { return b.s.DrawnAh }

// StoredAh returns the charge counted in less that counted out and less what charging loses. Only
// currents are in it.
func (b *Battery) StoredAh() float64 { return b.s.StoredAh }

func sq(x float64) float64 { return x * x }
