package cell

import "math"

// SetAging makes the battery as aged as a, from now on; each knob outside its range is brought
// into it.
//
// The share of charge stays: what is lost is lost from charged and discharged material alike. Acid
// held by the discharged part of material that falls away stays held, so that the acid and with it
// the voltage don't jump; sulfation holds back acid for all of its share.
func (b *Battery) SetAging(a Aging) {
	w := &b.wells
	acidBefore := w.d1 + w.d2 + b.acid.lockedAh - b.spec.sulfateAh()
	level1, level2 := w.d1/math.Max(w.plateAh, 1e-9), w.d2/math.Max(w.backAh, 1e-9)
	b.apply(a.limited())
	w.d1, w.d2 = float64(level1*w.plateAh), float64(level2*w.backAh)
	b.acid.lockedAh = math.Max(acidBefore-w.d1-w.d2, 0) + b.spec.sulfateAh()
	b.warm()
	b.stepS = 0
	b.refresh()
}

// sulfateAh is the acid held in hard sulfate, as Ah.
func (s Spec) sulfateAh() float64 { return float64(s.RatedAh * float64(0.01*s.Aging.SulfationPct)) }

// apply works out the constants for the spec with aging a.
func (b *Battery) apply(a Aging) {
	d := b.spec.design()
	b.spec.Aging = a
	rated := b.spec.RatedAh
	unsulfated := 1 - float64(0.01*a.SulfationPct)
	active := float64((1 - float64(0.01*a.LostCapacityPct)) * unsulfated)
	b.live = float64(cells - a.ShortedCells)

	whole := float64(float64(float64(rated*b.wells.shape.overRated)*b.wellScale) * active)
	unit := float64(b.scale*100) / rated
	b.wells.size(whole, float64(rated*active))
	b.acid.size(d, rated, unit, active)
	b.heat.size(d, rated)
	b.ohmic.size(d, a, rated, unit, active)
	b.charging.size(d, rated, b.wells.plateAh+b.wells.backAh, unsulfated, active)
	b.surface.size(d, rated)
	b.layer.size(d)
}
