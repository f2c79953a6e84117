package cell

import "liftbank/sim/detmath"

// Make-up of a 100 Ah battery with the scale of resistances at one, six cells in series, 25 °C,
// full. The scale is found from the rated CCA. Shares chosen so that resistance rises 1.5 to 2
// times to -18 °C, 1.1 to 1.3 times to 50 % and 1.5 to 2.5 times to 0 % charge (general literature,
// from memory) and falls 0.5 to 1 % per °C near 25 °C.
const (
	metalOhm  = 0.00090 // grids, straps, posts: metal, taken as constant over temperature
	acidOhm   = 0.00100 // acid in pores and separator
	massOhm   = 0.00060 // active mass; grows as lead sulphate, an insulator, fills it
	exchangeA = 500.0   // exchange current at 25 °C, full
	filmOhm   = 1.5e-8  // sulphate film at the plates, times (share left)^-4
)

const (
	acidPeakMolality = 4.4    // conductivity's peak, about 30 % by weight
	acidEnergyK      = 1390.0 // activation of acid's conductivity over R: 2.2 times from -18 to 25 °C
	exchangeEnergyK  = 3000.0 // of the exchange current: 25 kJ/mol
	acceptEnergyK    = 3600.0 // of the dissolution of sulphate in charge: 30 kJ/mol
	diffuseEnergyK   = 1700.0 // of acid's diffusion: 2 % per °C
	selfEnergyK      = 6200.0 // of self-discharge: twice per 10 °C
	massFill         = 0.62   // share of a discharged battery's active mass conductance that is lost
	filmFrom         = 0.5    // share left below which the film begins
	filmFloor        = 0.01   // smallest share left that the film's formula sees
	filmLimitV       = 18.0   // a battery driven into reversal settles here: 3 V a cell below its EMF
	inactiveArea     = 0.12   // exchange area that stays when the plates are empty
	openOhm          = 10e3   // an open strap: creepage
	shortedOhmShare  = 0.5    // of a cell's resistance that a shorted cell keeps
)

// thermal has what depends on temperature alone; it is renewed when the temperature has moved by
// thermalStepC.
type thermal struct {
	atC      float64
	active   float64 // activeShare
	acid     float64 // acid resistance over 25 °C
	exchange float64 // exchange current over 25 °C
	accept   float64 // acceptance resistance over 25 °C
	diffuse  float64 // acid diffusion over 25 °C
	selfRate float64 // self-discharge and gassing at a given voltage over 25 °C
	ctV      float64 // 2 n RT/F: charge-transfer voltage of all live cells

	// The same, with the battery's constants.
	invActive    float64 // one over what of the plates takes part, 1/Ah
	gradientPerA float64 // mol/kg per A, steady
	acidOhm      float64
	exchangeA    float64
	acceptOhm    float64 // a cell, nothing missing left out
	kneeA        float64 // kneeV over acceptOhm
	gasA         float64 // at 2.23 V
	selfA        float64 // full
}

const thermalStepC = 0.02

func newThermal(tempC, coldPower float64, live int) thermal {
	inv := 1/(tempC+kelvin) - 1/(refC+kelvin)
	return thermal{
		atC:      tempC,
		active:   detmath.Pow(activeShare(tempC), coldPower),
		acid:     detmath.Exp(float64(acidEnergyK * inv)),
		exchange: detmath.Exp(float64(-exchangeEnergyK * inv)),
		accept:   detmath.Exp(float64(acceptEnergyK * inv)),
		diffuse:  detmath.Exp(float64(-diffuseEnergyK * inv)),
		selfRate: detmath.Exp(float64(-selfEnergyK * inv)),
		ctV:      float64(float64(2*float64(live))*gasJPerMolK) * (tempC + kelvin) / faradayC,
	}
}

// warm renews what depends on temperature.
func (b *Battery) warm() {
	t := newThermal(b.tempC, b.coldPower, int(b.live))
	t.invActive = 1 / float64(t.active*b.plateAh)
	t.gradientPerA = b.gradientPerA / t.diffuse
	t.acidOhm = float64(b.acidOhm0 * t.acid)
	t.exchangeA = float64(b.exchangeA0 * t.exchange)
	t.acceptOhm = float64(b.acceptOhm0 * t.accept)
	t.kneeA = kneeV / t.acceptOhm
	t.gasA = float64(b.gasA0 * t.selfRate)
	t.selfA = float64(b.selfA0 * t.selfRate)
	b.heat = t
}

// refreshKinetics renews what Terminal needs from the state.
func (b *Battery) refreshKinetics() {
	left := clamp(1-float64(b.d1*b.heat.invActive), filmFloor, 1)
	b.filmOhm = 0
	if left < filmFrom {
		l2 := float64(left * left)
		b.filmOhm = float64(b.filmOhm0 * (1/float64(l2*l2) - 1/(filmFrom*filmFrom*filmFrom*filmFrom)))
	}
	drawn := min(float64(b.d1*b.invPlateFull), 1)
	y := float64(b.poreMolality * (1 / acidPeakMolality))
	acid := float64(b.heat.acidOhm * float64(0.5*(y+1/y)))
	mass := b.massOhm0 / (1 - float64(massFill*drawn))
	b.ohm = (b.metalOhm0 + acid) + mass
	b.inv2Exchange = 0.5 / float64(b.heat.exchangeA*(inactiveArea+float64((1-inactiveArea)*left)))
}

// chargeTransfer is the Butler-Volmer overpotential of both electrodes in V, symmetric, 2 n RT/F
// asinh(I/2I0), and its slope in ohm.
func (b *Battery) chargeTransfer(currentA float64) (v, slope float64) {
	y, root := detmath.AsinhRoot(float64(currentA * b.inv2Exchange))
	return float64(b.heat.ctV * y), float64(b.heat.ctV*b.inv2Exchange) / root
}

// film is the drop over the sulphate film in discharge, V (zero in charge, so that the slope steps
// at no current), and its slope in ohm. It levels off at filmLimitV, where the cells have reversed
// and split water instead.
func (b *Battery) film(currentA float64) (v, slope float64) {
	if currentA >= 0 || b.filmOhm == 0 {
		return 0, 0
	}
	x := float64(currentA * b.filmOhm)
	g := 1 / (1 - float64(x*(1/filmLimitV)))
	return float64(x * g), float64(b.filmOhm * float64(g*g))
}
