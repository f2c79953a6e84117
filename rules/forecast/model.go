package forecast

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Constants of the model bank.
//
// Charge that a rate holds back comes from deep in the plates: a public two-well capacity model
// settles with 1.5 h, practice says about 1 h. The dip of the voltage is over sooner: estimate has
// its time. A permanent-magnet motor loses armatureDrop of its voltage in its armature, at 75 to 80
// % efficiency at load. When lifts follow each other the oil thins, and at a lower voltage there is
// less drag. A battery that its neighbors charge takes charge less readily than it gives.
const (
	heldBackTau            = 75 * time.Minute // of held-back charge, to come back; our choice
	kneeMargin             = 0.0005           // ratio: of the capacity, beyond it Shepherd's pole; our choice
	maxKnee                = 0.9999           // ratio: of the capacity, nearest to the pole; our choice
	armatureDrop           = 0.22             // ratio: of the motor's voltage; trade practice
	backToBackFactor       = 0.96             // ratio: of the mean lift's charge, in a row; our choice
	chargeResistanceFactor = 3.0              // ratio: of the resistance in discharge; our choice
	stepShare              = 0.03             // ratio: of the capacity, drawn in one step; our choice
	stepCut                = 4                // ratio: by which a step is made shorter near the end; our choice
	minStep                = 0.25             // count: lifts, of the last step; our choice
	restRuns               = 5                // ratio: rest over run, before any is known; our choice
	minPathN               = 2                // count: runs with a voltage at the motor; our choice
)

// kneeOhm returns Shepherd's K in Ω.
func kneeOhm(b *Battery) float64 {
	amps := b.RatedAh / leadacid.TwentyHours
	ohm := b.Chemistry.RatedMohm(b.RatedCCA) / 1000 * leadacid.ResistanceFactor(leadacid.ReferenceC, 0)
	return kneeMargin * (b.Chemistry.RestedVFromSoC(0) - leadacid.EndV - amps*ohm) / amps
}

// holdBack follows the mean currents that the batteries hold back by.
func (m *Meter) holdBack(s *unit.Scan, f *Facts, dt time.Duration) {
	part := share(dt, heldBackTau)
	for k := range m.n {
		if a := s.Battery[k].CurrentA; a.OK() {
			m.state.MeanA[k] += (a.Value - f.ZeroA[k] - m.state.MeanA[k]) * part
		}
	}
}

// share is that of an exponential approach made in dt; for the long steps that a gap makes it stays
// below 1.
func share(dt, tau time.Duration) float64 {
	x := float64(dt) / float64(tau)
	return x / (1 + x)
}

// change is how the bank on paper is altered to see what an uncertainty is worth.
type change struct {
	socPct                 float64
	capacity, share, liftX float64 // factors
	// slower: a lift takes longer as the voltage falls, as a permanent-magnet motor's speed goes
	// with its back EMF.
	slower bool
}

var noChange = change{capacity: 1, share: 1, liftX: 1}

// modelBattery is one battery on paper.
type modelBattery struct {
	chem       *leadacid.Chemistry
	capAh      float64 // 20 h, 25 °C
	missingAh  float64 // missing of it
	backAh     float64 // held back
	share      float64 // all that it has at this temperature, over capAh
	tempC      float64
	shiftV     float64
	baseOhm    float64 // at 25 °C and full
	coldFactor float64 // factor of the temperature
	kneeOhm    float64
	slopeV     float64 // of the rested voltage, V per Ah
}

// model puts battery k on paper as it is now.
func (m *Meter) model(k int, in *Inputs, c *change) modelBattery {
	p := &m.p.Batteries[k]
	ah, _ := m.p.capacity(k, in)
	t := in.TempC[k].Value
	at, _ := leadacid.TemperatureShiftV(t)
	ref, _ := leadacid.TemperatureShiftV(leadacid.ReferenceC)
	b := modelBattery{
		chem: p.Chemistry, capAh: ah * c.capacity, tempC: t, shiftV: at - ref,
		share:      leadacid.CapacityShare(t) * (1 + p.Chemistry.SlowShare) * c.share,
		coldFactor: leadacid.ResistanceFactor(t, 100), kneeOhm: m.knee[k] * p.RatedAh / ah,
	}
	b.baseOhm = p.Chemistry.RatedMohm(p.RatedCCA) / 1000
	if in.Mohm[k].Known {
		b.baseOhm = in.Mohm[k].Value / 1000
	}
	soc := min(max(in.SoC[k].Value+c.socPct, 0), 100)
	b.missingAh = b.capAh * (1 - soc/100)
	b.backAh = p.Chemistry.HeldBackAh(b.capAh, -m.state.MeanA[k], t)
	b.slopeV = (p.Chemistry.RestedVFromSoC(100) - p.Chemistry.RestedVFromSoC(0)) / b.capAh
	return b
}

func (b *modelBattery) socPct() float64 { return 100 * (1 - b.missingAh/b.capAh) }

// restV is the battery's rested voltage; below empty the table's last line goes on.
func (b *modelBattery) restV() float64 {
	return b.chem.RestedVFromSoC(b.socPct()) + b.shiftV
}

// ohm is its resistance in a run, the knee included.
func (b *modelBattery) ohm() float64 {
	charge := leadacid.ChargeFactor(b.tempC, 100*(1-(b.missingAh+b.backAh)/b.capAh))
	x := min((b.missingAh+b.backAh)/(b.share*b.capAh)/(1+kneeMargin), maxKnee)
	return b.baseOhm*b.coldFactor*charge + b.kneeOhm*x/(1-x)
}

// modelBank is the bank on paper.
type modelBank struct {
	m      *Meter
	slower bool
	motorV float64 // in a lift, of the last that was tried
	n      int
	b      [unit.MaxBatteries]modelBattery
	amps   [unit.MaxBatteries]float64 // drawn, of the last solve
}

// solve shares amps among the strings, in parallel each a battery, and gives their common voltage. Within the
// hours the voltages fall by what is drawn: that is taken in, or evening out would swing to and fro.
func (p *modelBank) solve(amps, hours float64, resting bool) (v float64) {
	var sumG, sumI float64
	var e, g [unit.MaxBatteries]float64
	l := p.m.p.Layout
	for k := range l.Strings(p.n) {
		all := 0.0
		for i := l.Lowest(k); i <= l.Highest(k); i++ {
			b := &p.b[i]
			e[k] += b.restV()
			ohm := b.ohm()
			if resting {
				ohm *= chargeResistanceFactor
			} else {
				e[k] += p.m.state.OffsetV[i].Value
			}
			all += ohm + b.slopeV*hours
		}
		g[k] = 1 / all
		sumG, sumI = sumG+g[k], sumI+g[k]*e[k]
	}
	v = (sumI - amps) / sumG
	for i := range p.n {
		k := l.StringOf(i)
		p.amps[i] = (e[k] - v) * g[k]
	}
	return v
}

// socPct is the bank's charge: that of its strings, each with its emptiest battery.
func (p *modelBank) socPct() float64 {
	l := p.m.p.Layout
	have := l.SumOfStrings(p.n, func(i int) float64 { return p.b[i].capAh - p.b[i].missingAh })
	return 100 * have / l.SumOfStrings(p.n, func(i int) float64 { return p.b[i].capAh })
}

// move takes the currents of the last solve for hours.
func (p *modelBank) move(hours float64) {
	for k := range p.n {
		p.b[k].missingAh = max(p.b[k].missingAh+p.amps[k]*hours, 0)
	}
}

// lifts lets the bank on paper work until it can't, and gives the number of lifts.
func (m *Meter) lifts(in *Inputs, c *change) float64 {
	p := modelBank{m: m, n: m.n, slower: c.slower}
	var capAh, mostAh float64
	for k := range m.n {
		p.b[k] = m.model(k, in, c)
	}
	capAh = m.p.Layout.SumOfStrings(m.n, func(k int) float64 { return p.b[k].capAh })
	mostAh = m.p.Layout.SumOfStrings(m.n, func(k int) float64 { return p.b[k].share * p.b[k].capAh })
	st := &m.state
	runs := float64(m.p.CycleRuns)
	amps := st.SteadyA.Value
	runH := runs * backToBackFactor * c.liftX * st.RunAh.Value / amps
	restH := runs * m.restS() / 3600
	if !p.works(amps) {
		return 0
	}
	count, step := 0.0, max(1, stepShare*capAh/(runs*st.RunAh.Value))
	for count*runH*amps < mostAh {
		next := p
		ok := next.advance(step, amps, runH, restH)
		switch {
		case ok:
			p, count = next, count+step
		case step > minStep:
			step /= stepCut
		default:
			return count
		}
	}
	return count
}

// restS is the rest between runs; where none is known yet the runs' own length five times.
func (m *Meter) restS() float64 {
	if m.state.RestS.N == 0 {
		return restRuns * m.state.RunS.Value
	}
	return m.state.RestS.Value
}

// advance makes so many lifts and reports whether the last of them still works.
func (p *modelBank) advance(lifts, amps, runH, restH float64) bool {
	st := &p.m.state
	if p.slower {
		lost := armatureDrop * st.MotorV.Value
		runH *= (st.MotorV.Value - lost) / max(p.motorV-lost, lost)
	}
	p.solve(amps, lifts*runH, false)
	var before [unit.MaxBatteries]float64
	for k := range p.n {
		before[k] = p.b[k].missingAh
	}
	p.move(lifts * runH)
	p.solve(0, lifts*restH, true)
	p.move(lifts * restH)
	hours := lifts * (runH + restH)
	for k := range p.n {
		b := &p.b[k]
		target := b.chem.HeldBackAh(b.capAh, (b.missingAh-before[k])/hours, b.tempC)
		b.backAh += (target - b.backAh) * -math.Expm1(-hours/heldBackTau.Hours())
	}
	return p.works(amps)
}

// works reports whether a lift works now.
func (p *modelBank) works(amps float64) bool {
	p.motorV = p.solve(amps, 0, false) - amps*p.m.state.PathOhm.Value
	floor := p.m.p.FloorPct
	return p.motorV >= p.m.p.Layout.Volts(p.m.p.LeastMotorV) && (floor == 0 || p.socPct() >= floor)
}

// LiftsLeft returns the number of lifts left.
func (m *Meter) LiftsLeft(in *Inputs) Answer {
	for _, why := range [...]*unit.Text{m.p.missing(in), m.liftsWait()} {
		if why != nil {
			return waits(why)
		}
	}
	if m.state.PathOhm.N < minPathN {
		return waits(waitsForMotorV)
	}
	value := m.lifts(in, &noChange)
	variance := sq(modelSigma*value) + sq(minLiftSigma)
	for _, c := range m.changes(in, value < fewLifts) {
		variance += sq(m.lifts(in, &c) - value)
	}
	return says(value, math.Sqrt(variance))
}

// What the model itself leaves open of a number of lifts.
const (
	modelSigma   = 0.05 // ratio: of the lifts; our choice
	minLiftSigma = 0.5  // count: lifts; our choice
	fewLifts     = 10.0 // count: lifts, below which uncertainty is taken toward more; our choice
)

// changes returns one for each uncertainty: charge, capacity, temperature's effect, size of a lift,
// its growth toward the end. Errors of the batteries' charge are taken as common: those of the
// table are.
func (m *Meter) changes(in *Inputs, few bool) [5]change {
	var soc, capacity, cold float64
	for k := range m.n {
		_, s := m.p.capacity(k, in)
		soc, capacity = max(soc, in.SoC[k].Sigma), max(capacity, s)
		cold = max(cold, leadacid.CapacityShareSigma(in.TempC[k].Value))
	}
	lift := math.Hypot(m.state.RunAh.sigma()/m.state.RunAh.Value, m.p.Current.Gain)
	// Towards less: more charge than full there is none.
	out := [5]change{noChange, noChange, noChange, noChange, noChange}
	out[0].socPct = -soc
	out[1].capacity = 1 - capacity
	out[2].share = 1 - cold
	out[3].liftX = 1 + lift
	out[4].slower = true
	if few { // toward none there is no way to go
		out[0].socPct, out[1].capacity, out[2].share = soc, 1+capacity, 1+cold
	}
	return out
}
