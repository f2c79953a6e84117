package forecast

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Constants of the bank on paper. Where no source is named, the figure is our choice.
const (
	heldBackTau  = 75 * time.Minute // published: about 1 h to settle after a load; 1.5 h in a public two-well capacity model
	kneeMargin   = 0.0005           // of the capacity, beyond all that there is: where Shepherd's term has its pole
	kneeEndV     = 10.5             // V at the end of the 20 h discharge that defines capacity
	kneeMost     = 0.9999
	armatureDrop = 0.22 // of the motor's voltage, lost in its armature: 75 to 80 % efficiency at load (common practice, no source)
	inARow       = 0.96 // of the mean lift's charge, when lifts follow each other: the oil thins, and at a lower voltage there is less drag
	chargeOhm    = 3.0  // times the resistance in discharge, of a battery that its neighbours charge: it takes charge less readily
	stepShare    = 0.03 // of the capacity, drawn in one step
	mostSteps    = 600
	mostLifts    = 20000.0
)

// kneeOhm gives Shepherd's K in Ω.
func kneeOhm(b *Battery) float64 {
	amps := b.RatedAh / 20
	ohm := leadacid.RatedMohm(b.Chemistry, b.RatedCCA) / 1000 * leadacid.ResistanceFactor(leadacid.ReferenceC, 0)
	return kneeMargin * (leadacid.RestedVFromSoC(b.Chemistry, 0) - kneeEndV - amps*ohm) / amps
}

// holdBack follows the mean currents that the batteries hold back by.
func (m *Meter) holdBack(r *Reading, dt time.Duration) {
	part := share(dt, heldBackTau)
	for k := range m.n {
		if r.CurrentOK[k] {
			m.state.MeanA[k] += (r.CurrentA[k] - m.state.MeanA[k]) * part
		}
	}
}

// share is that of an exponential approach made in dt; for the long steps that a gap makes it stays below 1.
func share(dt, tau time.Duration) float64 {
	x := float64(dt) / float64(tau)
	return x / (1 + x)
}

// change is how the bank on paper is altered to see what an uncertainty is worth.
type change struct {
	socPct                 float64
	capacity, share, liftX float64 // factors
	slower                 bool    // a lift takes longer as the voltage falls: a permanent-magnet motor's speed goes with its back EMF
}

var asIs = change{capacity: 1, share: 1, liftX: 1}

// paperBattery is one battery on paper.
type paperBattery struct {
	chem    leadacid.Chemistry
	capAh   float64 // 20 h, 25 °C
	goneAh  float64 // missing of it
	backAh  float64 // held back
	share   float64 // all that it has at this temperature, over capAh
	tempC   float64
	shiftV  float64
	baseOhm float64 // at 25 °C and full
	coldOhm float64 // factor of the temperature
	kneeOhm float64
	slopeV  float64 // of the rested voltage, V per Ah
}

// paper puts battery k on paper as it is now.
func (m *Meter) paper(k int, known *Known, c *change) paperBattery {
	p := &m.p.Batteries[k]
	ah, _ := m.capacity(k, known)
	t := known.TempC[k]
	at, _ := leadacid.TemperatureShiftV(t)
	ref, _ := leadacid.TemperatureShiftV(leadacid.ReferenceC)
	b := paperBattery{
		chem: p.Chemistry, capAh: ah * c.capacity, tempC: t, shiftV: at - ref, share: leadacid.CapacityShare(t) * (1 + leadacid.SlowShare(p.Chemistry)) * c.share,
		coldOhm: leadacid.ResistanceFactor(t, 100), kneeOhm: m.knee[k] * p.RatedAh / ah,
	}
	b.baseOhm = leadacid.RatedMohm(p.Chemistry, p.RatedCCA) / 1000
	if known.MohmOK[k] {
		b.baseOhm = known.Mohm[k] / 1000
	}
	soc := min(max(known.SoCPct[k]+c.socPct, 0), 100)
	b.goneAh = b.capAh * (1 - soc/100)
	b.backAh = leadacid.HeldBackAh(p.Chemistry, b.capAh, -m.state.MeanA[k], t)
	b.slopeV = (leadacid.RestedVFromSoC(p.Chemistry, 100) - leadacid.RestedVFromSoC(p.Chemistry, 0)) / b.capAh
	return b
}

func (b *paperBattery) socPct() float64 { return 100 * (1 - b.goneAh/b.capAh) }

// restV is the battery's rested voltage.
func (b *paperBattery) restV() float64 {
	return leadacid.RestedVFromSoC(b.chem, max(b.socPct(), -20)) + b.shiftV
}

// ohm is its resistance in a run, the knee included.
func (b *paperBattery) ohm() float64 {
	charge := leadacid.ChargeFactor(b.tempC, 100*(1-(b.goneAh+b.backAh)/b.capAh))
	x := min((b.goneAh+b.backAh)/(b.share*b.capAh)/(1+kneeMargin), kneeMost)
	return b.baseOhm*b.coldOhm*charge + b.kneeOhm*x/(1-x)
}

// paperBank is the bank on paper.
type paperBank struct {
	m      *Meter
	slower bool
	motorV float64 // in a lift, of the last that was tried
	n      int
	b      [MaxBatteries]paperBattery
	amps   [MaxBatteries]float64 // drawn, of the last solve
}

// solve shares amps among the batteries and gives their common voltage. Within the hours the voltages fall by what is drawn: that is
// taken in, or evening out would swing to and fro.
func (p *paperBank) solve(amps, hours float64, resting bool) (v float64) {
	var sumG, sumI float64
	var e, g [MaxBatteries]float64
	for k := range p.n {
		b := &p.b[k]
		e[k] = b.restV()
		ohm := b.ohm()
		if resting {
			ohm *= chargeOhm
		} else {
			e[k] += p.m.state.OffsetV[k].Value
		}
		g[k] = 1 / (ohm + b.slopeV*hours)
		sumG, sumI = sumG+g[k], sumI+g[k]*e[k]
	}
	v = (sumI - amps) / sumG
	for k := range p.n {
		p.amps[k] = (e[k] - v) * g[k]
	}
	return v
}

func (p *paperBank) socPct() float64 {
	var have, all float64
	for k := range p.n {
		have, all = have+p.b[k].capAh-p.b[k].goneAh, all+p.b[k].capAh
	}
	return 100 * have / all
}

// move takes the currents of the last solve for hours.
func (p *paperBank) move(hours float64) {
	for k := range p.n {
		p.b[k].goneAh = max(p.b[k].goneAh+p.amps[k]*hours, 0)
	}
}

// lifts lets the bank on paper work until it can't, and gives the number of lifts.
func (m *Meter) lifts(known *Known, c *change) float64 {
	p := paperBank{m: m, n: m.n, slower: c.slower}
	var capAh float64
	for k := range m.n {
		p.b[k] = m.paper(k, known, c)
		capAh += p.b[k].capAh
	}
	st := &m.state
	runs := float64(m.p.CycleRuns)
	amps := st.SteadyA.Value
	runH := runs * inARow * c.liftX * st.RunAh.Value / amps
	restH := runs * m.restS() / 3600
	if !p.works(amps) {
		return 0
	}
	count, step := 0.0, max(1, stepShare*capAh/(runs*st.RunAh.Value))
	for range mostSteps {
		next := p
		ok := next.advance(step, amps, runH, restH)
		switch {
		case ok:
			p, count = next, count+step
			if count >= mostLifts {
				return count
			}
		case step > 0.25:
			step /= 4
		default:
			return count
		}
	}
	return count
}

// restS is the rest between runs; where none is known yet the runs' own length five times.
func (m *Meter) restS() float64 {
	if m.state.RestS.N < 3 {
		return 5 * m.state.RunS.Value
	}
	return m.state.RestS.Value
}

// advance makes so many lifts and reports whether the last of them still works.
func (p *paperBank) advance(lifts, amps, runH, restH float64) bool {
	st := &p.m.state
	if p.slower {
		lost := armatureDrop * st.MotorV.Value
		runH *= (st.MotorV.Value - lost) / max(p.motorV-lost, lost)
	}
	p.solve(amps, lifts*runH, false)
	var before [MaxBatteries]float64
	for k := range p.n {
		before[k] = p.b[k].goneAh
	}
	p.move(lifts * runH)
	p.solve(0, lifts*restH, true)
	p.move(lifts * restH)
	hours := lifts * (runH + restH)
	for k := range p.n {
		b := &p.b[k]
		target := leadacid.HeldBackAh(b.chem, b.capAh, (b.goneAh-before[k])/hours, b.tempC)
		b.backAh += (target - b.backAh) * -math.Expm1(-hours/heldBackTau.Hours())
	}
	return p.works(amps)
}

// works reports whether a lift works now.
func (p *paperBank) works(amps float64) bool {
	p.motorV = p.solve(amps, 0, false) - amps*p.m.state.PathOhm.Value
	floor := p.m.p.FloorPct
	return p.motorV >= p.m.p.LeastMotorV && (floor == 0 || p.socPct() >= floor)
}

// LiftsLeft gives the number of lifts left.
func (m *Meter) LiftsLeft(known *Known) Answer {
	for _, why := range [...]string{m.missing(known), m.liftsWait()} {
		if why != "" {
			return Answer{WaitsFor: why}
		}
	}
	if m.state.PathOhm.N < 2 {
		return Answer{WaitsFor: waitsForMotorV}
	}
	value := m.lifts(known, &asIs)
	variance := sq(ruleSigma*value) + sq(leastLiftSigma)
	for _, c := range m.changes(known, value < fewLifts) {
		variance += sq(m.lifts(known, &c) - value)
	}
	return Answer{Value: value, Sigma: math.Sqrt(variance), Known: true}
}

// ruleSigma is what the way of reckoning itself leaves open, as a share.
const (
	ruleSigma      = 0.05
	leastLiftSigma = 0.5
	fewLifts       = 10.0
)

// changes gives one for each uncertainty: charge, capacity, temperature's effect, size of a lift, its growth towards the end. Errors of the batteries' charge are
// taken as common: those of the table are.
func (m *Meter) changes(known *Known, few bool) [5]change {
	var soc, capacity, cold float64
	for k := range m.n {
		_, s := m.capacity(k, known)
		soc, capacity = max(soc, known.SoCSigma[k]), max(capacity, s)
		cold = max(cold, leadacid.CapacityShareSigma(known.TempC[k]))
	}
	lift := math.Hypot(m.state.RunAh.sigma()/m.state.RunAh.Value, gainSigma)
	// Towards less: more charge than full there is none.
	out := [5]change{asIs, asIs, asIs, asIs, asIs}
	out[0].socPct = -soc
	out[1].capacity = 1 - capacity
	out[2].share = 1 - cold
	out[3].liftX = 1 + lift
	out[4].slower = true
	if few { // towards none there is no way to go
		out[0].socPct, out[1].capacity, out[2].share = soc, 1+capacity, 1+cold
	}
	return out
}
