package cell

import "liftbank/sim/detmath"

// Conductivity of sulfuric acid, after W. H. Tiedemann and J. Newman, in Battery Design and
// Optimization (Electrochemical Society 1979), fitted to T. W. Chapman and J. Newman's data (1968):
//
//	c exp(1.1104 + 199.475 c - 16097.781 c² + (3916.95 - 99406 c - 721860/T)/T), S/cm,
//
// c in mol/cm³, T in K; from memory. At 25 °C its terms in c are those of PyBaMM's Sulzer2019
// parameters; its rise at 18 °C, 1.50, 1.67 and 1.80 % per °C at 20, 30 and 37 % by weight, is
// within 0.05 % of Kohlrausch's. The cold raises the resistance of a full battery's acid 1.6 times
// from 25 to 0 °C and 2.7 times to -18 °C: more than one activation energy near 25 °C makes.
const (
	acidK, acidK2     = 3916.95, 721860.0
	acidBend0, acidBK = -0.199475, 99.406 // for c in mol/l
	acidBend2         = 0.016097781
	acidPeak          = 1.81092 // c exp(-c (acidBend + acidBend2 c)) where it is largest at 25 °C, 3.87 mol/l
	acidRef           = -acidK/(refC+kelvin) + acidK2/((refC+kelvin)*(refC+kelvin))

	// Of the formula of molality in Sulzer2019.
	molarWaterL = 0.0175 // l/mol
	molarAcidL  = 0.045
)

// acidFactors are acid and bend of acid's resistance acid exp(c (bend + acidBend2 c))/c over that of
// the acid that conducts best at 25 °C, c in mol/l.
func acidFactors(tempC float64) (acid, bend float64) {
	inv := 1 / (tempC + kelvin)
	x := float64(inv*(float64(acidK2*inv)-acidK)) - acidRef
	return float64(acidPeak * detmath.Exp(x)), acidBend0 + float64(acidBK*inv)
}

// molarity is the acid's concentration in mol/l from its molality.
func molarity(molality float64) float64 {
	return molality / (molarWaterL/waterKgPerMol + float64(molality*molarAcidL))
}
