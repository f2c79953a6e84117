package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// What a charge says on its way: before the charger holds the voltage, by the voltage; afterwards
// by how the current falls. Readings of the fall drift from one to the next by taperDrift: it
// depends on charge, temperature and what came before.
//
// In the warm, plates take what is missing as fast as ever. In the cold they take longer, twice as
// long per coldPlatesC: some 31 kJ/mol. The rule for reactions is twice per 10 °C.
const (
	minCharge       = 0.04             // 1/h: current over capacity, for a charge's voltage to be read; our choice
	maxChargeV      = 14.0             // V: at 25 °C, for a charge's voltage to be read; our choice
	chargeTime      = 2 * time.Hour    // closer readings count as one; our choice
	chargeUnsurePct = 8.0              // %: surer, and counting is better; our choice
	sameErrorShare  = 0.7              // ratio: of a reading's deviation; a surer charge learns nothing new; our choice
	surfaceBuilt    = surfaceV / 4     // V: of surface charge, before a charge's voltage is read; our choice
	minTaperH       = 0.3              // h: time constant of a taper; our choice
	maxTaperH       = 4.0              // h: time constant of a taper; our choice
	taperDrift      = 0.15             // ratio: from one reading of the fall to the next; our choice
	slopeSigma      = 0.5              // ratio: of a reading of the fall; our choice
	tailShare       = 0.01             // 1/h: current over capacity at the end of an absorption; trade practice
	heldMean        = 2 * time.Minute  // over which that is averaged; our choice
	earlyHold       = 5 * time.Minute  // of absorption and little current, to be read before a charge's end; our choice
	earlySigmaPct   = 0.7              // %: so read, in the warm; fitted to the simulator
	warmPlatesC     = 15.0             // °C: or above, plates are as fast as ever; fitted to the simulator
	coldPlatesC     = 15.0             // °C: so much colder, half as fast; fitted to the simulator
	slopeMean       = 10 * time.Minute // over which a falling current is averaged; our choice
	slopeTime       = 20 * time.Minute // over which the fall is read; our choice
	maxSlope        = 0.15             // 1/h: current over capacity; more, and the charger limits it; our choice
	minSlope        = 0.02             // 1/h: less, and what flows is gas as much as charge; our choice
	minFall         = 1.08             // ratio: less of a fall is none; our choice
	slopeSteadyV    = 0.08             // V: by which a held voltage may move; our choice
	gasSigma        = 0.5              // ratio: of GassingA, good to a factor of two; our choice
)

// watchCharge reads the voltage of a charge before the charger holds it: little, but all there is
// after a start in mid-charge.
func (b *Battery) watchCharge(in *Sample) {
	if !in.CurrentA.OK() || !in.VoltageV.OK() || in.CurrentA.Value < minCharge*b.p.RatedAh ||
		b.s.Filter.P[iSoC][iSoC] < sq(chargeUnsurePct) {
		return
	}
	if in.At-b.s.ChargeReadAt < curveEvery || b.s.SurfaceV < surfaceBuilt {
		return
	}
	v25 := in.VoltageV.Value - leadacid.ChargeLimitV(b.limits.fullV25, b.tempC(in)) + b.limits.fullV25
	if v25 > maxChargeV {
		return
	}
	rested, _ := leadacid.RestedVAtReference(in.VoltageV.Value, b.tempC(in))
	z, sigma := b.p.Chemistry.ChargingSoC(v25, rested, in.CurrentA.Value/b.s.CapAh)
	if b.s.Filter.P[iSoC][iSoC] < sq(sameErrorShare*sigma) {
		b.s.ChargeReadAt = in.At
		return // what it errs by stays the same
	}
	b.takeCharge(in.At, z, sigma)
}

// takeCharge takes in a charge read on its way to full: readings close together are largely the
// same evidence.
func (b *Battery) takeCharge(at time.Duration, pct, sigmaPct float64) {
	share := float64(at-b.s.ChargeReadAt) / float64(chargeTime)
	b.s.ChargeReadAt = at
	b.settle()
	b.s.Filter.updateSoC(pct, sigmaPct/math.Sqrt(min(share, 1)))
}

// readTaper takes in what a held charge still misses, well before its end; little, but all there is
// after a start in mid-charge.
func (b *Battery) readTaper(in *Sample, v25, gasA float64) {
	if b.s.SlopeFor < slopeMean+slopeTime/2 || b.s.SlopeA > maxSlope*b.s.CapAh ||
		b.s.Filter.P[iSoC][iSoC] < sq(chargeUnsurePct) || in.At-b.s.ChargeReadAt < curveEvery {
		return
	}
	missing, sigma := b.missingPct(b.s.SlopeA, v25, gasA, b.coldFactor(in))
	b.takeCharge(in.At, 100-missing, sigma)
}

// readEarly takes in how little a charge takes that is not held long enough to be at its end:
// drives may all be shorter than that.
func (b *Battery) readEarly(in *Sample, v25, taperA, gasA float64) {
	if b.s.TaperFor < earlyHold || v25 < b.limits.absorbV || in.At-b.s.ChargeReadAt < curveEvery {
		return
	}
	cold := b.coldFactor(in)
	missing, sigma := b.missingPct(taperA, v25, gasA, cold)
	sigma = math.Hypot(sigma, earlySigmaPct*cold)
	if b.s.Filter.P[iSoC][iSoC] < sq(sigma) {
		return // what it errs by stays the same
	}
	b.takeCharge(in.At, 100-missing, sigma)
}

// watchTail sees a held charge bring in next to nothing, as into a full block: at absorption
// voltage, or in float, where the current is less at any charge, by so much less and for longer.
func (b *Battery) watchTail(taperA, v25 float64, dt time.Duration) {
	if b.s.HeldFor == 0 {
		b.s.HeldA = taperA
	}
	b.s.HeldFor += dt
	b.s.HeldA += (taperA - b.s.HeldA) * approach(dt, heldMean)
	share, long := tailShare, earlyHold
	if v25 < b.limits.absorbV {
		share, long = share*(v25-leadacid.TaperRestV)/(leadacid.TaperV25-leadacid.TaperRestV), fullHold
	}
	b.s.AtTail = b.s.HeldFor >= long && b.s.HeldA < share*b.p.RatedAh
}

// AtTailCurrent reports whether a charge held at absorption voltage for five minutes, or in float
// for half an hour, brings in next to nothing. In hard frost a block that misses a few percent
// takes as little as a full one.
func (b *Battery) AtTailCurrent() bool { return b.s.AtTail }

// coldFactor is by what factor a charge takes longer than in the warm.
func (b *Battery) coldFactor(in *Sample) float64 {
	return math.Exp2(max(warmPlatesC-b.tempC(in), 0) / coldPlatesC)
}

// missingPct returns what a held charge still misses, in percent, and its standard deviation.
func (b *Battery) missingPct(taperA, v25, gasA, cold float64) (pct, sigmaPct float64) {
	tau := b.s.TaperH * cold * (leadacid.TaperV25 - leadacid.TaperRestV) / (v25 - leadacid.TaperRestV)
	pct = min(100*tau*max(taperA, 0)/b.s.CapAh, 100)
	return pct, fullSigmaPct + pct*math.Sqrt(b.s.TaperVar) + 100*gasSigma*tau*gasA/b.s.CapAh
}

// watchTaper learns from how quickly a held charge's current falls what is missing for a current:
// were it to fall on at that pace, it would bring in itself times the time constant.
func (b *Battery) watchTaper(in *Sample, taperA, v25 float64, dt time.Duration) {
	if b.s.SlopeFor == 0 || taperA <= 0 || math.Abs(v25-b.s.SlopeV) > slopeSteadyV {
		b.s.SlopeFor, b.s.SlopeA, b.s.SlopeFromA, b.s.SlopeV = dt, taperA, taperA, v25
		return
	}
	b.s.SlopeFor += dt
	b.s.SlopeA += (taperA - b.s.SlopeA) * approach(dt, slopeMean)
	if b.s.SlopeFor < slopeMean+slopeTime {
		if b.s.SlopeFor <= slopeMean {
			b.s.SlopeFromA = b.s.SlopeA
		}
		return
	}
	u := b.s.SlopeA / b.s.CapAh
	if u > minSlope && u < maxSlope && b.s.SlopeFromA > minFall*b.s.SlopeA {
		tau := (b.s.SlopeFor - slopeMean).Hours() / math.Log(b.s.SlopeFromA/b.s.SlopeA) *
			(v25 - leadacid.TaperRestV) / (leadacid.TaperV25 - leadacid.TaperRestV) / b.coldFactor(in)
		relative := math.Log(min(max(tau, minTaperH), maxTaperH) / b.s.TaperH)
		b.s.TaperVar = min(b.s.TaperVar+sq(taperDrift), sq(fullTauSigma))
		k := b.s.TaperVar / (b.s.TaperVar + sq(slopeSigma))
		b.s.TaperH *= math.Exp(k * relative)
		b.s.TaperVar *= 1 - k
	}
	b.s.SlopeFor, b.s.SlopeFromA, b.s.SlopeV = slopeMean, b.s.SlopeA, v25
}
