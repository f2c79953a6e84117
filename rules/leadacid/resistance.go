package leadacid

import "math"

// A block's resistance is taken as two parts: metal (grids, straps, posts), which the cold leaves
// alone within what matters here, and acid with the reaction at the plates, which the cold raises.
// Age raises either, and which of them decides what a warm battery's resistance says of its cold
// cranking.
//
// ConductionFactor is of the acid and the active mass with it: AcidShare of it rises as the published
// conductivity of battery acid (SG 1.28) falls, 2.8 times at -18 °C, and the rest does not.
// ReactionFactor, of the reaction at the plates, is exp(2600 x), x = 1/T - 1/298.15 K: 22 kJ/mol, as
// exchange currents have.
//
// ChargeFactor is 1 + 0.28 x + 0.72 x⁴ with x the missing share: 1.19 and 2.0 at 25 °C, of
// published 1.1 to 1.3 times at 50 % and 1.5 to 2.5 empty. In the cold the same charge missing is a
// larger share of what can be had: x is compared with the capacity at that temperature, 72 % at 0
// °C (IEEE Std 485, interpolated) and along that straight line to 40 %.
const (
	// MetalShare is the metal part of a new block's resistance at 25 °C and full charge. It is
	// bounded by the published rise of the whole: see ColdFactor.
	MetalShare = 0.40 // ratio: metal part of a new block's resistance; our choice

	// LayerShare is the reaction's part of a new block's resistance at 25 °C and full charge, in
	// seconds. One porous-electrode model's published parameters have more (Sulzer et al. 2019).
	LayerShare = 0.11 // ratio: reaction's part of a new block's resistance; our choice

	acidShare    = 0.60   // ratio: acid's part of what conducts besides metal; our choice
	acidK        = 3440   // K: rise of battery acid's resistance; published: Tiedemann and Newman 1979, from memory
	acidK2       = 721860 // K²: same in 1/T²; published: Tiedemann and Newman 1979, from memory
	reactionK    = 2600   // K: rise of the reaction; from memory: activation of exchange currents
	kelvin       = 273.15 // K: 0 °C; physical
	missingRise  = 0.28   // ratio: rise with the missing share; from memory: general literature
	missingRise4 = 0.72   // ratio: rise with its fourth power; from memory: general literature
	chargePerC   = 0.0112 // 1/°C: fall of the capacity; from memory: IEEE Std 485
	minCharge    = 0.4    // ratio: of the capacity, in the cold; our choice
)

// ConductionFactor returns what acid and active mass, without the reaction, have of resistance at
// tempC over that at 25 °C. The temperature is limited to -40 to 60 °C.
func ConductionFactor(tempC float64) float64 {
	now, ref := 1/(weather(tempC)+kelvin), 1/(ReferenceC+kelvin)
	acid := math.Exp(acidK2*(now*now-ref*ref) - acidK*(now-ref))
	return 1 + acidShare*(acid-1)
}

// ReactionFactor returns what the reaction at the plates has of resistance at tempC over that at 25
// °C.
func ReactionFactor(tempC float64) float64 {
	return math.Exp(reactionK * (1/(weather(tempC)+kelvin) - 1/(ReferenceC+kelvin)))
}

// ColdFactor returns what the resistance of a new block at tempC is, over that at 25 °C.
//
// It makes 1.94 at -18 °C and -0.8 % per °C at 25 °C: published are 1.5 to 2.0 and -0.5 to -1.0 %
// (general literature, from memory).
func ColdFactor(tempC float64) float64 {
	return (1-LayerShare)*(MetalShare+(1-MetalShare)*ConductionFactor(tempC)) + LayerShare*ReactionFactor(tempC)
}

// ChargeFactor returns what the resistance of a block at tempC and socPct is, over that at full
// charge and the same temperature.
func ChargeFactor(tempC, socPct float64) float64 {
	x := 1 - min(max(socPct, 0), 100)/100
	x = min(x/min(max(1-chargePerC*(ReferenceC-tempC), minCharge), 1), 1)
	return 1 + x*(missingRise+missingRise4*x*x*x)
}

// ResistanceFactor returns what the resistance of a new block at tempC and socPct is, over that at
// 25 °C and full charge.
func ResistanceFactor(tempC, socPct float64) float64 {
	return ChargeFactor(tempC, socPct) * ColdFactor(tempC)
}

// ColdLayer is what the reaction's part is in the SAE J537 test, over a run's at 25 °C. The cold
// raises it four times and more; ten times the current lowers it, as its drop grows with the
// logarithm (Butler and Volmer). Which of the two wins depends on the block: from 0.5 in one model to
// 2 were it a plain resistance.
const ColdLayer = 1.3 // ratio: reaction's part in the J537 test; our choice

// The SAE J537 cold cranking test: a full block at -18 °C gives the rated current for 30 s, not
// below 7.2 V.
const (
	CrankingC   = -18.0 // °C: of the cold cranking test; standard: SAE J537
	CrankingEnd = 7.2   // V: end of the cold cranking test; standard: SAE J537

	// CrankingRuleSigma is the standard uncertainty of the way from two parts to capability. The
	// lab's best prediction of a cold cranking voltage from lower currents was off by 3.1 to 3.5 %
	// at most, with a network taught on batteries of one make.
	CrankingRuleSigma = 0.03 // ratio: of a capability; published: Karami et al., J. Power Sources 158 (2006)
)

// CrankingCurrentA returns the cold cranking capability in A (SAE J537) of a block that shows
// metalMohm, acidMohm and, as its double layer relaxes, layerMohm two seconds into a run, at 25 °C and
// full charge, their sum above zero.
func (c *Chemistry) CrankingCurrentA(metalMohm, acidMohm, layerMohm float64) float64 {
	return c.crankingDropV() / (metalMohm + c.ColdAcid*acidMohm + ColdLayer*layerMohm) * 1000
}

// CrankingShortA returns what is left of a capability in A when one of six cells gives nothing.
func (c *Chemistry) CrankingShortA(crankingA float64) float64 {
	drop := c.crankingDropV()
	return crankingA * (drop - (drop+CrankingEnd)/Cells) / drop
}

// RatedMohm returns the resistance at 25 °C and full charge in mΩ that a new block with that rated
// CCA in A shows.
func (c *Chemistry) RatedMohm(ratedCCA float64) float64 {
	whole := (1-LayerShare)*(MetalShare+c.ColdAcid*(1-MetalShare)) + LayerShare*ColdLayer
	return c.crankingDropV() / whole / ratedCCA * 1000
}

// crankingDropV is from the rested voltage of the full block at -18 °C down to the end of the test.
func (c *Chemistry) crankingDropV() float64 {
	shift, _ := TemperatureShiftV(CrankingC)
	full, _ := interpolate(tableSoC, c.RestedV[:], 100)
	return full + shift - CrankingEnd
}
