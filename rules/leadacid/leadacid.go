// Package leadacid holds relations of 12 V lead-acid blocks: rested voltage against state of charge and temperature,
// resistance against temperature and charge, cold cranking capability from resistance, charge efficiency.
//
// They are functions of plain numbers only. Sources stand beside each; where sources disagree, the disagreement is given
// as an uncertainty for the caller to carry.
package leadacid

import "fmt"

// Chemistry is the kind of 12 V block.
type Chemistry uint8

// Chemistries.
const (
	Flooded Chemistry = iota + 1
	AGM
	Gel
)

// ParseChemistry reads "flooded", "agm" or "gel".
func ParseChemistry(s string) (Chemistry, error) {
	switch s {
	case "flooded":
		return Flooded, nil
	case "agm":
		return AGM, nil
	case "gel":
		return Gel, nil
	}
	return 0, fmt.Errorf("chemistry %q: want flooded, agm or gel", s)
}

// String gives the word that ParseChemistry reads.
func (c Chemistry) String() string {
	switch c {
	case Flooded:
		return "flooded"
	case AGM:
		return "agm"
	case Gel:
		return "gel"
	}
	return "unknown chemistry"
}

// curve is a piecewise linear relation, both axes rising.
type curve struct{ x, y []float64 }

// at gives y at x and the slope there; beyond the ends the last piece goes on in a straight line.
func (c curve) at(x float64) (y, slope float64) {
	i := 1
	for i < len(c.x)-1 && x > c.x[i] {
		i++
	}
	slope = (c.y[i] - c.y[i-1]) / (c.x[i] - c.x[i-1])
	return c.y[i-1] + slope*(x-c.x[i-1]), slope
}
