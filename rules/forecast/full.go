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
// settings, and 13.0, keep full only. Where the current did not fall by heldFall, it is the feed
// that limits, not a held voltage.
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
	minFeedShare = 0.003           // 1/h: current over capacity below which a feed gives nothing; our choice

	currentRule = 0.25 // ratio: what a current in a taper leaves open; our choice
	chargeRule  = 0.1  // ratio: what a missing charge in a taper leaves open; our choice
	zeroShare   = 0.5  // ratio: deviation of a current sensor's zero, once learned, over its class; our choice
	gasSigma    = 0.5  // ratio: of the gas; our choice
	endSigmaH   = 0.1  // h: of a taper's end; our choice
	bulkSigma   = 0.05 // ratio: of the time until the taper; our choice
)

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

// Charging is what is known of how the bank charges: in earlier charges, and in this one. Exported
// only to be saved.
type Charging struct {
	Tapers    [levels]Taper
	HeldV25   float64 // voltage that the feed held last
	HeldKnown bool
	Feed      Window
}

func (c *Charging) stepFeed(s *unit.Scan, facts *Facts, p *Params, in *Inputs) {
	f, at := &c.Feed, s.At.Mono
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
	for k := range p.Batteries {
		b, t := &s.Battery[k], in.TempC[k]
		if !b.VoltageV.OK() || !b.CurrentA.OK() || !t.OK() {
			f.N, f.SumV, f.SumA, f.SumT, f.From, f.Count = 0, 0, 0, 0, at, 0
			return
		}
		volt, amps, temp = volt+b.VoltageV.Value, amps+p.Layout.OfString(b.CurrentA.Value-facts.ZeroA[k]), temp+t.Value
	}
	f.N++
	batteries := float64(len(p.Batteries))
	f.SumV, f.SumA, f.SumT = f.SumV+volt/batteries, f.SumA+amps, f.SumT+temp/batteries
	if at-f.From < windowFor {
		return
	}
	n := float64(f.N)
	c.keep(Point{At: at, Volt: f.SumV / n, Amps: f.SumA / n, TempC: f.SumT / n}, p)
	f.N, f.SumV, f.SumA, f.SumT, f.From = 0, 0, 0, 0, at
}

// keep takes a mean in; when all places are new again, they are learned from.
func (c *Charging) keep(mean Point, p *Params) {
	f := &c.Feed
	if f.Count > 0 && mean.At-f.Kept[windows-1].At > windowGap {
		f.Count = 0 // a gap
	}
	copy(f.Kept[:], f.Kept[1:])
	f.Kept[windows-1] = mean
	f.Count++
	f.Low = f.Low && mean.Amps < riseShare*f.LowA
	if !f.held() {
		return
	}
	f.Low, f.LowA = true, mean.Amps
	c.HeldV25, c.HeldKnown = volt25(&mean), true
	if f.Count%(windows-1) == 1 {
		c.learnTaper(p)
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

// TimeToFull returns the hours until the bank is full at the present feed.
func (m *Meter) TimeToFull(in *Inputs) Answer {
	f := &m.state.Feed
	if !f.On {
		return waits(waitsForFeed)
	}
	if why := m.p.missing(in); why != nil {
		return waits(why)
	}
	if f.Count < minWindows {
		return waits(waitsForMinutes)
	}
	var capAh, missing, socSigma, capSigma float64
	for k := range m.p.strings() {
		ah, lacks, lacksSigma, s := m.p.lacking(k, in)
		capAh, missing = capAh+ah, missing+lacks
		socSigma, capSigma = socSigma+lacksSigma, max(capSigma, s)
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

// lacking returns the capacity of string k, what it lacks until its last battery is full, and what they leave
// open.
func (p *Params) lacking(k int, in *Inputs) (capAh, ah, sigmaAh, capSigma float64) {
	ah = math.Inf(-1)
	capAh = math.Inf(1)
	for i := p.Layout.Lowest(k); i <= p.Layout.Highest(k); i++ {
		full, s := p.capacity(i, in)
		capAh, capSigma = min(capAh, full), max(capSigma, s)
		if x := full * (1 - in.SoC[i].Value/100); x > ah {
			ah, sigmaAh = x, full*in.SoC[i].Sigma/100
		}
	}
	return capAh, ah, sigmaAh, capSigma
}

// inTaper goes by the current and by the charge that is missing, each after what it is worth: a
// current says more in the middle of a taper, where what is missing is not known to a few percent;
// at its end the sensors' zeros and the gas blur it.
func (m *Meter) inTaper(now *Point, capAh, missing, end, socSigma float64) Answer {
	if volt25(now) < minFullV25 {
		return waits(notAtThisFeed)
	}
	plan := m.taperAhead(capAh, volt25(now), now.TempC)
	gas, last := m.p.gas(now), plan.current(end)
	byCurrent, byCharge := max(now.Amps-gas, last), max(plan.current(missing), last)
	zerosA := zeroShare * m.p.Current.Zero * math.Sqrt(float64(m.p.strings()))
	currentSigma := math.Hypot(currentRule, math.Hypot(zerosA, gasSigma*gas)/byCurrent)
	chargeSigma := math.Hypot(chargeRule, socSigma/max(missing, end))
	w := sq(chargeSigma) / (sq(chargeSigma) + sq(currentSigma))
	from := math.Exp(w*math.Log(byCurrent) + (1-w)*math.Log(byCharge))
	hours, sigma := plan.hours(from, last)
	tau, _ := plan.tau(levelOf(last / m.p.ratedAh()))
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
	plan := m.taperAhead(capAh, v25, now.TempC)
	// A feed that is limited by its power gives less as the voltage rises.
	amps := now.Amps * (1 + volt25(now)/v25) / 2
	last, tail := plan.current(end), amps
	if by := plan.current(missing); by < amps {
		tail = by // the taper should have begun: its voltage is still coming up
	}
	bulkAh := max(missing-plan.missingAh(tail), 0)
	bulk := bulkAh / (amps * m.p.efficiency())
	taper, sigma := plan.hours(tail, last)
	sigma = math.Hypot(sigma*(1+bulkAh/capAh), socSigma/amps)
	sigma = math.Hypot(sigma, (bulk+taper)*capSigma)
	return says(bulk+taper, math.Hypot(sigma, bulkSigma*bulk))
}

// efficiency is the share of the charge current that is stored below the taper.
func (p *Params) efficiency() (e float64) {
	for k := range p.Batteries {
		e += p.Batteries[k].Chemistry.ChargeEfficiency / float64(len(p.Batteries))
	}
	return e
}
