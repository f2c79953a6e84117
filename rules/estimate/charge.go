package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// What a charge says on its way: before the charger holds the voltage, by the voltage; afterwards by how the current falls. Where no
// source is named, the figure is our choice.
const (
	chargeLeast     = 0.04 // of the capacity per hour, for a charge's voltage to be read
	chargeMostV     = 14.0
	chargeTime      = 2 * time.Hour // readings closer than this count as one
	chargeUnsurePct = 8.0           // surer, and counting is better
	taperLeastH     = 0.3
	taperMostH      = 4.0
	taperDrift      = 0.15            // relative, from one reading of the fall to the next: it depends on charge, temperature and what came before
	slopeSigma      = 0.5             // of a reading, relative
	littleShare     = 0.01            // of the capacity an hour: a charge at absorption voltage that takes less is at its end (common practice, no source)
	heldMean        = 2 * time.Minute // over which that is averaged
	earlyHold       = 5 * time.Minute // of absorption and little current, for them to be read before a charge's end
	earlySigmaPct   = 0.7             // so read, in the warm
	warmPlatesC     = 15.0            // or above, plates take what is missing as fast as ever; ...
	coldPlatesC     = 15.0            // ... so much colder, half as fast: some 31 kJ/mol; the rule for reactions is twice per 10 °C
	slopeMean       = 10 * time.Minute
	slopeTime       = 20 * time.Minute // over which the fall is seen
	slopeMost       = 0.15             // of the capacity per hour: more, and the charger limits the current
	slopeEnd        = 0.02             // less, and what flows is gas as much as charge
	slopeFall       = 1.08             // less of a fall is none
	slopeSteadyV    = 0.08
)

// watchCharge reads the voltage of a charge before the charger holds it: little, but all there is after a start in mid-charge.
func (b *Battery) watchCharge(s Sample) {
	if !s.CurrentOK || !s.VoltageOK || s.CurrentA < chargeLeast*b.p.RatedAh || b.f.P[iSoC][iSoC] < sq(chargeUnsurePct) {
		return
	}
	if s.At-b.chargeRead < curveEvery || b.surface < surfaceV/4 {
		return
	}
	v25 := s.VoltageV - leadacid.ChargeLimitV(fullV25, b.tempC(s)) + fullV25
	if v25 > chargeMostV {
		return
	}
	rested, _ := leadacid.RestedVAtReference(s.VoltageV, b.tempC(s))
	z, sigma := leadacid.ChargingSoC(b.p.Chemistry, v25, rested, s.CurrentA/b.capAh)
	if b.f.P[iSoC][iSoC] < sq(0.7*sigma) {
		b.chargeRead = s.At
		return // what it errs by stays the same
	}
	b.takeCharge(s.At, z, sigma)
}

// takeCharge takes in a charge read on its way to full: readings close together are largely the same evidence.
func (b *Battery) takeCharge(at time.Duration, pct, sigmaPct float64) {
	share := float64(at-b.chargeRead) / float64(chargeTime)
	b.chargeRead = at
	b.settle()
	b.f.takeSoC(pct, sigmaPct/math.Sqrt(min(share, 1)))
}

// readTaper takes in what a held charge still misses, well before its end; little, but all there is after a start in mid-charge.
func (b *Battery) readTaper(s Sample, v25, gasA float64) {
	if b.slopeFor < slopeMean+slopeTime/2 || b.slopeA > slopeMost*b.capAh || b.f.P[iSoC][iSoC] < sq(chargeUnsurePct) || s.At-b.chargeRead < curveEvery {
		return
	}
	missing, sigma := b.missing(b.slopeA, v25, gasA, b.cold(s))
	b.takeCharge(s.At, 100-missing, sigma)
}

// readEarly takes in how little a charge takes that is not held long enough to be at its end: drives may all be shorter than that.
func (b *Battery) readEarly(s Sample, v25, taperA, gasA float64) {
	if b.fullFor < earlyHold || v25 < absorbV || s.At-b.chargeRead < curveEvery {
		return
	}
	cold := b.cold(s)
	missing, sigma := b.missing(taperA, v25, gasA, cold)
	sigma = math.Hypot(sigma, earlySigmaPct*cold)
	if b.f.P[iSoC][iSoC] < sq(sigma) {
		return // what it errs by stays the same
	}
	b.takeCharge(s.At, 100-missing, sigma)
}

// watchLittle sees a held charge bring in next to nothing, as into a full block: at absorption voltage, or in float, where the current is less at
// any charge, by so much less and for longer.
func (b *Battery) watchLittle(taperA, v25 float64, dt time.Duration) {
	if b.heldFor == 0 {
		b.heldA = taperA
	}
	b.heldFor += dt
	b.heldA += (taperA - b.heldA) * ease(dt, heldMean)
	share, long := littleShare, earlyHold
	if v25 < absorbV {
		share, long = share*(v25-fullRestV)/(fullTauV-fullRestV), fullHold
	}
	b.little = b.heldFor >= long && b.heldA < share*b.p.RatedAh
}

// TakesLittle reports whether a charge held at absorption voltage for five minutes, or in float for half an hour, brings in next to nothing.
// In hard frost a block that misses a few percent takes as little as a full one.
func (b *Battery) TakesLittle() bool { return b.little }

// cold is by what factor a charge takes longer than in the warm.
func (b *Battery) cold(s Sample) float64 {
	return math.Exp2(max(warmPlatesC-b.tempC(s), 0) / coldPlatesC)
}

// missing gives what a held charge still misses, in percent, and its standard deviation.
func (b *Battery) missing(taperA, v25, gasA, cold float64) (pct, sigmaPct float64) {
	tau := b.taperH * cold * (fullTauV - fullRestV) / (v25 - fullRestV)
	pct = min(100*tau*max(taperA, 0)/b.capAh, 100)
	return pct, fullSigmaPct + pct*math.Sqrt(b.taperVar) + 50*tau*gasA/b.capAh
}

// watchTaper learns from how quickly a held charge's current falls what is missing for a current: were it to fall on at that pace, it
// would bring in itself times the time constant.
func (b *Battery) watchTaper(s Sample, taperA, v25 float64, dt time.Duration) {
	if b.slopeFor == 0 || taperA <= 0 || math.Abs(v25-b.slopeV) > slopeSteadyV {
		b.slopeFor, b.slopeA, b.slopeFromA, b.slopeV = dt, taperA, taperA, v25
		return
	}
	b.slopeFor += dt
	b.slopeA += (taperA - b.slopeA) * ease(dt, slopeMean)
	if b.slopeFor < slopeMean+slopeTime {
		if b.slopeFor <= slopeMean {
			b.slopeFromA = b.slopeA
		}
		return
	}
	u := b.slopeA / b.capAh
	if u > slopeEnd && u < slopeMost && b.slopeFromA > slopeFall*b.slopeA {
		tau := (b.slopeFor - slopeMean).Hours() / math.Log(b.slopeFromA/b.slopeA) * (v25 - fullRestV) / (fullTauV - fullRestV) / b.cold(s)
		relative := math.Log(min(max(tau, taperLeastH), taperMostH) / b.taperH)
		b.taperVar = min(b.taperVar+sq(taperDrift), sq(fullTauSigma))
		k := b.taperVar / (b.taperVar + sq(slopeSigma))
		b.taperH *= math.Exp(k * relative)
		b.taperVar *= 1 - k
	}
	b.slopeFor, b.slopeFromA, b.slopeV = slopeMean, b.slopeA, v25
}
