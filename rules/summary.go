package rules

import (
	"math"

	"liftbank/rules/estimate"
	"liftbank/rules/leadacid"
)

// shareState sums who carried what, with a memory of some days of throughput.
type shareState struct {
	drawnAh, chargedAh [MaxBatteries]float64
}

// shareMemoryAh is the bank's throughput after which the past is halved, per battery; shareLeastAh what must have moved before
// shares are said.
const (
	shareMemoryAh = 100.0
	shareLeastAh  = 2.0
)

func (s *shareState) counted(b *estimate.Battery) [2]float64 {
	return [2]float64{b.DrawnAh(), b.ChargedAh()}
}

func (s *shareState) add(i int, before [2]float64, b *estimate.Battery) {
	s.drawnAh[i] += b.DrawnAh() - before[0]
	s.chargedAh[i] += b.ChargedAh() - before[1]
}

// shares gives each battery's share of a sum in percent; ok is false before enough has moved.
func shares(ah *[MaxBatteries]float64, n int) (pct [MaxBatteries]float64, ok bool) {
	var sum float64
	for _, x := range ah[:n] {
		sum += x
	}
	if sum < shareLeastAh {
		return pct, false
	}
	for i := range n {
		pct[i] = 100 * ah[i] / sum
	}
	if sum > shareMemoryAh*float64(n) {
		for i := range n {
			ah[i] /= 2
		}
	}
	return pct, true
}

// summarise fills in what is known of the batteries and the bank.
func (e *Engine) summarise(bankV, bankA Reading) {
	n := len(e.cfg.Batteries)
	draw, drawOK := shares(&e.share.drawnAh, n)
	charge, chargeOK := shares(&e.share.chargedAh, n)
	for i := range n {
		b := &e.out.Battery[i]
		e.charge(i, b)
		e.resistance(i, b)
		b.Verdict, b.WaitsFor = verdict(b, e.cfg.Batteries[i].RatedCCA)
		b.ChargedAh, b.DrawnAh = e.est[i].ChargedAh(), e.est[i].DrawnAh()
		b.DrawSharePct = Estimate{Value: draw[i], Sigma: shareSigmaPct, Known: drawOK && n > 1}
		b.ChargeSharePct = Estimate{Value: charge[i], Sigma: shareSigmaPct, Known: chargeOK && n > 1}
	}
	e.summariseBank(bankV, bankA)
}

// shareSigmaPct is what 1 % gain errors of two sensors make of a half share.
const shareSigmaPct = 0.7

func (e *Engine) charge(i int, b *BatteryState) {
	soc, sigma, ok := e.est[i].SoC()
	b.SoCPct = Estimate{soc, sigma, ok}
	if v, sigma, ok := e.est[i].RestedV(); ok && sigma <= restedSigmaV {
		b.RestedV, b.RestedAt = Estimate{v, sigma, true}, e.last
	}
}

// restedSigmaV is how well a rested voltage must have settled before it is said.
const restedSigmaV = 0.05

func (e *Engine) resistance(i int, b *BatteryState) {
	mohm, sigma, runs, ok := e.res[i].Mohm()
	b.RunsJudged = runs
	b.Resistance, b.CrankingA = Estimate{mohm, sigma, ok}, Estimate{}
	if !ok {
		return
	}
	a := leadacid.CrankingA(mohm)
	rel := math.Hypot(sigma/mohm, leadacid.CrankingSigma)
	b.CrankingA = Estimate{a, a * rel, true}
}

// Limits of a verdict, as shares of the rated cold cranking current. Replacement below 80 % of rated is the published practice for
// stationary banks (IEEE Std 450) and half the rating is the load test's own limit; the rule from resistance to cranking is worth
// 15 %, so tired is only called clear of it, and between the limits nothing is.
const (
	verdictRuns  = 20
	fitShare     = 0.80
	tiredShare   = 0.65
	failedShare  = 0.50
	fitLowPct    = 75.0 // 12.45 V rested, flooded: under it a battery needs charge before it is tested
	fitLowSigmas = 1.0
)

func verdict(b *BatteryState, ratedCCA float64) (Verdict, string) {
	if b.RunsJudged < verdictRuns || !b.CrankingA.Known {
		return VerdictUnknown, waitsForRuns
	}
	share := b.CrankingA.Value / ratedCCA
	switch {
	case share < failedShare:
		return VerdictFailed, ""
	case share < tiredShare:
		return VerdictTired, ""
	case share < fitShare:
		return VerdictUnknown, waitsForClear
	case !b.SoCPct.Known:
		return VerdictUnknown, waitsForCharge
	case b.SoCPct.Value+fitLowSigmas*b.SoCPct.Sigma < fitLowPct:
		return VerdictFitLow, ""
	}
	return VerdictFit, ""
}

const (
	waitsForRuns   = "20 motor runs with voltage and current read"
	waitsForClear  = "a capability clear of the limit: it lies within its uncertainty"
	waitsForCharge = "a state of charge: a rest or a full charge"
)

func (e *Engine) summariseBank(bankV, bankA Reading) {
	bank := &e.out.Bank
	bank.VoltageV, bank.CurrentA = bankV, bankA
	n := len(e.cfg.Batteries)
	var sum, weight, variance float64
	low, high := math.Inf(1), math.Inf(-1)
	bank.ChargedAh, bank.DrawnAh, bank.CirculatingA = 0, 0, Estimate{}
	known := true
	var spreadVar float64
	for i := range n {
		b := &e.out.Battery[i]
		ah := e.cfg.Batteries[i].RatedAh
		known = known && b.SoCPct.Known
		sum, weight = sum+b.SoCPct.Value*ah, weight+ah
		variance += sq(b.SoCPct.Sigma * ah)
		spreadVar = max(spreadVar, sq(b.SoCPct.Sigma))
		low, high = min(low, b.SoCPct.Value), max(high, b.SoCPct.Value)
		bank.ChargedAh += b.ChargedAh
		bank.DrawnAh += b.DrawnAh
	}
	bank.SoCPct, bank.SpreadPct = Estimate{}, Estimate{}
	if known {
		bank.SoCPct = Estimate{sum / weight, math.Sqrt(variance) / weight, true}
		if n > 1 {
			bank.SpreadPct = Estimate{high - low, math.Sqrt(2 * spreadVar), true}
		}
	}
	bank.ChargedWh, bank.DrawnWh = e.chargedWh, e.drawnWh
	e.summariseRest(bank)
	e.summariseFull(bank)
}

// summariseRest tells whether the bank as a whole has rested, and what it then shows.
func (e *Engine) summariseRest(bank *BankState) {
	var sumV, sigma, flow float64
	var m int
	rested := true
	for i := range e.cfg.Batteries {
		in := &e.out.Battery[i].In
		if !in.VoltageV.OK() || !in.CurrentA.OK() {
			continue
		}
		v, s, ok := e.est[i].RestedV()
		rested = rested && ok && s <= restedSigmaV && e.est[i].RestFor() >= e.cfg.Thresholds.RestTime
		sumV, sigma, m = sumV+v, max(sigma, s), m+1
		flow += math.Abs(in.CurrentA.Value)
	}
	bank.Rested = rested && m > 0
	if !bank.Rested {
		return
	}
	bank.RestedV = Estimate{sumV / float64(m), sigma, true}
	if m == len(e.cfg.Batteries) && m > 1 {
		bank.CirculatingA = Estimate{flow / 2, circulatingSigmaA, true}
	}
}

// circulatingSigmaA is what the zeros of two ±200 A sensors leave uncertain.
const circulatingSigmaA = 0.2

// summariseFull finds the last instant at which all batteries had been charged to the end.
func (e *Engine) summariseFull(bank *BankState) {
	bank.FullKnown = false
	for i := range e.cfg.Batteries {
		at, ever := e.est[i].Full()
		if !ever {
			bank.FullKnown = false
			return
		}
		if since := e.last - at; !bank.FullKnown || since > bank.SinceFull {
			bank.SinceFull, bank.FullKnown = since, true
		}
	}
}

func sq(x float64) float64 { return x * x }
