package trust

import (
	"math"

	"liftbank/rules/unit"
)

// A battery that gives half of what it is rated for, and a sensor that shows half of what its battery
// gives, make the same voltages and currents. What tells them apart are the cables: the two of one pair,
// positive and negative, are as good as each other, but where the leads sit diagonally they carry the
// currents of different batteries. With a sensor that shows too little, each link that carries its
// battery's current seems worse than its twin, by as much as the battery seems weaker than the
// others. A weak battery does that only if a link has gone bad by just as much.
const (
	halfMost   = 0.67 // ratio: of capability to rating, well below what is called tired; our choice
	halfBack   = 0.80 // ratio: of that, above it the sensor is right again; published: as tired
	halfBeside = 0.85 // ratio: of the others' capability to rating, at the least; our choice
	twinTells  = 1.5  // ratio: between twins that is expected, for a pair of them to tell; our choice
	twinPart   = 0.5  // ratio: of that, found at the least, as logarithms; our choice
	twinAlike  = 1.35 // ratio: of what is found between twins to what is expected; our choice
	twinSigmas = 3.0  // ratio: of what is found to its deviation; our choice
	halfInARow = 3    // count: runs that say so; our choice
)

// Twins is what is known of the links of a bank.
type Twins struct {
	Lead [2]int                                  // battery at which the lead of the load sits, positive and negative; -1: not known
	Mohm [2][unit.MaxBatteries - 1]unit.Estimate // of the link from battery k to k+1
}

// Weak takes what the capability of each battery is over its rating by its sensors, and the links, after
// a run.
func (c *Channels) Weak(over *[unit.MaxBatteries]unit.Estimate, twins *Twins) {
	for i := range c.n {
		k, x := c.of(unit.BatteryCurrent, i), &over[i]
		if k.Doubt == doubtHalf && x.Known && x.Value-x.Sigma > halfBack {
			c.doubt(i, NoDoubt)
			c.Half[i] = 0
		}
		if k.Doubt != NoDoubt {
			continue
		}
		c.Half[i] = tallyTo(c.Half[i], c.showsHalf(i, over, twins), halfInARow)
		if c.Half[i] >= halfInARow {
			c.Steps[i] = Step{} // what was usual is not
			c.doubt(i, doubtHalf)
		}
	}
}

// showsHalf reports whether the links say that it is the sensor of battery i that shows too little.
func (c *Channels) showsHalf(i int, over *[unit.MaxBatteries]unit.Estimate, twins *Twins) bool {
	x := &over[i]
	if c.n < 2 || c.layout != unit.Parallel || !c.HasShares || !x.Known || !(x.Value > 0) || x.Value+x.Sigma > halfMost ||
		twins.Lead[0] < 0 || twins.Lead[1] < 0 {
		return false
	}
	mean := 0.0
	for j := range c.n {
		if j == i {
			continue
		}
		if !over[j].Known || over[j].Value < halfBeside || c.of(unit.BatteryCurrent, j).Doubt != NoDoubt {
			return false
		}
		mean += over[j].Value / float64(c.n-1)
	}
	tells := false
	for k := range c.n - 1 {
		p, q := &twins.Mohm[0][k], &twins.Mohm[1][k]
		if !p.Known || !q.Known || !(p.Value > 0) || !(q.Value > 0) {
			return false
		}
		expected := math.Log(c.carriesMore(k, twins.Lead[0], i, mean/x.Value) / c.carriesMore(k, twins.Lead[1], i, mean/x.Value))
		found := math.Log(p.Value / q.Value)
		sigma := math.Hypot(p.Sigma/p.Value, q.Sigma/q.Value)
		if !(math.Abs(found-expected) <= math.Hypot(math.Log(twinAlike), sigma)) {
			return false
		}
		tells = tells || math.Abs(expected) > math.Log(twinTells) && found/expected > twinPart && math.Abs(found) > twinSigmas*sigma
	}
	return tells
}

// carriesMore returns by what factor link k of a side carries more than is shown, if battery i gives more
// by a factor; lead is where the lead of that side sits.
func (c *Channels) carriesMore(k, lead, i int, factor float64) float64 {
	shown, given := 0.0, 0.0
	for j := range c.n {
		if (j > k) != (lead <= k) {
			continue
		}
		shown += c.Shares[j]
		if j == i {
			given += factor * c.Shares[j]
		} else {
			given += c.Shares[j]
		}
	}
	return given / shown
}
