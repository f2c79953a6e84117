package score

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// Quantile returns a quantile of sorted numbers, 0 of none.
func Quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[min(int(q*float64(len(sorted))), len(sorted)-1)]
}

// P95 returns the 95th percentile, 0 of none.
func P95(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	if len(s) == 0 {
		return 0
	}
	return s[min(int(math.Ceil(0.95*float64(len(s))))-1, len(s)-1)]
}

// RMS returns the root mean square, 0 of none.
func RMS(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

// MinShare returns the lower end of the one-sided 95 % confidence interval of a share of which k in
// n were seen (Clopper and Pearson 1934): the p at which k or more in n have a probability of 5 %.
func MinShare(k, n int) float64 {
	if k == 0 || n == 0 {
		return 0
	}
	return mathext.InvRegIncBeta(float64(k), float64(n-k+1), 0.05)
}
