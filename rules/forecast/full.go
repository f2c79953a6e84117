package forecast

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Constants of the charge. Where no source is named, the figure is our choice.
const (
	windowFor    = 2 * time.Minute // one mean of voltage and current
	windowSkip   = 3 * time.Minute // of a feed just come up, or after a run: surface effects
	windows      = 6               // kept
	heldV        = 0.03            // by which a held voltage may move over the kept windows
	heldFall     = 0.015           // by which the current must have fallen meanwhile, for a held voltage: else it is the feed that limits
	fullMissing  = 0.02            // of the capacity, when the bank counts as full
	fullLeastV25 = 13.2            // a feed that holds less at 25 °C fills nothing in useful time: the lowest published float settings, and 13.0, keep full only
	gasShare     = 0.5             // of GassingA, which is good to a factor of two: too much gas taken off makes a taper look over
	taperV25     = 14.4            // the voltage at 25 °C that time constants are stated for (published constant-voltage stage: 2.40 V a cell)
	restFullV    = 12.8            // a full block at rest: the taper's current goes with the voltage above it
	priorWeight  = 0.15            // of the published time constant, in units of ln(current) fallen
	priorSigma   = 0.35            // of it: 0.65 to 2 h are published
	learntSigma  = 0.06            // of a learnt one
	taperMost    = 1.5             // weight that a learnt one can have
	leastFeedA   = 0.003           // of the capacity: under it a feed gives nothing
)

// taperLevels are the upper ends of the levels of current, in shares of the capacity per hour, beyond the first all above it.
var taperLevels = [levels]float64{math.MaxFloat64, 0.12, 0.06, 0.03, 0.015}

const levels = 5

// priorTau is the taper's time constant in hours before it was learnt: 0.65 and 2 h were measured on two batteries, AGM and flooded; AGM
// ones take charge more readily than flooded and gel ones (general understanding). Set within that range after simulated charges.
func priorTau(c leadacid.Chemistry) float64 {
	if c == leadacid.AGM {
		return 1.2
	}
	return 1.8
}

// Taper is what was seen of the taper at one level of current.
type Taper struct {
	Hours float64 // at taperV25 and 25 °C
	Fall  float64 // of the current's logarithm in them
}

// Point is one mean of some minutes of a charge.
type Point struct {
	At         time.Duration
	Volt, Amps float64
	TempC      float64
}

// Window keeps the last minutes of a charge.
type Window struct {
	On               bool
	From             time.Duration // when the mean under way began, or begins
	N                int
	SumV, SumA, SumT float64
	Kept             [windows]Point
	Count            int
	Low              bool // a taper was seen in this charge, and the current has not risen since
	LowA             float64
}

func (m *Meter) stepFeed(r *Reading) {
	f := &m.state.Feed
	if !r.Feeding {
		*f = Window{}
		return
	}
	if !f.On {
		*f = Window{On: true, From: r.At + windowSkip}
	}
	if r.At < f.From {
		return
	}
	var volt, amps, temp float64
	for k := range m.n {
		if !r.VoltageOK[k] || !r.CurrentOK[k] || !r.TempOK[k] {
			f.N, f.SumV, f.SumA, f.SumT, f.From, f.Count = 0, 0, 0, 0, r.At, 0
			return
		}
		volt, amps, temp = volt+r.VoltageV[k], amps+r.CurrentA[k], temp+r.TempC[k]
	}
	f.N++
	f.SumV, f.SumA, f.SumT = f.SumV+volt/float64(m.n), f.SumA+amps, f.SumT+temp/float64(m.n)
	if r.At-f.From < windowFor {
		return
	}
	n := float64(f.N)
	m.keep(Point{At: r.At, Volt: f.SumV / n, Amps: f.SumA / n, TempC: f.SumT / n})
	f.N, f.SumV, f.SumA, f.SumT, f.From = 0, 0, 0, 0, r.At
}

// keep takes a mean in; when all places are new again, they are learnt from.
func (m *Meter) keep(p Point) {
	f := &m.state.Feed
	if f.Count > 0 && p.At-f.Kept[windows-1].At > 2*windowFor {
		f.Count = 0 // a gap
	}
	copy(f.Kept[:], f.Kept[1:])
	f.Kept[windows-1] = p
	f.Count++
	f.Low = f.Low && p.Amps < 1.1*f.LowA
	if !f.held() {
		return
	}
	f.Low, f.LowA = true, p.Amps
	m.state.HeldV25 = volt25(&p)
	m.state.HeldKnown = true
	if f.Count%(windows-1) == 1 {
		m.learnTaper()
	}
}

// volt25 is the voltage that at 25 °C would stand for this one, by the usual compensation.
func volt25(p *Point) float64 {
	return p.Volt + taperV25 - leadacid.ChargeLimitV(taperV25, p.TempC)
}

// held reports whether the feed holds its voltage while the current falls.
func (f *Window) held() bool {
	if f.Count < windows {
		return false
	}
	a, b := &f.Kept[0], &f.Kept[windows-1]
	return math.Abs(b.Volt-a.Volt) <= heldV && (b.Amps < a.Amps*(1-heldFall) || f.Low)
}

// gas is the part of the bank's current that makes gas.
func (m *Meter) gas(p *Point) (amps float64) {
	for k := range m.n {
		b := &m.p.Batteries[k]
		amps += gasShare * leadacid.GassingA(b.Chemistry, b.RatedAh, p.Volt, p.TempC)
	}
	return amps
}

func (m *Meter) ratedAh() (ah float64) {
	for k := range m.n {
		ah += m.p.Batteries[k].RatedAh
	}
	return ah
}

// drive is how much faster the taper runs at this voltage and temperature than at 14.4 V and 25 °C.
func drive(v25, tempC float64) float64 {
	return max((v25-restFullV)/(taperV25-restFullV), 0.1) / leadacid.AcceptanceFactor(tempC)
}

// learnTaper takes in by how much the current fell over the kept means.
func (m *Meter) learnTaper() {
	a, b := &m.state.Feed.Kept[0], &m.state.Feed.Kept[windows-1]
	gas := m.gas(b)
	ia, ib := a.Amps-gas, b.Amps-gas
	if ib < leastFeedA*m.ratedAh() || ia <= ib {
		return
	}
	l := &m.state.Tapers[m.level(math.Sqrt(ia*ib)/m.ratedAh())]
	l.Hours += (b.At - a.At).Hours() * drive(volt25(b), b.TempC)
	l.Fall += math.Log(ia / ib)
	if over := l.Fall / taperMost; over > 1 {
		l.Hours, l.Fall = l.Hours/over, l.Fall/over
	}
}

func (m *Meter) level(perAh float64) int {
	l := 0
	for l < levels-1 && perAh < taperLevels[l+1] {
		l++
	}
	return l
}

// tau gives the time constant of a level in hours at 14.4 V and 25 °C, and its standard uncertainty as a share. What other levels have
// learnt stands in for a level that has learnt nothing.
func (m *Meter) tau(l int) (hours, sigma float64) {
	var prior float64
	for k := range m.n {
		prior += priorTau(m.p.Batteries[k].Chemistry) * m.p.Batteries[k].RatedAh / m.ratedAh()
	}
	h, w := prior*priorWeight, priorWeight
	for i := range m.state.Tapers {
		t := &m.state.Tapers[i]
		trust := 1.0
		if i != l {
			trust = 0.1 / math.Abs(float64(i-l))
		}
		h, w = h+trust*t.Hours, w+trust*t.Fall
	}
	return h / w, math.Hypot(priorSigma*priorWeight/w, learntSigma)
}

// taperPlan is the taper ahead at one voltage and temperature.
type taperPlan struct {
	m     *Meter
	capAh float64
	drive float64
}

// missingAh gives what is missing in Ah when the taper's current is amps.
func (p *taperPlan) missingAh(amps float64) (ah float64) {
	for l := range levels {
		top, bottom := p.level(l)
		if hi := min(amps, top); hi > bottom {
			h, _ := p.m.tau(l)
			ah += (hi - bottom) * h / p.drive
		}
	}
	return ah
}

// level gives the ends of a level in A.
func (p *taperPlan) level(l int) (top, bottom float64) {
	top = taperLevels[l]
	if l > 0 {
		top *= p.m.ratedAh()
	}
	if l < levels-1 {
		bottom = taperLevels[l+1] * p.m.ratedAh()
	}
	return top, bottom
}

// current gives the taper's current in A when so much is missing.
func (p *taperPlan) current(missingAh float64) float64 {
	lo, hi := 0.0, p.capAh
	for range 40 {
		if mid := (lo + hi) / 2; p.missingAh(mid) < missingAh {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// hours gives how long the current takes to fall from one to another, with the uncertainty of that.
func (p *taperPlan) hours(from, to float64) (hours, sigma float64) {
	for l := range levels {
		top, bottom := p.level(l)
		hi, lo := min(from, top), max(to, bottom)
		if hi > lo {
			h, s := p.m.tau(l)
			t := h / p.drive * math.Log(hi/lo)
			hours, sigma = hours+t, sigma+s*t
		}
	}
	return hours, sigma
}

// TimeToFull gives the hours until the bank is full at the present feed.
func (m *Meter) TimeToFull(known *Known) Answer {
	f := &m.state.Feed
	if !f.On {
		return Answer{WaitsFor: waitsForFeed}
	}
	if why := m.missing(known); why != "" {
		return Answer{WaitsFor: why}
	}
	if f.Count < 2 {
		return Answer{WaitsFor: waitsForMinutes}
	}
	var capAh, missing, socSigma, capSigma float64
	for k := range m.n {
		ah, s := m.capacity(k, known)
		capAh, missing = capAh+ah, missing+ah*(1-known.SoCPct[k]/100)
		socSigma, capSigma = socSigma+ah*known.SoCSigma[k]/100, max(capSigma, s)
	}
	now := &f.Kept[windows-1]
	end := fullMissing * capAh
	if f.held() {
		return m.inTaper(now, capAh, missing, end, socSigma)
	}
	if now.Amps < leastFeedA*capAh {
		switch {
		case missing <= 1.5*end && volt25(now) >= fullLeastV25:
			return Answer{Sigma: 0.2, Known: true}
		case volt25(now) < fullLeastV25:
			return Answer{WaitsFor: notAtThisFeed}
		}
		return Answer{WaitsFor: notWithThisA}
	}
	return m.inBulk(now, capAh, missing, end, socSigma, capSigma)
}

// inTaper goes by the current and by the charge that is missing, each after what it is worth: a current says more in the middle of a
// taper, where what is missing is not known to a few percent; at its end the sensors' zeros and the gas blur it.
func (m *Meter) inTaper(now *Point, capAh, missing, end, socSigma float64) Answer {
	if volt25(now) < fullLeastV25 {
		return Answer{WaitsFor: notAtThisFeed}
	}
	plan := taperPlan{m, capAh, drive(volt25(now), now.TempC)}
	gas, last := m.gas(now), plan.current(end)
	byCurrent, byCharge := max(now.Amps-gas, last), max(plan.current(missing), last)
	currentSigma := math.Hypot(currentRule, math.Hypot(zeroSigmaA*math.Sqrt(float64(m.n)), gas/2)/byCurrent)
	chargeSigma := math.Hypot(chargeRule, socSigma/max(missing, end))
	w := sq(chargeSigma) / (sq(chargeSigma) + sq(currentSigma))
	from := math.Exp(w*math.Log(byCurrent) + (1-w)*math.Log(byCharge))
	hours, sigma := plan.hours(from, last)
	tau, _ := m.tau(m.level(last / m.ratedAh()))
	start := math.Sqrt(w) * currentSigma * tau / plan.drive // of where in the taper the bank is
	return Answer{Value: hours, Sigma: math.Hypot(math.Hypot(sigma, start), 0.1), Known: true}
}

// What in a taper a current and a charge leave open, as shares, and the zero of a ±200 A sensor once learnt.
const (
	currentRule = 0.25
	chargeRule  = 0.1
	zeroSigmaA  = 0.1
)

// inBulk goes by the charge that is missing until the taper begins.
func (m *Meter) inBulk(now *Point, capAh, missing, end, socSigma, capSigma float64) Answer {
	v25 := taperV25
	if m.state.HeldKnown {
		v25 = m.state.HeldV25
	}
	v25 = max(v25, volt25(now))
	if v25 < fullLeastV25 {
		return Answer{WaitsFor: notAtThisFeed}
	}
	plan := taperPlan{m, capAh, drive(v25, now.TempC)}
	// A feed that is limited by its power gives less as the voltage rises.
	amps := now.Amps * (1 + volt25(now)/v25) / 2
	last, tail := plan.current(end), amps
	if by := plan.current(missing); by < amps {
		tail = by // the taper should have begun: its voltage is still coming up
	}
	bulkAh := max(missing-plan.missingAh(tail), 0)
	bulk := bulkAh / (amps * m.efficiency())
	taper, sigma := plan.hours(tail, last)
	sigma = math.Hypot(sigma*(1+bulkAh/capAh), socSigma/amps)
	sigma = math.Hypot(sigma, (bulk+taper)*capSigma)
	return Answer{Value: bulk + taper, Sigma: math.Hypot(sigma, 0.05*bulk), Known: true}
}

// efficiency is the share of the charge current that is stored below the taper.
func (m *Meter) efficiency() (e float64) {
	for k := range m.n {
		e += leadacid.ChargeEfficiency(m.p.Batteries[k].Chemistry) / float64(m.n)
	}
	return e
}
