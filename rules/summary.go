package rules

import (
	"math"
	"time"

	"liftbank/rules/estimate"
	"liftbank/rules/loadtest"
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
	judge := e.last >= e.judgeAt
	e.judged = judge
	if judge {
		e.judgeAt = e.last + judgeEvery
	}
	for i := range n {
		b := &e.out.Battery[i]
		e.charge(i, b)
		if judge {
			e.capability(i, b)
		}
		b.ChargedAh, b.DrawnAh = e.est[i].ChargedAh(), e.est[i].DrawnAh()
		b.DrawSharePct = Estimate{Value: draw[i], Sigma: shareSigmaPct, Known: drawOK && n > 1}
		b.ChargeSharePct = Estimate{Value: charge[i], Sigma: shareSigmaPct, Known: chargeOK && n > 1}
	}
	if judge {
		e.summariseNetwork()
	}
	e.summariseBank(bankV, bankA)
}

func (e *Engine) summariseNetwork() {
	for i := range e.out.Links {
		l := &e.out.Links[i]
		l.Mohm.Value, l.Mohm.Sigma, l.Mohm.Known = e.net.Link(l.From, l.Side)
	}
	path := &e.out.Motor.PathMohm
	path.Value, path.Sigma, path.Known = e.net.MotorPath()
	e.feedPath.Value, e.feedPath.Sigma, e.feedPath.Known = e.net.FeedPath()
	e.out.Feed.PathMohm = e.feedPath
	e.out.Bank.LoadLeads, e.out.Bank.FeedLeads = e.net.Load(), e.net.Feed()
}

// judgeEvery is how often capability and verdict are worked out: they change with runs and over hours.
const judgeEvery = 5 * time.Second

// shareSigmaPct is what 1 % gain errors of two sensors make of a half share.
const shareSigmaPct = 0.7

func (e *Engine) charge(i int, b *BatteryState) {
	soc, sigma, ok := e.est[i].SoC()
	b.SoCPct = Estimate{soc, sigma, ok}
	if e.judge[i].DeadCell() {
		b.SoCPct = Estimate{}
	}
	if v, sigma, ok := e.est[i].RestedV(); ok && sigma <= restedSigmaV {
		b.RestedV, b.RestedAt = Estimate{v, sigma, true}, e.last
	}
}

// restedSigmaV is how well a rested voltage must have settled before it is said.
const restedSigmaV = 0.05

// waitsForSensors is what a verdict waits for while the battery's sensors can't be believed.
const waitsForSensors = "a voltage and a current that can be believed"

func (e *Engine) capability(i int, b *BatteryState) {
	if !b.In.VoltageV.OK() || !b.In.CurrentA.OK() {
		b.Resistance, b.CrankingA, b.Trend = Estimate{}, Estimate{}, Estimate{}
		b.Verdict, b.WaitsFor = loadtest.Unknown, waitsForSensors
		return
	}
	m := e.load[i]
	b.Resistance.Value, b.Resistance.Sigma, b.RunsJudged, b.Resistance.Known = m.ResistanceMohm()
	b.CrankingA.Value, b.CrankingA.Sigma, b.CrankingA.Known = m.CrankingA()
	b.CapacityAh.Value, b.CapacityAh.Sigma, b.CapacityAh.Known = e.est[i].CapacityAh()
	rated := &e.cfg.Batteries[i]
	b.HealthPct = Estimate{100 * b.CapacityAh.Value / rated.RatedAh, 100 * b.CapacityAh.Sigma / rated.RatedAh, b.CapacityAh.Known}
	b.Trend.Value, b.Trend.Sigma, b.Trend.Known = m.Trend()
	ev := loadtest.Evidence{
		Runs:          b.RunsJudged,
		CrankingShare: b.CrankingA.Value / rated.RatedCCA, CrankingSigma: b.CrankingA.Sigma / rated.RatedCCA, CrankingOK: b.CrankingA.Known,
		CapacityShare: b.CapacityAh.Value / rated.RatedAh, CapacitySigma: b.CapacityAh.Sigma / rated.RatedAh, CapacityOK: b.CapacityAh.Known,
		// A rest of before a charge says nothing of a cell: an empty battery stood as low.
		RestedV: b.RestedV.Value, RestedOK: b.RestedV.Known && b.RestedAt == e.last, TakingRuns: m.TakingRuns(),
	}
	ev.SoCPct, ev.SoCSigma, ev.SoCOK = e.est[i].SoC()
	ev.EMFV, ev.EMFOK = m.EMFV()
	for j, other := range e.load {
		if v, ok := other.EMFV(); ok && j != i && (!ev.NeighbourEMFOK || v > ev.NeighbourEMFV) {
			ev.NeighbourEMFV, ev.NeighbourEMFOK = v, true
		}
	}
	b.Verdict, b.WaitsFor = e.judge[i].Step(&ev)
}

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
	bank.Cycles = bank.DrawnAh / weight
	e.compareResistances(bank)
	bank.ChargedWh, bank.DrawnWh = e.chargedWh, e.drawnWh
	e.summariseRest(bank)
	e.summariseFull(bank)
}

// compareResistances gives the largest resistance of the bank over the smallest.
func (e *Engine) compareResistances(bank *BankState) {
	bank.ResistanceRatio = Estimate{}
	low, high := &e.out.Battery[0].Resistance, &e.out.Battery[0].Resistance
	for i := range e.out.Battery {
		r := &e.out.Battery[i].Resistance
		if !r.Known {
			return
		}
		if r.Value < low.Value {
			low = r
		}
		if r.Value > high.Value {
			high = r
		}
	}
	if low == high {
		return
	}
	ratio := high.Value / low.Value
	bank.ResistanceRatio = Estimate{ratio, ratio * math.Hypot(low.Sigma/low.Value, high.Sigma/high.Value), true}
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

// summariseFull finds how long ago the battery was full whose last full charge is longest ago.
func (e *Engine) summariseFull(bank *BankState) {
	bank.FullKnown = false
	for i := range e.cfg.Batteries {
		at, ever := e.lastFull(i)
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
