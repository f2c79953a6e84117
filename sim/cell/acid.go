package cell

import (
	"liftbank/sim/detmath"
)

// Constants of nature and of the battery's make-up.
const (
	cells           = 6
	kelvin          = 273.15
	refC            = 25.0
	faradayC        = 96485.33212 // C/mol
	gasJPerMolK     = 8.314462618
	waterKgPerMol   = 0.018015
	acidMolPerAh    = 3600 / faradayC // acid used a cell and Ah: 2 mol for 2 faradays
	minMolality     = 0.1             // Bode's polynomial is not used below
	maxMolality     = 12
	bodeTempC       = 25.0
	emfSlopePeak    = 0.33e-3 // V/K a cell
	emfSlopePeakLog = 0.447   // log10 of 2.8 mol/kg
	emfSlopeBend    = 1.246e-3
)

// EMFCellV is the open-circuit voltage of one cell in V, from the molality of its acid (mol/kg) at
// tempC.
//
// Between 0.1 and 7 mol/kg it is that of H. Bode, Lead-Acid Batteries (Wiley 1977), in the
// electrode form coded in PyBaMM's Sulzer2019 parameters: 1.922 + 0.148 x + 0.063 x² + 0.074 x³ +
// 0.034 x⁴, x = log10 m, at about 25 °C. Less acid counts as 0.1 mol/kg.
//
// Temperature: dE/dT at constant molality, after the table of measured coefficients in Vinal,
// Storage Batteries (1955), from memory: 0.30, 0.33, 0.30, 0.24 and 0.18 mV/K at SG 1.10, 1.15,
// 1.20, 1.25 and 1.30, here a parabola in x within 0.04 mV/K of those. Published slopes disagree:
// the common temperature sheet has 0.5 mV/K below 27 °C, a maker's sheet the opposite sign. The
// thermodynamic one is followed because it is what the acid does.
func EMFCellV(molality, tempC float64) float64 {
	return emfOfLog(detmath.Log10(clamp(molality, minMolality, maxMolality)), tempC)
}

func emfOfLog(x, tempC float64) float64 {
	e := 1.922 + float64(x*(0.148+float64(x*(0.063+float64(x*(0.074+float64(x*0.034)))))))
	y := x - emfSlopePeakLog
	slope := emfSlopePeak - float64(emfSlopeBend*float64(y*y))
	return e + float64(slope*(tempC-bodeTempC))
}

// acid is the electrolyte of one cell: what there is when nothing is drawn.
type acid struct {
	mol     float64 // of H2SO4
	waterKg float64
}

// newAcid is the acid that has fullMolality before and emptyMolality after ah have been drawn.
func newAcid(fullMolality, emptyMolality, ah float64) acid {
	used := float64(acidMolPerAh * ah)
	waterKg := float64(used*(1+float64(waterKgPerMol*emptyMolality))) / (fullMolality - emptyMolality)
	return acid{mol: float64(fullMolality * waterKg), waterKg: waterKg}
}

// molality after drawnAh have been drawn, mol/kg, never below minMolality.
func (a acid) molality(drawnAh float64) float64 {
	used := float64(acidMolPerAh * drawnAh)
	return max((a.mol-used)/(a.waterKg+float64(waterKgPerMol*used)), minMolality)
}

// pore is the molality at the pores, mol/kg: of the acid that is left when drawnAh are missing,
// plus gradient. Used up, the acid gets thin but never negative: m/(1 - gradient/m).
func (a acid) pore(drawnAh, gradient float64) float64 {
	used := float64(acidMolPerAh * drawnAh)
	kg := a.waterKg + float64(waterKgPerMol*used)
	mol := max(a.mol-used, float64(minMolality*kg))
	if gradient >= 0 {
		return clamp(mol/kg+gradient, minMolality, maxMolality)
	}
	return clamp(float64(mol*mol)/float64(kg*(mol-float64(gradient*kg))), minMolality, maxMolality)
}

// solidV is what the solid phases add to a cell's rested voltage, V: d(1-d)(s0 + s1 d + s2 d² + s3
// d³), d the share drawn of the rated capacity, nothing when full and when empty.
//
// Faraday's balance alone leaves the curve up to 46 mV (flooded) or 80 mV (AGM) of six cells off
// the published tables of rested voltage in mid-range, whatever the two end points. The potential
// of lead dioxide does depend on how far it has been used (its hydrogen content; D. Pavlov,
// Lead-Acid Batteries, Elsevier 2011, from memory); the polynomial is fitted so that the whole
// meets the Battery Council table.
func solidV(s *[4]float64, d float64) float64 {
	d = clamp(d, 0, 1)
	return float64(float64(d*(1-d)) * (s[0] + float64(d*(s[1]+float64(d*(s[2]+float64(d*s[3])))))))
}
