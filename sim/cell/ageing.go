package cell

import (
	"math"

	"liftbank/sim/detmath"
)

// SetAgeing makes the battery as aged as a, from now on; each knob outside its range is brought
// into it.
//
// The share of charge stays: what is lost is lost from charged and discharged material alike. Acid
// held by the discharged part of material that falls away stays held, so that the acid and with it
// the voltage don't jump; sulphation holds back acid for all of its share.
func (b *Battery) SetAgeing(a Ageing) {
	acidBefore := b.d1 + b.d2 + b.lockedAh - b.sulphateAh()
	level1, level2 := b.d1/math.Max(b.plateAh, 1e-9), b.d2/math.Max(b.backAh, 1e-9)
	b.apply(a.limited())
	b.d1, b.d2 = float64(level1*b.plateAh), float64(level2*b.backAh)
	b.lockedAh = math.Max(acidBefore-b.d1-b.d2, 0) + b.sulphateAh()
	b.warm()
	b.stepS = 0
	b.refresh()
}

// sulphateAh is the acid held in hard sulphate, as Ah.
func (b *Battery) sulphateAh() float64 {
	return float64(b.spec.RatedAh * float64(0.01*b.spec.Ageing.SulphationPct))
}

// apply works out the constants for the spec with ageing a.
func (b *Battery) apply(a Ageing) {
	d := b.spec.design()
	b.spec.Ageing = a
	rated := b.spec.RatedAh
	active := float64((1 - float64(0.01*a.LostCapacityPct)) * (1 - float64(0.01*a.SulphationPct)))
	b.live = float64(cells - a.ShortedCells)

	whole := float64(float64(float64(rated*b.shape.overRated)*b.wellScale) * active)
	b.plateAh = float64(whole * b.shape.c)
	b.backAh = whole - b.plateAh
	b.fullAh = float64(rated * active)
	b.invPlate, b.invBack = 1/b.plateAh, 1/b.backAh
	b.invShare = 1 / b.shape.c
	b.invPlateFull = 1 / float64(b.shape.c*b.fullAh)
	b.acid = newAcid(d.FullMolality, d.EmptyMolality, rated)
	b.solid = d.SolidV
	b.coldPower = detmath.Log(d.Ah0CPct/100) / detmath.Log(refAh0CPct/100)
	b.applyResistance(a, d, active)
	b.applyRates(d, active)
}

func (b *Battery) applyResistance(a Ageing, d Design, active float64) {
	whole := b.plateAh + b.backAh
	unit := float64(b.scale*100) / b.spec.RatedAh
	unsulphated := 1 - float64(0.01*a.SulphationPct)
	share := (b.live + float64(shortedOhmShare*(cells-b.live))) / cells
	b.metalOhm0 = float64(float64(metalOhm*unit) * share)
	b.acidOhm0 = float64(float64(acidOhm*unit)*share) / active
	b.massOhm0 = float64(float64(massOhm*unit)*share) / float64(float64(active*unsulphated)*float64(active*active))
	b.exchangeA0 = float64(exchangeA*active) / unit
	b.filmOhm0 = float64(float64(filmOhm*100)/b.spec.RatedAh*share) / active
	b.metalOhm0 += float64(float64(0.01*a.RaisedResistancePct) * b.newRunOhm(unit))
	if a.OpenCell {
		b.metalOhm0 += openOhm
	}
	b.gradientPerA = float64(0.001*gradientMA*unit) / active
	b.acceptOhm0 = float64(acceptDriveV/cells*d.AcceptanceH) / float64(whole*unsulphated)
}

// newRunOhm is the resistance of the new battery as a run shows it, in closed form: what
// RaisedResistancePct is % of.
func (b *Battery) newRunOhm(unit float64) float64 {
	ct := newThermal(refC, b.coldPower, cells).ctV
	i0 := exchangeA / unit
	return float64((metalOhm+acidOhm+massOhm)*unit) + float64(ct*detmath.Asinh(runA/(2*i0)))/runA
}

func (b *Battery) applyRates(d Design, active float64) {
	rated := b.spec.RatedAh
	b.gassingPerV = d.GassingPerV
	b.gasA0 = float64(float64(1e-5*d.GassingMaPer100Ah) * rated)
	fullV := EMFCellV(d.FullMolality, refC)
	wanted := float64(float64(0.01*d.SelfDischargePctMonth)*rated) / (30 * 24)
	gas := float64(b.gasA0 * detmath.Exp(float64(d.GassingPerV*(fullV-gassingRefV))))
	b.selfA0 = float64(math.Max(wanted-gas, 0) * active)
	b.surfaceMaxV = d.SurfaceChargeV / cells
	b.surfaceDecayS = float64(3600 * d.SurfaceDecayH)
	b.invSurface = 1 / float64(surfaceShare*rated)
	b.heatOhm = 1 / float64(wattPerK*math.Sqrt(rated/100))
	b.heatTauS = float64(float64(float64(kgPerAh*rated)*heatJPerKgK) * b.heatOhm)
}
