package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Unseen is what the voltage shows, while somebody works on the battery, of a charger or a tester
// clamped on past the current sensor. Exported only to be saved.
type Unseen struct {
	LowV  float64 // lowest at 25 °C since the work began, or since a charger went off; 0: not read yet
	High  bool    // risen above it, as a charger does
	TopV  float64 // highest since then
	InPct float64 // and charge counted in since then, of the capacity
	Sags  bool    // a tester seems to be on; the dip that it leaves is not there yet
}

// What may pass by the sensor while somebody works on the battery. A charger shows by a voltage
// above what the battery rests at and rose from; a tester by one that no current explains. What
// neither shows is a charger too small to.
const (
	hiddenPctPerHour = 2.0   // %: in an hour, 2 A into 100 Ah hardly raise the voltage; our choice
	shopPctPerHour   = 20.0  // %: in an hour, 20 A into 100 Ah is a large charger of a workshop; our choice
	testPctPerHour   = 500.0 // %: in an hour, half the CCA of a block with 10 A of it for each Ah; published: half-CCA load test
	riseV            = 0.10  // V: above rest, and above the lowest voltage, that a charger is; our choice
	chargerOffV      = 0.30  // V: below the highest, and the charger is off; our choice
	sagV             = 0.30  // V: below rest and its dip, that no small current explains; our choice
	sagA             = 0.15  // 1/h: discharge over capacity that explains a sag; our choice
	throughPct       = 1.0   // %: counted in since the rise, for the charge to be through the sensor; our choice
)

// turnWork takes that work began or ended. What was being watched is over: its rest still counts,
// a swing of known charge does not.
func (b *Battery) turnWork() {
	b.interrupt()
	b.s.Down.Open, b.s.Up.Open = false, false
	if b.s.Unseen.Sags {
		b.s.DipV = dipV
	}
	b.s.Unseen = Unseen{}
}

// watchWork widens the charge by what may have passed the sensor in dt.
func (b *Battery) watchWork(in *Sample, dt time.Duration) {
	b.s.Rest.end()
	b.s.Down.Open, b.s.Up.Open = false, false
	hours := dt.Hours()
	pct := hiddenPctPerHour * hours
	switch past := b.unseen(in, hours); past {
	case charger:
		pct = shopPctPerHour * hours
		if in.CurrentA.OK() { // what neighbors take from the charger looks like a discharge
			pct += 100 * math.Max(-in.CurrentA.Value, 0) * hours / b.s.CapAh
		}
		b.s.SurfaceV, b.s.AfterPast = surfaceV, true
	case tester:
		pct = testPctPerHour * hours
		if in.CurrentA.OK() { // what neighbors give to the tester looks like a charge
			pct += 100 * math.Max(in.CurrentA.Value, 0) * hours / b.s.CapAh
		}
	}
	b.s.CountedSigmaPct += math.Min(pct, firstSigmaPct)
}

// past is what may be clamped on the battery past its sensor.
type past uint8

const (
	nothing past = iota
	charger
	tester
)

// unseen returns what may be clamped on past the sensor in a sample.
func (b *Battery) unseen(in *Sample, hours float64) past {
	u := &b.s.Unseen
	if !in.VoltageV.OK() {
		return charger // a tap that is off shows neither
	}
	v25, _ := leadacid.RestedVAtReference(in.VoltageV.Value, in.tempC())
	_, restV := b.s.Filter.rested(b.p.Chemistry)
	sags := v25 < restV-b.s.DipV-sagV
	if sags && !(in.CurrentA.OK() && in.CurrentA.Value <= -sagA*b.s.CapAh) {
		u.Sags = true
		return tester
	}
	if u.Sags {
		u.Sags, b.s.DipV = false, dipV
	}
	if u.LowV == 0 || !sags && !u.High {
		u.LowV = lower(u.LowV, v25)
	}
	if !u.High && v25 > u.LowV+riseV && v25 > restV+riseV {
		u.High, u.TopV, u.InPct = true, v25, 0
	}
	if !u.High {
		if !in.CurrentA.OK() {
			return charger
		}
		return nothing
	}
	u.TopV = math.Max(u.TopV, v25)
	if v25 < u.TopV-chargerOffV || v25 < u.LowV+riseV/2 {
		*u = Unseen{LowV: v25}
		return nothing
	}
	if in.CurrentA.OK() {
		u.InPct += 100 * in.CurrentA.Value * hours / b.s.CapAh
	}
	if u.InPct > throughPct {
		return nothing
	}
	return charger
}

// lower returns the lower of two voltages, where the first may not have been read yet.
func lower(v, next float64) float64 {
	if v == 0 {
		return next
	}
	return math.Min(v, next)
}
