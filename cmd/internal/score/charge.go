package score

import (
	"math"

	"liftbank/rules"
)

// Charge gathers the errors of a charge against the truth, in percentage points.
type Charge struct {
	scans, known, inBand uint64
	sum2, max            float64
	tenths               [1001]uint64 // number of errors by tenths of a percentage point
}

// Add adds what is known of a charge beside the true one, in %.
func (c *Charge) Add(soc rules.Estimate, truth float64) {
	c.scans++
	if !soc.Known {
		return
	}
	c.known++
	e := math.Abs(soc.Value - truth)
	if e <= 2*soc.Sigma {
		c.inBand++
	}
	c.sum2 += e * e
	c.max = max(c.max, e)
	c.tenths[min(int(math.Ceil(e*10)), len(c.tenths)-1)]++
}

// Merge adds the errors of another.
func (c *Charge) Merge(o *Charge) {
	c.scans, c.known, c.inBand = c.scans+o.scans, c.known+o.known, c.inBand+o.inBand
	c.sum2, c.max = c.sum2+o.sum2, max(c.max, o.max)
	for i, n := range o.tenths {
		c.tenths[i] += n
	}
}

// RMS returns the root mean square of the errors, or false if the charge was never known.
func (c *Charge) RMS() (pct float64, ok bool) {
	return math.Sqrt(c.sum2 / float64(max(c.known, 1))), c.known > 0
}

// ChargeError sums up the errors of a charge, in percentage points, over the scans with a known
// charge.
type ChargeError struct {
	KnownPct  float64 `json:"known_pct"` // share of the scans with a known charge
	RMSPct    float64 `json:"soc_error_rms_pct"`
	P95Pct    float64 `json:"soc_error_p95_pct"`
	MaxPct    float64 `json:"soc_error_max_pct"`
	InBandPct float64 `json:"within_two_sigma_pct"`
}

// Error returns the errors summed up.
func (c *Charge) Error() ChargeError {
	var e ChargeError
	if c.scans > 0 {
		e.KnownPct = round2(100 * float64(c.known) / float64(c.scans))
	}
	if c.known == 0 {
		return e
	}
	n := float64(c.known)
	rms, _ := c.RMS()
	e.RMSPct, e.MaxPct, e.InBandPct = round2(rms), round2(c.max), round2(100*float64(c.inBand)/n)
	var below uint64
	for i, k := range c.tenths {
		if below += k; float64(below) >= 0.95*n {
			e.P95Pct = float64(i) / 10
			break
		}
	}
	return e
}

func round2(x float64) float64 { return math.Round(x*100) / 100 }
func round3(x float64) float64 { return math.Round(x*1000) / 1000 }
