package cell

// Battery is one 12 V battery. It is a plain value: a copy is an independent battery in the same
// state. Each part has its state, what follows from it and its constants.
type Battery struct {
	wells    wells
	acid     electrolyte
	surface  surface
	heat     heat
	ohmic    ohmic
	layer    layer
	charging charging

	restV float64 // all live cells at no current
	cellV float64 // one cell at no current, surface charge included
	live  float64 // cells that give voltage

	// The last answer of Terminal, for the step that follows it; gone after the step.
	last answer

	// What the factors of the parts were made for.
	stepS   float64
	stepAtC float64

	spec      Spec
	scale     float64 // of resistances, from the rated CCA
	wellScale float64 // of the wells, from the rated capacity
}

// New makes a battery at rest, socPct full (0 to 100) and at tempC (-40 to 70 °C) throughout.
//
// It returns an error for a rating, aging or start outside its range, and when no internal
// resistance, however small, lets a battery of that capacity give that many cold cranking amperes.
func New(spec Spec, socPct, tempC float64) (Battery, error) {
	if err := validateStart(spec, socPct, tempC); err != nil {
		return Battery{}, err
	}
	b, err := calibrate(spec)
	if err != nil {
		return Battery{}, err
	}
	b.SetAging(spec.Aging)
	b.reset(socPct, tempC)
	return b, nil
}

// reset puts the battery at rest at a charge and temperature.
func (b *Battery) reset(socPct, tempC float64) {
	b.wells.reset(socPct)
	b.acid.gradient, b.surface.v = 0, 0
	b.layer.reset()
	b.heat.tempC = tempC
	b.warm()
	b.stepS = 0
	b.refresh()
}

// Terminal is the voltage between the posts in V if currentA flows (positive charges), and its slope
// dV/dI in ohm, which is above zero. It is the voltage at the end of a step of the length given to
// Prepare, or else of the last one: by then the double layer has moved, and nothing else. The
// voltage rises with the current everywhere and without a jump; its slope steps at no current in a
// battery more than half empty. NaN counts as no current, and currents are held to ±100 kA.
func (b *Battery) Terminal(currentA float64) (v, dVdI float64) {
	if currentA == 0 && b.layer.phi == 0 {
		return b.restV, b.slopeAtRest()
	}
	currentA = limitCurrent(currentA)
	v, dVdI, gasA := b.terminal(currentA)
	b.last = answer{known: true, currentA: currentA, v: v, gasA: gasA}
	return v, dVdI
}

// answer is what Terminal said last.
type answer struct {
	known             bool
	currentA, v, gasA float64
}

// slopeAtRest is what terminal gives for no current, without its roots and logarithm.
func (b *Battery) slopeAtRest() float64 {
	_, ctOhm := b.ohmic.chargeTransfer(&b.layer, 0)
	return (b.ohmic.ohm + ctOhm) + float64(b.live*b.charging.slopeAtRest())
}

func (b *Battery) terminal(currentA float64) (v, slope, gasA float64) {
	ct, ctOhm := b.ohmic.chargeTransfer(&b.layer, currentA)
	w, wOhm, gasA := b.charging.acceptance(currentA)
	v = b.restV + float64(currentA*b.ohmic.ohm) + ct + float64(b.live*w)
	slope = b.ohmic.ohm + ctOhm + float64(b.live*wOhm)
	if currentA < 0 {
		f, fOhm := b.ohmic.film(currentA)
		v += f
		slope += fOhm
	}
	return v, slope, gasA
}

func limitCurrent(a float64) float64 {
	if a != a {
		return 0
	}
	return clamp(a, -maxCurrentA, maxCurrentA)
}
