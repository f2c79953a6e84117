package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Held is a charge whose voltage the charger holds, and what such charges have shown. Exported only
// to be saved.
type Held struct {
	Holding    bool          // voltage held as of the last sample,
	Tapered    bool          // and current low
	TaperFor   time.Duration // for so long both
	HeldFor    time.Duration // voltage held
	HeldA      float64       // its current, averaged
	AtTail     bool          // and that is next to nothing
	Full       bool
	FullReadAt time.Duration // last time the taper was read
	MissingPct float64       // by it
	TaperH     float64       // h: what is missing over the current, at leadacid.TaperV25
	TaperVar   float64       // relative
	SlopeFor   time.Duration // of a held charge without a break
	SlopeA     float64       // its current now and where the reading of its fall began, without gas
	SlopeFromA float64
	SlopeV     float64
	FullAt     time.Duration // last time that a charge was seen to its end
	EverFull   bool
}

// The end of a charge.
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
)

// What a held charge says on its way, by how the current falls. Readings of the fall drift from one
// to the next by taperDrift: it depends on charge, temperature and what came before.
//
// In the warm, plates take what is missing as fast as ever. In the cold they take longer, twice as
// long per coldPlatesC: some 31 kJ/mol. The rule for reactions is twice per 10 °C.
const (
	minTaperH     = 0.3              // h: time constant of a taper; our choice
	maxTaperH     = 4.0              // h: time constant of a taper; our choice
	taperDrift    = 0.15             // ratio: from one reading of the fall to the next; our choice
	slopeSigma    = 0.5              // ratio: of a reading of the fall; our choice
	tailShare     = 0.01             // 1/h: current over capacity at the end of an absorption; trade practice
	heldMean      = 2 * time.Minute  // over which that is averaged; our choice
	earlyHold     = 5 * time.Minute  // of absorption and little current, to be read before a charge's end; our choice
	earlySigmaPct = 0.7              // %: so read, in the warm; fitted to the simulator
	warmPlatesC   = 15.0             // °C: or above, plates are as fast as ever; fitted to the simulator
	coldPlatesC   = 15.0             // °C: so much colder, half as fast; fitted to the simulator
	slopeMean     = 10 * time.Minute // over which a falling current is averaged; our choice
	slopeTime     = 20 * time.Minute // over which the fall is read; our choice
	maxSlope      = 0.15             // 1/h: current over capacity; more, and the charger limits it; our choice
	minSlope      = 0.02             // 1/h: less, and what flows is gas as much as charge; our choice
	minFall       = 1.08             // ratio: less of a fall is none; our choice
	slopeSteadyV  = 0.08             // V: by which a held voltage may move; our choice
	tailSigma     = 0.5              // ratio: of what is missing, however often it is read; published: 0.65 to 2 h
	gasSigma      = 0.5              // ratio: of GassingA, good to a factor of two; our choice
)

// heldSample is one sample of a held charge.
type heldSample struct {
	at        time.Duration
	currentA  float64
	gasA      float64 // of that, what makes gas
	taperA    float64 // of that, the rest
	v25       float64 // voltage at 25 °C
	stringV25 float64 // the same of its string's batteries on the mean; 0: it is in none
	tempC     float64
	absorbing bool // at absorption voltage, not in float

	tailV25       float64 // by which it may be full
	tailAbsorbing bool    // and that is at absorption voltage
}

// cold is by what factor a charge takes longer than in the warm.
func (x *heldSample) cold() float64 { return coldPlates(x.tempC) }

// coldPlates is by what factor plates are slower at a temperature than in the warm.
func coldPlates(tempC float64) float64 {
	return math.Exp2(max(warmPlatesC-tempC, 0) / coldPlatesC)
}

// watch follows a held charge to its end: current tapered off. What is then still missing is some
// time's worth of the current; the longer it lasts, the less.
func (h *Held) watch(x *heldSample, dt time.Duration, b *Belief, p *Params) {
	if !h.Holding { // what was before the first such sample is not known
		h.Holding, dt = true, 0
	}
	h.watchTaper(x, dt, b.CapAh, p.Chemistry.TaperH)
	h.watchTail(x, dt, p.RatedAh)
	if !(x.taperA < taperShare*p.RatedAh && x.currentA > -minRest*p.Current.Zero) {
		h.Tapered, h.TaperFor = false, 0
		h.readTaper(x, b, p)
		return
	}
	if !h.Tapered {
		h.Tapered, dt = true, 0
	}
	h.TaperFor += dt
	if h.TaperFor < fullHold && (h.TaperFor < absorbHold || !x.absorbing) {
		h.readEarly(x, b, p)
		return
	}
	if !h.Full || x.at-h.FullReadAt >= fullAgain {
		h.readFull(x, b, p)
	}
	h.Full = true
	if h.MissingPct <= maxMissingPct {
		h.EverFull, h.FullAt = true, x.at
	}
}

// lose: it is not known for how long the charger has held the voltage.
func (h *Held) lose() {
	h.Holding, h.Tapered, h.TaperFor, h.SlopeFor, h.HeldFor, h.AtTail = false, false, 0, 0, 0, false
}

// end: the charger no longer holds the voltage.
func (h *Held) end() {
	h.lose()
	h.Full = false
}

// readTaper takes in what a held charge still misses, well before its end; little, but all there is
// after a start in mid-charge.
func (h *Held) readTaper(x *heldSample, b *Belief, p *Params) {
	if h.SlopeFor < slopeMean+slopeTime/2 || h.SlopeA > maxSlope*b.CapAh ||
		b.Filter.P[iSoC][iSoC] < sq(chargeUnsurePct) || x.at-b.ChargeReadAt < curveEvery {
		return
	}
	missing, sigma := h.missingPct(x, h.SlopeA, b.CapAh)
	b.takeCharge(x.at, 100-missing, sigma, p)
}

// readEarly takes in how little a charge takes that is not held long enough to be at its end:
// drives may all be shorter than that.
func (h *Held) readEarly(x *heldSample, b *Belief, p *Params) {
	if h.TaperFor < earlyHold || !x.absorbing || x.at-b.ChargeReadAt < curveEvery {
		return
	}
	missing, sigma := h.missingPct(x, x.taperA, b.CapAh)
	sigma = math.Hypot(sigma, earlySigmaPct*x.cold())
	if b.Filter.P[iSoC][iSoC] < sq(sigma) {
		return // what it errs by stays the same
	}
	b.takeCharge(x.at, 100-missing, sigma, p)
}

// readFull takes in what a charge at its end still misses, and begins a swing there.
func (h *Held) readFull(x *heldSample, b *Belief, p *Params) {
	missing, sigma := h.missingPct(x, x.taperA, b.CapAh)
	if h.Full {
		sigma *= againSigma // much the same evidence as ten minutes ago
	}
	b.settle(p)
	if !h.Full {
		b.learnAtTheFullEnd(100-missing, sigma, p)
	}
	trails := x.stringV25 > x.v25+slopeSteadyV
	if !trails || b.Filter.P[iSoC][iSoC] >= sq(sameErrorShare*sigma) { // else it errs by the same as before
		b.tellZero(&[states]float64{iSoC: 1}, 100-missing-b.Filter.X[iSoC], sq(sigma))
		was := b.Filter.updateSoC(100-missing, sigma)
		b.Filter.atLeast(math.Hypot(bestSigmaPct, tailSigma*missing+x.trailingPct(missing)), was)
	}
	h.MissingPct, h.FullReadAt = missing, x.at
	b.top()
}

// watchTail sees a held charge bring in next to nothing, as into a full block: at absorption
// voltage, or in float, where the current is less at any charge, by so much less and for longer.
func (h *Held) watchTail(x *heldSample, dt time.Duration, ratedAh float64) {
	if h.HeldFor == 0 {
		h.HeldA = x.taperA
	}
	h.HeldFor += dt
	h.HeldA += (x.taperA - h.HeldA) * approach(dt, heldMean)
	share, long := tailShare, earlyHold
	if !x.tailAbsorbing {
		share, long = share*(x.tailV25-leadacid.TaperRestV)/(leadacid.TaperV25-leadacid.TaperRestV), fullHold
	}
	h.AtTail = h.HeldFor >= long && h.HeldA < share*ratedAh
}

// watchStringsTail does so for a battery that only its string is held with: it may be full, and no more is known.
func (h *Held) watchStringsTail(x *heldSample, dt time.Duration, p *Params) {
	if !h.Holding {
		dt = 0
	}
	heldFor, heldA := h.HeldFor, h.HeldA
	h.end()
	h.Holding, h.HeldFor, h.HeldA = true, heldFor, heldA
	h.watchTail(x, dt, p.RatedAh)
}

// missingPct returns what a charge still misses whose current has tapered to taperA, in percent,
// and its standard deviation.
func (h *Held) missingPct(x *heldSample, taperA, capAh float64) (pct, sigmaPct float64) {
	tau := h.TaperH * x.cold() * (leadacid.TaperV25 - leadacid.TaperRestV) / (x.v25 - leadacid.TaperRestV)
	pct = min(100*tau*max(taperA, 0)/capAh, 100)
	return pct, fullSigmaPct + pct*math.Sqrt(h.TaperVar) + 100*gasSigma*tau*x.gasA/capAh + x.trailingPct(pct)
}

// trailingPct is how much more a battery of a string seems to miss for being held below the mean of its string
// than it would at the mean, in percent of which missing is all. The current is the string's: it takes as much as
// the others let through, and in frost, where full ones hold volts apart that differ by a percent, its low
// voltage says little of what it misses. So do taps that make it seem low.
func (x *heldSample) trailingPct(missing float64) float64 {
	if x.stringV25 <= x.v25 {
		return 0
	}
	return missing * (x.stringV25 - x.v25) / (x.stringV25 - leadacid.TaperRestV)
}

// watchTaper learns from how quickly a held charge's current falls what is missing for a current:
// were it to fall on at that pace, it would bring in itself times the time constant. A current that
// falls quickly at first and slowly later brings in more than its pace says: it is read once what is
// quicker than usual must be over, and each break starts that again.
func (h *Held) watchTaper(x *heldSample, dt time.Duration, capAh, usualH float64) {
	if h.SlopeFor == 0 || x.taperA <= 0 || math.Abs(x.v25-h.SlopeV) > slopeSteadyV {
		h.SlopeFor, h.SlopeA, h.SlopeFromA, h.SlopeV = dt, x.taperA, x.taperA, x.v25
		return
	}
	h.SlopeFor += dt
	h.SlopeA += (x.taperA - h.SlopeA) * approach(dt, slopeMean)
	if h.SlopeFor < slopeMean+slopeTime {
		if h.SlopeFor <= slopeMean {
			h.SlopeFromA = h.SlopeA
		}
		return
	}
	u := h.SlopeA / capAh
	if h.HeldFor.Hours() >= usualH && u > minSlope && u < maxSlope && h.SlopeFromA > minFall*h.SlopeA {
		tau := (h.SlopeFor - slopeMean).Hours() / math.Log(h.SlopeFromA/h.SlopeA) *
			(x.v25 - leadacid.TaperRestV) / (leadacid.TaperV25 - leadacid.TaperRestV) / x.cold()
		relative := math.Log(min(max(tau, minTaperH), maxTaperH) / h.TaperH)
		h.TaperVar = min(h.TaperVar+sq(taperDrift), sq(fullTauSigma))
		k := h.TaperVar / (h.TaperVar + sq(slopeSigma))
		h.TaperH *= math.Exp(k * relative)
		h.TaperVar *= 1 - k
	}
	h.SlopeFor, h.SlopeFromA, h.SlopeV = slopeMean, h.SlopeA, x.v25
}
