package leadacid

import "math"

// Cells is the number of cells of a 12 V block.
const Cells = 6 // count: cells of a 12 V block; physical

// Gassing rises by a decade per 0.2 V and cell (Tafel slope of gas evolution on lead and lead
// dioxide) and doubles with each 10 °C.
const (
	decadeV     = 0.2   // V: per cell and decade of gassing; from memory: Tafel slope of gas evolution
	doublingC   = 10    // °C: per doubling of gassing; from memory: Arrhenius rule of thumb
	maxGassingV = 17.0  // V: higher changes nothing more; our choice
	cellVPerC   = 0.003 // V/°C: fall of a charger's voltage per cell; published: float and absorption settings
)

// A charge that is held: its time constants are stated for TaperV25, and its current goes with the
// voltage above TaperRestV.
const (
	// TaperV25 is the voltage at 25 °C that tapers are stated for.
	TaperV25 = 14.4 // V: at 25 °C, of stated tapers; published: constant-voltage stage, 2.40 V a cell
	// TaperRestV is the voltage at which no current flows into a full block.
	TaperRestV = 12.8 // V: a full block at rest; published: Battery Council state-of-charge table
)

// GassingA returns the part of a charge current in amperes that makes gas (or, valve-regulated,
// recombines) in a block of ratedAh held at voltageV and tempC. What is lost near full is gassing.
// Good to a factor of two.
func (c *Chemistry) GassingA(ratedAh, voltageV, tempC float64) float64 {
	v := min(voltageV, maxGassingV)
	return ratedAh * c.GassingPerAh * math.Exp(math.Ln10*(v-TaperV25)/(Cells*decadeV)+math.Ln2*(weather(tempC)-ReferenceC)/doublingC)
}

// ChargeLimitV returns the voltage of a 12 V block in volts that goes with limitV25 at 25 °C, with
// the usual compensation of a charger, -3 mV per °C and cell (some handbooks -4 to -5).
func ChargeLimitV(limitV25, tempC float64) float64 {
	return limitV25 - Cells*cellVPerC*(tempC-ReferenceC)
}

// MaxChargeV returns the highest voltage at tempC that a charger of this chemistry is set to. It
// moves more with temperature than ChargeLimitV: that is how the usual charger is compensated, this
// the bound above which a charger is wrong, and some are compensated more.
func (c *Chemistry) MaxChargeV(tempC float64) float64 {
	return c.MaxChargeV25 + c.MaxChargeVPerC*(tempC-ReferenceC)
}
