package forecast

import (
	"math"

	"liftbank/rules/leadacid"
)

// Constants of the taper.
//
// GassingA is good to a factor of two, and too much gas taken off makes a taper look over: half of
// it is.
const (
	gasShare     = 0.5  // ratio: of GassingA; our choice
	priorWeight  = 0.15 // ratio: weight of the published time constant, as ln(current) fallen; our choice
	priorSigma   = 0.35 // ratio: deviation of that; published: measured tapers, 0.65 to 2 h
	learnedSigma = 0.06 // ratio: deviation of a learned time constant; our choice
	otherLevel   = 0.1  // ratio: what the next level of current says of one; our choice
	maxTaper     = 1.5  // ratio: weight that a learned one can have, as ln(current) fallen; our choice
	levels       = 5    // count: levels of current; our choice
)

// taperLevels are the upper ends of the levels of current, in shares of the capacity per hour,
// except for the first: all above it.
var taperLevels = [levels]float64{math.MaxFloat64, 0.12, 0.06, 0.03, 0.015}

// Taper is what was seen of the taper at one level of current.
type Taper struct {
	Hours float64 // at leadacid.TaperV25 and 25 °C
	Fall  float64 // of the current's logarithm in them
}

// gas is the part of the bank's current that makes gas.
func (p *Params) gas(mean *Point) (amps float64) {
	for k := range p.Batteries {
		b := &p.Batteries[k]
		amps += p.Layout.OfString(gasShare) * b.Chemistry.GassingA(b.RatedAh, mean.Volt, mean.TempC)
	}
	return amps
}

// drive is how much faster the taper runs at this voltage and temperature than at 14.4 V and 25 °C.
// The voltage is one that fills the bank, minFullV25 or more.
func drive(v25, tempC float64) float64 {
	byVoltage := (v25 - leadacid.TaperRestV) / (leadacid.TaperV25 - leadacid.TaperRestV)
	return byVoltage / leadacid.AcceptanceFactor(tempC)
}

// learnTaper takes in by how much the current fell over the kept means.
func (c *Charging) learnTaper(p *Params) {
	a, b := &c.Feed.Kept[0], &c.Feed.Kept[windows-1]
	gas := p.gas(b)
	ia, ib := a.Amps-gas, b.Amps-gas
	if ib < minFeedShare*p.ratedAh() || ia <= ib || volt25(b) < minFullV25 {
		return
	}
	l := &c.Tapers[levelOf(math.Sqrt(ia*ib)/p.ratedAh())]
	l.Hours += (b.At - a.At).Hours() * drive(volt25(b), b.TempC)
	l.Fall += math.Log(ia / ib)
	if over := l.Fall / maxTaper; over > 1 {
		l.Hours, l.Fall = l.Hours/over, maxTaper
	}
}

// levelOf returns the level of a current, which is a share of the capacity per hour.
func levelOf(perAh float64) int {
	l := 0
	for l < levels-1 && perAh < taperLevels[l+1] {
		l++
	}
	return l
}

// taperPlan is the taper ahead at one voltage and temperature.
type taperPlan struct {
	bank   *Params
	tapers *[levels]Taper
	capAh  float64
	drive  float64
}

// taperAhead returns the taper of a bank of capAh.
func (m *Meter) taperAhead(capAh, v25, tempC float64) taperPlan {
	return taperPlan{&m.p, &m.state.Tapers, capAh, drive(v25, tempC)}
}

// tau returns the time constant of a level in hours at 14.4 V and 25 °C, and its standard
// uncertainty as a share. What other levels have learned stands in for a level that has learned
// nothing.
func (p *taperPlan) tau(l int) (hours, sigma float64) {
	var prior float64
	for k := range p.bank.Batteries {
		b := &p.bank.Batteries[k]
		prior += b.Chemistry.TaperH * p.bank.Layout.OfString(b.RatedAh) / p.bank.ratedAh()
	}
	h, w := prior*priorWeight, priorWeight
	for i := range p.tapers {
		t := &p.tapers[i]
		trust := 1.0
		if i != l {
			trust = otherLevel / math.Abs(float64(i-l))
		}
		h, w = h+trust*t.Hours, w+trust*t.Fall
	}
	return h / w, math.Hypot(priorSigma*priorWeight/w, learnedSigma)
}

// missingAh returns what is missing in Ah when the taper's current is amps.
func (p *taperPlan) missingAh(amps float64) (ah float64) {
	for l := range levels {
		top, bottom := p.level(l)
		if hi := min(amps, top); hi > bottom {
			h, _ := p.tau(l)
			ah += (hi - bottom) * h / p.drive
		}
	}
	return ah
}

// level returns the ends of a level in A.
func (p *taperPlan) level(l int) (top, bottom float64) {
	top = taperLevels[l]
	if l > 0 {
		top *= p.bank.ratedAh()
	}
	if l < levels-1 {
		bottom = taperLevels[l+1] * p.bank.ratedAh()
	}
	return top, bottom
}

// current returns the taper's current in A when so much is missing, the inverse of missingAh.
func (p *taperPlan) current(missingAh float64) float64 {
	for l := levels - 1; l > 0; l-- {
		top, bottom := p.level(l)
		h, _ := p.tau(l)
		all := (top - bottom) * h / p.drive
		if missingAh <= all {
			return bottom + missingAh*p.drive/h
		}
		missingAh -= all
	}
	_, bottom := p.level(0)
	h, _ := p.tau(0)
	return min(bottom+missingAh*p.drive/h, p.capAh)
}

// hours returns how long the current takes to fall from one to another, with the uncertainty of
// that.
func (p *taperPlan) hours(from, to float64) (hours, sigma float64) {
	for l := range levels {
		top, bottom := p.level(l)
		hi, lo := min(from, top), max(to, bottom)
		if hi > lo {
			h, s := p.tau(l)
			t := h / p.drive * math.Log(hi/lo)
			hours, sigma = hours+t, sigma+s*t
		}
	}
	return hours, sigma
}
