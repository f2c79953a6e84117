package cell

// Battery is one 12 V battery. It is a plain value: a copy is an independent battery in the same
// state.
type Battery struct {
	// State.
	d1, d2    float64 // Ah missing at the plates and behind them
	lockedAh  float64 // acid held in dead material, as Ah
	gradient  float64 // acid at the pores over that at the plates, mol/kg; negative when used up
	surfaceV  float64 // surface charge, V a cell
	tempC     float64
	gassedAh  float64 // charge that split water, since the start
	selfAh    float64 // charge lost by self-discharge
	refusedAh float64 // charge drawn from an empty battery, which it did not have

	// What Terminal reads: renewed by refresh after each step.
	restV        float64 // all live cells at no current
	cellV        float64 // one cell at no current, surface charge included
	ohm          float64
	inv2Exchange float64
	filmOhm      float64
	acceptOhm    float64 // a cell
	gasRestA     float64
	gain         float64 // cu R A: of the branch's exponential over its resistance, at rest
	lnGain       float64
	kneeA        float64
	kneeAt0      float64
	live         float64
	gassingPerV  float64
	heat         thermal
	poreMolality float64

	// The last answer of Terminal, for the step that follows it; gone after the step.
	last answer

	// Slowly moving functions of the state.
	poreLog nearLog
	gainLog nearLog
	gasExp  nearExp

	// Factors of the step length.
	well     wellStep
	wellFill wellStep // while charge moves from the plates back
	stepS    float64
	stepHeat float64 // 1 - exp(-dt/tau) of heat
	stepAtC  float64 // temperature the following two were made at
	stepUse  float64 // same of the acid gradient, used up
	stepMake float64 // same, made
	stepFade float64 // same of the surface charge at rest

	// Constants of the battery and its ageing.
	shape      twoWell
	acid       acid
	solid      [4]float64
	plateAh    float64 // what the plates hold
	backAh     float64 // what is behind them
	fullAh     float64 // present full capacity, 20 h, 25 °C
	invPlate   float64
	invBack    float64
	invSurface float64
	invShare   float64 // one over the plates' share of the whole
	// share of the present full capacity missing per Ah missing at the plates, were both wells level
	invPlateFull  float64
	metalOhm0     float64
	acidOhm0      float64
	massOhm0      float64
	exchangeA0    float64
	filmOhm0      float64
	acceptOhm0    float64 // a cell
	gasA0         float64 // at 2.23 V, 25 °C
	selfA0        float64 // besides gassing, 25 °C, full
	gradientPerA  float64 // mol/kg per A, steady, 25 °C
	coldPower     float64 // of activeShare, for the design's capacity at 0 °C
	surfaceMaxV   float64 // a cell
	surfaceDecayS float64
	heatTauS      float64
	heatOhm       float64 // K/W to ambient

	spec      Spec
	scale     float64 // of resistances, from the rated CCA
	wellScale float64 // of the wells, from the rated capacity
}

// New makes a battery at rest, socPct full (0 to 100) and at tempC (-40 to 70 °C) throughout.
//
// It returns an error for a rating, ageing or start outside its range, and when no internal
// resistance, however small, lets a battery of that capacity give that many cold cranking amperes.
func New(spec Spec, socPct, tempC float64) (Battery, error) {
	if err := validateStart(spec, socPct, tempC); err != nil {
		return Battery{}, err
	}
	b, err := calibrate(spec)
	if err != nil {
		return Battery{}, err
	}
	b.SetAgeing(spec.Ageing)
	b.reset(socPct, tempC)
	return b, nil
}

// reset puts the battery at rest at a charge and temperature.
func (b *Battery) reset(socPct, tempC float64) {
	missing := float64(b.fullAh * (1 - socPct/100))
	b.d1 = float64(missing * b.shape.c)
	b.d2 = missing - b.d1
	b.gradient, b.surfaceV = 0, 0
	b.gassedAh, b.selfAh, b.refusedAh = 0, 0, 0
	b.tempC = tempC
	b.warm()
	b.stepS = 0
	b.refresh()
}

// Terminal is the voltage between the posts in V at this instant if currentA flows (positive
// charges), and its slope dV/dI in ohm, which is above zero. The voltage rises with the current
// everywhere and without a jump; its slope steps at no current in a battery more than half empty.
// NaN counts as no current, and currents are held to ±100 kA.
func (b *Battery) Terminal(currentA float64) (v, dVdI float64) {
	if currentA == 0 {
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
	opening := 1 - b.gasRestA/(2*b.kneeAt0+b.gasRestA) // twice the knee's slope
	branch := float64(0.5*opening) * b.acceptOhm / (1 + b.gain)
	return (b.ohm + float64(b.heat.ctV*b.inv2Exchange)) + float64(b.live*branch)
}

func (b *Battery) terminal(currentA float64) (v, slope, gasA float64) {
	ct, ctOhm := b.chargeTransfer(currentA)
	w, wOhm, gasA := b.acceptance(currentA)
	v = b.restV + float64(currentA*b.ohm) + ct + float64(b.live*w)
	slope = b.ohm + ctOhm + float64(b.live*wOhm)
	if currentA < 0 {
		f, fOhm := b.film(currentA)
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
