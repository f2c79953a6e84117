// Package leadacid holds relations of 12 V lead-acid blocks: rested voltage against state of charge
// and temperature, voltage under load and in charge, resistance against temperature and charge,
// cold cranking capability from resistance, capacity against rate and temperature, charging losses,
// freezing.
//
// A chemistry is data: one file with its numbers, each with unit and source. Functions are of plain
// numbers only. Where sources disagree, the disagreement is an uncertainty for the caller to carry.
package leadacid

import (
	"fmt"
	"strings"
)

// Chemistry is what is particular to one kind of 12 V block. Chemistries are package variables,
// known by their address and saved by their name.
type Chemistry struct {
	// Name is what the configuration and a saved state call it.
	Name string
	// Acid is how it holds its acid.
	Acid Acid

	// RestedV is the rested voltage at 26.7 °C of a block that is 0, 25, 50, 75 and 100 % charged.
	RestedV [5]float64
	// RestedSigmaV is how far a good block's rested voltage may be from that, one standard
	// deviation.
	RestedSigmaV float64
	// FullSigmaV is the same for a full block, of which makers' acid is most of it.
	FullSigmaV float64

	// PeukertExponent is the exponent of Peukert's relation from the 20 h to the 1 h rate.
	PeukertExponent float64
	// SlowShare is what a block has beyond its 20 h capacity when it is discharged without end, as
	// a share of that. A 20 h discharge holds that much back.
	SlowShare float64
	// LeftExponent is the exponent of what a block at 10.5 V still holds, against the rate.
	LeftExponent float64

	// ChargeEfficiency is the share of a charge current that is stored, gassing apart.
	ChargeEfficiency float64
	// GassingPerAh is the part of a charge current that makes gas (or recombines) in a full block
	// at 14.4 V and 25 °C, in A per Ah of rated capacity. Good to a factor of two.
	GassingPerAh float64
	// MinChargeV25 is the lower end of absorption settings at 25 °C.
	MinChargeV25 float64
	// MaxChargeV25 is the upper end of absorption settings at 25 °C.
	MaxChargeV25 float64
	// MaxChargeVPerC is how that changes with temperature.
	MaxChargeVPerC float64
	// TaperH is what a charge held at 14.4 V and 25 °C still misses, in Ah, over its current, in A, as
	// long as the block's own taper has not been seen. Measured: 0.65 h of an AGM block, 2 h of a
	// flooded one.
	TaperH float64

	// ColdAcid is what the acid's part of the resistance is in the SAE J537 cold cranking test,
	// over that of a run at 25 °C, the reaction (ColdLayer) left out: ConductionFactor, 2.07, and
	// what it adds that the acid at the plates runs thin in 30 s. It is the one fitted figure: the
	// condition is that a new battery just meets its rated CCA.
	ColdAcid float64
}

// Acid is how a block holds its acid.
type Acid string

// Ways to hold acid.
const (
	Liquid Acid = "liquid" // each cell has a cap, and a hydrometer draws from it
	Mat    Acid = "mat"    // in glass mats
	Silica Acid = "silica" // set with it
)

// Opens reports whether a block's cells can be opened and their acid measured.
func (c *Chemistry) Opens() bool { return c != nil && c.Acid == Liquid }

// FullV is the rested voltage at 26.7 °C of a full block, 0 of an unknown chemistry.
func (c *Chemistry) FullV() float64 {
	if c == nil {
		return 0
	}
	return c.RestedV[len(c.RestedV)-1]
}

const (
	coldestC = -40.0 // °C: colder changes nothing more; our choice
	warmestC = 60.0  // °C: nor does warmer; our choice
)

// weather cuts a temperature off where no lift works and no source has figures.
func weather(tempC float64) float64 { return min(max(tempC, coldestC), warmestC) }

// All returns the chemistries in the order in which they are listed to people.
func All() []*Chemistry { return []*Chemistry{Flooded, AGM, Gel} }

// Parse returns the chemistry of that name.
func Parse(name string) (*Chemistry, error) {
	for _, c := range All() {
		if c.Is(name) {
			return c, nil
		}
	}
	return nil, fmt.Errorf("chemistry %q: want %s", name, Names())
}

// Names returns the names of all chemistries as a list for people: "flooded, agm or gel".
func Names() string {
	var names []string
	for _, c := range All() {
		names = append(names, c.Name)
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " or " + names[last]
}

// String returns the name.
func (c *Chemistry) String() string {
	if c == nil {
		return "unknown chemistry"
	}
	return c.Name
}

// Is reports whether the chemistry has that name.
func (c *Chemistry) Is(name string) bool { return c != nil && c.Name == name }

// Known reports whether this is one of All.
func (c *Chemistry) Known() bool {
	for _, k := range All() {
		if k == c {
			return true
		}
	}
	return false
}

// curve is a piecewise linear relation, both axes rising.
type curve struct{ x, y []float64 }

// at returns y at x and the slope there; beyond the ends the last piece goes on in a straight line.
func (c curve) at(x float64) (y, slope float64) { return interpolate(c.x, c.y, x) }

func interpolate(xs, ys []float64, x float64) (y, slope float64) {
	i := 1
	for i < len(xs)-1 && x > xs[i] {
		i++
	}
	slope = (ys[i] - ys[i-1]) / (xs[i] - xs[i-1])
	return ys[i-1] + slope*(x-xs[i-1]), slope
}
