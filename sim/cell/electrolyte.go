package cell

import "liftbank/sim/detmath"

const (
	useTauS    = 60.0 // acid gradient in the pores while used up, 25 °C: diffusion over the plates' half thickness
	makeTauS   = 180.0
	gradientMA = 5.4 // mol/kg per 1000 A steady, 100 Ah, scale of resistances one

	maxGradient = 40.0
)

// electrolyte is the acid of a battery: of the whole and in the pores of the plates.
type electrolyte struct {
	lockedAh float64 // acid held in dead material, as Ah
	gradient float64 // acid at the pores over that at the plates, mol/kg; negative when used up

	poreMolality float64
	poreLog      nearLog // of poreMolality

	// Factors of the step length.
	use   float64 // 1 - exp(-dt/tau) of the gradient, used up
	build float64 // same, made

	gradientPerA float64 // mol/kg per A, steady

	acid          acid
	solid         [4]float64
	gradientPerA0 float64 // gradientPerA at 25 °C
}

// size sets the acid and the gradient in the pores, for a scale of resistances over the capacity
// and a share of the active mass that takes part.
func (e *electrolyte) size(d Design, ratedAh, unit, active float64) {
	e.acid = newAcid(d.FullMolality, d.EmptyMolality, ratedAh)
	e.solid = d.SolidV
	e.gradientPerA0 = float64(0.001*gradientMA*unit) / active
}

// warm renews what depends on temperature.
func (e *electrolyte) warm(t *thermal) { e.gradientPerA = e.gradientPerA0 / t.diffuse }

// prepare makes the factors of a step length.
//
// The steady gradient goes as one over the diffusion, the rate as its root: so the first half minute
// has the law of diffusion into what is deep, strength lost as the root of time over diffusion (Sand),
// and the cold takes acid from a J537 test's pores as it takes conductivity from their acid.
func (e *electrolyte) prepare(dtS float64, t *thermal) {
	rate := float64(dtS * t.spread)
	e.use = -detmath.Expm1(-rate / useTauS)
	e.build = -detmath.Expm1(-rate / makeTauS)
}

// step moves the acid gradient in the pores towards its steady value at this current.
func (e *electrolyte) step(main float64) {
	target := float64(main * e.gradientPerA)
	part := e.build
	if e.gradient < 0 || e.gradient == 0 && main < 0 {
		part = e.use
	}
	e.gradient = clamp(e.gradient+float64((target-e.gradient)*part), -maxGradient, maxGradient)
}

// refresh renews what follows from the wells' charge and gives the open-circuit voltage of a cell.
func (e *electrolyte) refresh(w *wells, tempC float64) float64 {
	e.poreMolality = e.acid.pore(float64(w.d1*w.invShare)+e.lockedAh, e.gradient)
	return emfOfLog(float64(e.poreLog.of(e.poreMolality)*(1/detmath.Ln10)), tempC) +
		solidV(&e.solid, w.plateShare())
}
