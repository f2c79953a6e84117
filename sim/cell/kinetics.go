package cell

import "liftbank/sim/detmath"

// Make-up of a 100 Ah battery with the scale of resistances at one, six cells in series, 25 °C,
// full, besides the reaction (Design.TransferPct). The scale is found from the rated CCA. Shares
// chosen so that resistance rises 1.5 to 2 times to -18 °C, 1.1 to 1.3 times to 50 % and 1.5 to 2.5
// times to 0 % charge (general literature, from memory) and falls 0.5 to 1 % per °C near 25 °C.
const (
	metalOhm = 0.00090 // grids, straps, posts: metal, taken as constant over temperature
	acidOhm  = 0.00100 // acid in pores and separator
	massOhm  = 0.00060 // active mass; grows as lead sulfate, an insulator, fills it
	filmOhm  = 1.8e-8  // sulfate film at the plates, times (share left)^-4
)

const (
	exchangeEnergyK = 2600.0 // of the exchange current: 22 kJ/mol
	acceptEnergyK   = 2600.0 // of the dissolution of sulfate in charge: 22 kJ/mol, twice the time at 0 °C (trade practice)
	diffuseEnergyK  = 2174.0 // of acid's diffusion: Tiedemann and Newman, from memory; 2.4 % per °C
	selfEnergyK     = 6200.0 // of self-discharge: twice per 10 °C
	massFill        = 0.62   // share of a discharged battery's active mass conductance that is lost
	filmFrom        = 0.5    // share left below which the film begins
	filmFloor       = 0.01   // smallest share left that the film's formula sees
	filmLimitV      = 18.0   // a battery driven into reversal settles here: 3 V a cell below its EMF
	inactiveArea    = 0.12   // exchange area that stays when the plates are empty
	openOhm         = 10e3   // an open strap: creepage
	shortedOhmShare = 0.5    // of a cell's resistance that a shorted cell keeps
)

// ohmic is what stands in the way of a current besides the charge and gassing branch.
type ohmic struct {
	ohm          float64
	inv2Exchange float64
	exchange     float64 // exchange current over that at 25 °C, full
	filmOhm      float64

	// At this temperature.
	acidOhm   float64 // times exp(acidBend c)/c
	acidBend  float64
	acidExp   nearExp
	exchangeA float64
	exchangeT float64 // exchangeA over that at 25 °C
	ctV       float64 // transferV of all live cells
	ctShare   float64 // ctV over that at 25 °C

	// At 25 °C, full.
	metalOhm0  float64
	acidOhm0   float64
	massOhm0   float64
	exchangeA0 float64
	filmOhm0   float64
}

// size sets the resistances of an aged battery, for a scale of resistances over the capacity (unit)
// and a share of the active mass that takes part.
func (o *ohmic) size(d Design, a Aging, ratedAh, unit, active float64) {
	live := float64(cells - a.ShortedCells)
	unsulfated := 1 - float64(0.01*a.SulfationPct)
	share := (live + float64(shortedOhmShare*(cells-live))) / cells
	o.metalOhm0 = float64(float64(metalOhm*unit) * share)
	o.acidOhm0 = float64(float64(acidOhm*unit)*share) / active
	o.massOhm0 = float64(float64(massOhm*unit)*share) / float64(float64(active*unsulfated)*float64(active*active))
	exchangeA := d.exchangeA()
	o.exchangeA0 = float64(exchangeA*active) / unit
	o.filmOhm0 = float64(float64(filmOhm*100)/ratedAh*share) / active
	o.metalOhm0 += float64(float64(0.01*a.RaisedResistancePct) * newRunOhm(exchangeA, unit))
	if a.OpenCell {
		o.metalOhm0 += openOhm
	}
}

// exchangeA is the exchange current for a scale of resistances of one and 100 Ah at 25 °C, full: the
// one with which the reaction has TransferPct of the resistance at small currents.
func (d Design) exchangeA() float64 {
	share := float64(0.01 * d.TransferPct)
	return float64(0.5*transferV(refC, cells)) * (1 - share) / float64(share*(metalOhm+acidOhm+massOhm))
}

// newRunOhm is the resistance of the new battery as a run shows it, in closed form: what
// RaisedResistancePct is % of.
func newRunOhm(exchangeA, unit float64) float64 {
	ct := transferV(refC, cells)
	i0 := exchangeA / unit
	return float64((metalOhm+acidOhm+massOhm)*unit) + float64(ct*detmath.Asinh(runA/(2*i0)))/runA
}

// transferV is 2 n RT/F, the charge-transfer voltage of n cells: RT/F for each of two electrodes.
func transferV(tempC, n float64) float64 {
	return float64(float64(2*n)*gasJPerMolK) * (tempC + kelvin) / faradayC
}

// warm renews what depends on temperature.
func (o *ohmic) warm(t *thermal, live float64) {
	o.acidOhm, o.acidBend = float64(o.acidOhm0*t.acid), t.acidBend
	o.exchangeA, o.exchangeT = float64(o.exchangeA0*t.exchange), t.exchange
	o.ctV = transferV(t.atC, live)
	o.ctShare = (t.atC + kelvin) / (refC + kelvin)
}

// refresh renews what Terminal needs from the state.
func (o *ohmic) refresh(w *wells, poreMolality float64) {
	left := clamp(1-float64(w.d1*w.invActive), filmFloor, 1)
	o.filmOhm = 0
	if left < filmFrom {
		l2 := float64(left * left)
		o.filmOhm = float64(o.filmOhm0 * (1/float64(l2*l2) - 1/(filmFrom*filmFrom*filmFrom*filmFrom)))
	}
	drawn := min(w.plateShare(), 1)
	c := molarity(poreMolality)
	acid := float64(o.acidOhm*o.acidExp.of(float64(c*(o.acidBend+float64(acidBend2*c))))) / c
	mass := o.massOhm0 / (1 - float64(massFill*drawn))
	o.ohm = (o.metalOhm0 + acid) + mass
	area := inactiveArea + float64((1-inactiveArea)*left)
	o.inv2Exchange = 0.5 / float64(o.exchangeA*area)
	o.exchange = float64(o.exchangeT * area)
}

// chargeTransfer is the overpotential of both electrodes in V at the end of a step, and its slope in
// ohm. Once the double layer has relaxed it is Butler and Volmer's, symmetric: transferV
// asinh(I/2I0).
func (o *ohmic) chargeTransfer(l *layer, currentA float64) (v, slope float64) {
	phi, dPhi := l.end(float64(currentA * o.inv2Exchange))
	return float64(o.ctV * phi), float64(float64(o.ctV*o.inv2Exchange) * dPhi)
}

// film is the drop over the sulfate film in discharge, V (zero in charge, so that the slope steps
// at no current), and its slope in ohm. It levels off at filmLimitV, where the cells have reversed
// and split water instead.
func (o *ohmic) film(currentA float64) (v, slope float64) {
	if currentA >= 0 || o.filmOhm == 0 {
		return 0, 0
	}
	x := float64(currentA * o.filmOhm)
	g := 1 / (1 - float64(x*(1/filmLimitV)))
	return float64(x * g), float64(o.filmOhm * float64(g*g))
}
