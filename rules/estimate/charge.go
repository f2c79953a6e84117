package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// What the voltage of a charge says before the charger holds it.
const (
	minCharge       = 0.04          // 1/h: current over capacity, for a charge's voltage to be read; our choice
	maxChargeV      = 14.0          // V: at 25 °C, for a charge's voltage to be read; our choice
	chargeTime      = 2 * time.Hour // closer readings count as one; our choice
	chargeUnsurePct = 8.0           // %: surer, and counting is better; our choice
	sameErrorShare  = 0.7           // ratio: of a reading's deviation; a surer charge learns nothing new; our choice
	surfaceBuilt    = surfaceV / 4  // V: of surface charge, before a charge's voltage is read; our choice
)

// The end of a discharge.
const (
	kneeV        = 10.8            // V: near 10.5 V, the usual end of a 20 h discharge; our choice
	kneeBackV    = 0.5             // V: above that, for a knee to be over; our choice
	kneeMaxLoad  = 1.0 / 3         // 1/h: current over capacity, for a low voltage to be the knee; our choice
	kneePct      = 2.0             // %: left there beyond what the rate leaves; our choice
	kneeSigmaPct = 4.0             // %: of that; our choice
	kneeDwell    = time.Minute     // of such a voltage, before it is taken as the end; our choice
	kneeOddDwell = 5 * time.Minute // the same, of an end that comes unexpected; our choice
	kneeReadings = 3               // count: of such a voltage in a row, at least; our choice
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
	v25 := in.VoltageV.Value - leadacid.ChargeLimitV(b.limits.fullV25, in.tempC()) + b.limits.fullV25
	if v25 > maxChargeV {
		return
	}
	rested, _ := leadacid.RestedVAtReference(in.VoltageV.Value, in.tempC())
	z, sigma := b.p.Chemistry.ChargingSoC(v25, rested, in.CurrentA.Value/b.s.CapAh)
	if in.StringV.OK() { // it may be as full as the others of its string, and only seem behind: see trailingPct
		above := in.StringV.Value - in.VoltageV.Value
		mean, _ := b.p.Chemistry.ChargingSoC(v25+above, rested+above, in.CurrentA.Value/b.s.CapAh)
		sigma += max(mean-z, 0)
	}
	if b.s.Filter.P[iSoC][iSoC] < sq(sameErrorShare*sigma) {
		b.s.ChargeReadAt = in.At
		return // what it errs by stays the same
	}
	b.s.Belief.takeCharge(in.At, z, sigma, &b.p)
}

// watchHeld follows a charge while the charger holds its voltage.
func (b *Battery) watchHeld(in *Sample, dt time.Duration) {
	if !in.CurrentA.OK() || !in.VoltageV.OK() {
		b.s.Held.lose()
		return
	}
	limit := leadacid.ChargeLimitV(b.limits.fullV25, in.tempC())
	// In the heat compensated settings fall to where a full block rests: that is no charge.
	shift, _ := leadacid.RestedVAtReference(0, in.tempC())
	rests := b.p.Chemistry.RestedVFromSoC(100) - shift + aboveFullV
	least := max(limit, rests)
	if in.withStringV() < least || b.p.stands() && in.StringV.OK() &&
		in.StringV.Value < max(leadacid.ChargeLimitV(b.limits.stringV25, in.tempC()), rests) {
		b.s.Held.end()
		return
	}
	x := heldSample{
		at: in.At, currentA: in.CurrentA.Value, v25: in.VoltageV.Value - limit + b.limits.fullV25, tempC: in.tempC(),
		gasA: b.p.Chemistry.GassingA(b.p.RatedAh, in.VoltageV.Value, in.tempC()),
	}
	x.taperA, x.absorbing = x.currentA-x.gasA, x.v25 >= b.limits.absorbV
	if in.StringV.OK() {
		x.stringV25 = in.StringV.Value - limit + b.limits.fullV25
	}
	x.tailV25 = in.withStringV() - limit + b.limits.fullV25
	x.tailAbsorbing = x.tailV25 >= b.limits.absorbV
	if in.VoltageV.Value < least {
		b.s.Held.watchStringsTail(&x, dt, &b.p)
		return
	}
	b.s.Held.watch(&x, dt, &b.s.Belief, &b.p)
}

// withStringV is the voltage by which a battery may be full: its own, and in a string in frost, where full ones are
// held volts apart, all the more the mean of its string, the slower its plates are.
func (in *Sample) withStringV() float64 {
	v := in.VoltageV.Value
	if in.StringV.OK() && in.StringV.Value > v {
		v += (in.StringV.Value - v) * (1 - 1/coldPlates(in.tempC()))
	}
	return v
}

// Knee is a voltage as at the end of a discharge. Exported only to be saved.
type Knee struct {
	Low      bool          // it is that low now,
	For      time.Duration // for so long,
	Readings uint8         // in so many readings, counted up to kneeReadings
	Read     bool          // it was taken as the end, and has not been left since
}

// watchKnee sees the steep end of a discharge. One that comes unexpected has to last longer before
// it is believed.
func (b *Battery) watchKnee(in *Sample, dt time.Duration) {
	if !in.CurrentA.OK() || !in.VoltageV.OK() {
		return
	}
	k, load := &b.s.Knee, -in.CurrentA.Value/b.p.RatedAh
	if load <= restShare || load > kneeMaxLoad || in.VoltageV.Value >= kneeV || in.VoltageV.Value <= deadV || in.Running {
		k.Low, k.For, k.Readings = false, 0, 0
		k.Read = k.Read && in.VoltageV.Value <= kneeV+kneeBackV
		return
	}
	if k.Low {
		k.For += dt
	}
	k.Low, k.Readings = true, min(k.Readings+1, kneeReadings)
	if k.Read || k.Readings < kneeReadings || k.For < kneeDwell {
		return
	}
	b.s.Belief.settle(&b.p)
	left, sigma := b.p.Chemistry.LeftPct(load, in.tempC())
	left, sigma = left+kneePct, math.Hypot(kneeSigmaPct, sigma)
	if odd := b.s.Filter.X[iSoC] - left; k.For < kneeOddDwell &&
		sq(odd/outlierSigmas) > b.s.Filter.P[iSoC][iSoC]+sq(sigma) {
		return
	}
	b.s.Belief.learnAtTheEmptyEnd(left, sigma, &b.p)
	b.s.Filter.updateSoC(left, sigma)
	k.Read = true
}
