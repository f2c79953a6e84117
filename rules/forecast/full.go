package forecast

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Constants of the charge.
//
// A feed that holds less than minFullV25 fills nothing in useful time: the lowest published float
// settings, and 13.0, keep full only. GassingA is good to a factor of two, and too much gas taken
// off makes a taper look over: half of it is. Where the current did not fall by heldFall, it is the
// feed that limits, not a held voltage.
const (
	windowFor    = 2 * time.Minute // one mean of voltage and current; our choice
	windowSkip   = 3 * time.Minute // of a feed just come up, or after a run, for surface effects; our choice
	windowGap    = 2 * windowFor   // between two means: longer is a gap; our choice
	windows      = 6               // count: means kept; our choice
	minWindows   = 2               // count: means before a time is said; our choice
	heldV        = 0.03            // V: by which a held voltage may move over the kept means; our choice
	heldFall     = 0.015           // ratio: by which the current must have fallen meanwhile; our choice
	riseShare    = 1.1             // ratio: of the current after a taper was seen, for it to be over; our choice
	fullMissing  = 0.02            // ratio: of the capacity, missing when the bank counts as full; our choice
	nearFull     = 1.5             // ratio: of that, so near that a feed gives no more; our choice
	nearFullH    = 0.2             // h: deviation of the time to full then; our choice
	minFullV25   = 13.2            // V: held at 25 °C, to fill a bank; our choice
	gasShare     = 0.5             // ratio: of GassingA; our choice
	minDrive     = 0.1             // ratio: of a taper's speed at leadacid.TaperV25, at a low voltage; our choice
	priorWeight  = 0.15            // ratio: weight of the published time constant, as ln(current) fallen; our choice
	priorSigma   = 0.35            // ratio: deviation of that; published: measured tapers, 0.65 to 2 h
	learnedSigma = 0.06            // ratio: deviation of a learned time constant; our choice
	otherLevel   = 0.1             // ratio: what the next level of current says of one; our choice
	maxTaper     = 1.5             // ratio: weight that a learned one can have, as ln(current) fallen; our choice
	minFeedShare = 0.003           // 1/h: current over capacity below which a feed gives nothing; our choice
	levels       = 5               // count: levels of current; our choice
	bisections   = 40              // count: steps to find a current; our choice

	currentRule = 0.25 // ratio: what a current in a taper leaves open; our choice
	chargeRule  = 0.1  // ratio: what a missing charge in a taper leaves open; our choice
	zeroShare   = 0.5  // ratio: deviation of a current sensor's zero, once learned, over its class; our choice
	gasSigma    = 0.5  // ratio: of the gas; our choice
	endSigmaH   = 0.1  // h: of a taper's end; our choice
	bulkSigma   = 0.05 // ratio: of the time until the taper; our choice
)

// taperLevels are the upper ends of the levels of current, in shares of the capacity per hour,
// except for the first: all above it.
var taperLevels = [levels]float64{math.MaxFloat64, 0.12, 0.06, 0.03, 0.015}

// Taper is what was seen of the taper at one level of current.
type Taper struct {
	Hours float64 // at leadacid.TaperV25 and 25 °C
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

func (m *Meter) stepFeed(s *unit.Scan, facts *Facts, in *Inputs) {
	f, at := &m.state.Feed, s.At.Mono
	if !facts.Feeding {
		*f = Window{}
		return
	}
	if !f.On {
		*f = Window{On: true, From: at + windowSkip}
	}
	if at < f.From {
		return
	}
	var volt, amps, temp float64
	for k := range m.n {
		b, t := &s.Battery[k], in.TempC[k]
		if !b.VoltageV.OK() || !b.CurrentA.OK() || !t.OK() {
			f.N, f.SumV, f.SumA, f.SumT, f.From, f.Count = 0, 0, 0, 0, at, 0
			return
		}
		volt, amps, temp = volt+b.VoltageV.Value, amps+(b.CurrentA.Value-facts.ZeroA[k]), temp+t.Value
	}
	f.N++
	f.SumV, f.SumA, f.SumT = f.SumV+volt/float64(m.n), f.SumA+amps, f.SumT+temp/float64(m.n)
	if at-f.From < windowFor {
		return
	}
	n := float64(f.N)
	m.keep(Point{At: at, Volt: f.SumV / n, Amps: f.SumA / n, TempC: f.SumT / n})
	f.N, f.SumV, f.SumA, f.SumT, f.From = 0, 0, 0, 0, at
}

// keep takes a mean in; when all places are new again, they are learned from.
func (m *Meter) keep(p Point) {
	f := &m.state.Feed
	if f.Count > 0 && p.At-f.Kept[windows-1].At > windowGap {
		f.Count = 0 // a gap
	}
	copy(f.Kept[:], f.Kept[1:])
	f.Kept[windows-1] = p
	f.Count++
	f.Low = f.Low && p.Amps < riseShare*f.LowA
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
	return p.Volt + leadacid.TaperV25 - leadacid.ChargeLimitV(leadacid.TaperV25, p.TempC)
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
		amps += gasShare * b.Chemistry.GassingA(b.RatedAh, p.Volt, p.TempC)
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
	byVoltage := (v25 - leadacid.TaperRestV) / (leadacid.TaperV25 - leadacid.TaperRestV)
	return max(byVoltage, minDrive) / leadacid.AcceptanceFactor(tempC)
}

// learnTaper takes in by how much the current fell over the kept means.
func (m *Meter) learnTaper() {
	a, b := &m.state.Feed.Kept[0], &m.state.Feed.Kept[windows-1]
	gas := m.gas(b)
	ia, ib := a.Amps-gas, b.Amps-gas
	if ib < minFeedShare*m.ratedAh() || ia <= ib {
		return
	}
	l := &m.state.Tapers[m.level(math.Sqrt(ia*ib)/m.ratedAh())]
	l.Hours += (b.At - a.At).Hours() * drive(volt25(b), b.TempC)
	l.Fall += math.Log(ia / ib)
	if over := l.Fall / maxTaper; over > 1 {
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

// tau returns the time constant of a level in hours at 14.4 V and 25 °C, and its standard
// uncertainty as a share. What other levels have learned stands in for a level that has learned
// nothing.
func (m *Meter) tau(l int) (hours, sigma float64) {
	var prior float64
	for k := range m.n {
		prior += m.p.Batteries[k].Chemistry.TaperH * m.p.Batteries[k].RatedAh / m.ratedAh()
	}
	h, w := prior*priorWeight, priorWeight
	for i := range m.state.Tapers {
		t := &m.state.Tapers[i]
		trust := 1.0
		if i != l {
			trust = otherLevel / math.Abs(float64(i-l))
		}
		h, w = h+trust*t.Hours, w+trust*t.Fall
	}
	return h / w, math.Hypot(priorSigma*priorWeight/w, learnedSigma)
}

// taperPlan is the taper ahead at one voltage and temperature.
type taperPlan struct {
	m     *Meter
	capAh float64
	drive float64
}

// missingAh returns what is missing in Ah when the taper's current is amps.
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

// level returns the ends of a level in A.
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

// current returns the taper's current in A when so much is missing.
func (p *taperPlan) current(missingAh float64) float64 {
	lo, hi := 0.0, p.capAh
	for range bisections {
		if mid := (lo + hi) / 2; p.missingAh(mid) < missingAh {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// hours returns how long the current takes to fall from one to another, with the uncertainty of
// that.
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

// TimeToFull returns the hours until the bank is full at the present feed.
func (m *Meter) TimeToFull(in *Inputs) Answer {
	f := &m.state.Feed
	if !f.On {
		return waits(waitsForFeed)
	}
	if why := m.missing(in); why != nil {
		return waits(why)
	}
	if f.Count < minWindows {
		return waits(waitsForMinutes)
	}
	var capAh, missing, socSigma, capSigma float64
	for k := range m.n {
		ah, s := m.capacity(k, in)
		capAh, missing = capAh+ah, missing+ah*(1-in.SoC[k].Value/100)
		socSigma, capSigma = socSigma+ah*in.SoC[k].Sigma/100, max(capSigma, s)
	}
	now := &f.Kept[windows-1]
	end := fullMissing * capAh
	if f.held() {
		return m.inTaper(now, capAh, missing, end, socSigma)
	}
	if now.Amps < minFeedShare*capAh {
		switch {
		case missing <= nearFull*end && volt25(now) >= minFullV25:
			return says(0, nearFullH)
		case volt25(now) < minFullV25:
			return waits(notAtThisFeed)
		}
		return waits(notWithThisA)
	}
	return m.inBulk(now, capAh, missing, end, socSigma, capSigma)
}

// inTaper goes by the current and by the charge that is missing, each after what it is worth: a
// current says more in the middle of a taper, where what is missing is not known to a few percent;
// at its end the sensors' zeros and the gas blur it.
func (m *Meter) inTaper(now *Point, capAh, missing, end, socSigma float64) Answer {
	if volt25(now) < minFullV25 {
		return waits(notAtThisFeed)
	}
	plan := taperPlan{m, capAh, drive(volt25(now), now.TempC)}
	gas, last := m.gas(now), plan.current(end)
	byCurrent, byCharge := max(now.Amps-gas, last), max(plan.current(missing), last)
	currentSigma := math.Hypot(currentRule, math.Hypot(zeroShare*m.p.Current.Zero*math.Sqrt(float64(m.n)), gasSigma*gas)/byCurrent)
	chargeSigma := math.Hypot(chargeRule, socSigma/max(missing, end))
	w := sq(chargeSigma) / (sq(chargeSigma) + sq(currentSigma))
	from := math.Exp(w*math.Log(byCurrent) + (1-w)*math.Log(byCharge))
	hours, sigma := plan.hours(from, last)
	tau, _ := m.tau(m.level(last / m.ratedAh()))
	start := math.Sqrt(w) * currentSigma * tau / plan.drive // of where in the taper the bank is
	return says(hours, math.Hypot(math.Hypot(sigma, start), endSigmaH))
}

// inBulk goes by the charge that is missing until the taper begins.
func (m *Meter) inBulk(now *Point, capAh, missing, end, socSigma, capSigma float64) Answer {
	v25 := leadacid.TaperV25
	if m.state.HeldKnown {
		v25 = m.state.HeldV25
	}
	v25 = max(v25, volt25(now))
	if v25 < minFullV25 {
		return waits(notAtThisFeed)
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
	return says(bulk+taper, math.Hypot(sigma, bulkSigma*bulk))
}

// efficiency is the share of the charge current that is stored below the taper.
func (m *Meter) efficiency() (e float64) {
	for k := range m.n {
		e += m.p.Batteries[k].Chemistry.ChargeEfficiency / float64(m.n)
	}
	return e
}
