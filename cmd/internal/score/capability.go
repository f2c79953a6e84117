package score

import (
	"fmt"
	"math"

	"liftbank/rules"
	"liftbank/sim"
)

// MinRuns is the number of motor runs from which a battery's capability is judged.
const MinRuns = 20

// Capability is the error of the cold cranking capability against the virtual J537 test, over the
// batteries of one unit or more.
type Capability struct {
	Batteries int     `json:"batteries"`        // judged
	Within5   int     `json:"within_5_pct"`     // of these, with an error of at most 5 %
	InBand    int     `json:"within_two_sigma"` // of these, with an error of at most twice the stated uncertainty
	WorstPct  float64 `json:"worst_pct"`        // the largest error, signed
	RMSPct    float64 `json:"rms_pct"`
	sum2      float64
}

// Add judges the batteries of a unit that have run often enough.
func (c *Capability) Add(out *rules.Output, u *sim.Unit) {
	for i, truth := range u.Truth().Batteries {
		b := &out.Battery[i]
		if b.RunsJudged < MinRuns || !b.CrankingA.Known || truth.CrankingA <= 0 {
			continue
		}
		c.note(100*(b.CrankingA.Value/truth.CrankingA-1), 100*b.CrankingA.Sigma/b.CrankingA.Value)
	}
}

// note adds one battery's error and stated standard uncertainty, both in %.
func (c *Capability) note(offPct, sigmaPct float64) {
	c.Batteries++
	c.sum2 += offPct * offPct
	if math.Abs(offPct) > math.Abs(c.WorstPct) {
		c.WorstPct = offPct
	}
	if math.Abs(offPct) <= 5 {
		c.Within5++
	}
	if math.Abs(offPct) <= 2*sigmaPct {
		c.InBand++
	}
	c.RMSPct = math.Sqrt(c.sum2 / float64(c.Batteries))
}

// Merge adds another unit's batteries.
func (c *Capability) Merge(o *Capability) {
	c.Batteries, c.Within5, c.InBand = c.Batteries+o.Batteries, c.Within5+o.Within5, c.InBand+o.InBand
	c.sum2 += o.sum2
	c.RMSPct = math.Sqrt(c.sum2 / float64(max(c.Batteries, 1)))
	if math.Abs(o.WorstPct) > math.Abs(c.WorstPct) {
		c.WorstPct = o.WorstPct
	}
}

// Columns returns worst and RMS for a table, blank if no battery was judged.
func (c *Capability) Columns() string {
	if c.Batteries == 0 {
		return "\t"
	}
	return fmt.Sprintf("%+.1f\t%.1f", c.WorstPct, c.RMSPct)
}

// String returns a line about all batteries.
func (c *Capability) String() string {
	if c.Batteries == 0 {
		return "cold cranking capability: no battery had 20 runs"
	}
	return fmt.Sprintf("cold cranking capability from 20 runs on, %% of the truth: %d batteries, "+
		"worst %+.1f %%, RMS %.1f %%, within 5 %%: %d, within twice the stated uncertainty: %d",
		c.Batteries, c.WorstPct, c.RMSPct, c.Within5, c.InBand)
}
