package score_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/cmd/internal/score"
	"liftbank/rules/network"
	"liftbank/sim/bank"
)

// Kirchhoff's laws: what is in series with a link and carries its current alone can't be told from
// it.
func TestTrueLinks(t *testing.T) {
	w := bank.Wiring{PositiveLink: [3]float64{0.001, 0.002, 0.003},
		PositivePost: [4]float64{0.0051, 0.0001, 0.0001, 0.0031}}
	link := func(n, k int) float64 { return score.TrueLinkMohm(&w, n, network.Positive, k) }
	assert.InDelta(t, 1, link(4, 0), 1e-9, "the lead sits on the loose post's battery: two currents meet there")
	assert.InDelta(t, 2, link(4, 1), 1e-9)
	assert.InDelta(t, 6, link(4, 2), 1e-9)
	w.LoadPositive.At = 1
	assert.InDelta(t, 6, link(2, 0), 1e-9)
	assert.Equal(t, network.SamePost, score.ArrangementOf(1, 1, 3))
	assert.Equal(t, network.Diagonal, score.ArrangementOf(2, 0, 3))
	assert.Equal(t, network.Between, score.ArrangementOf(1, 0, 3))
}

// In a string the taps see the link with both its joints; between the ends of two strings a loose post that
// carries one string's current alone counts with the link, away from the load's lead.
func TestTrueLinksOfStrings(t *testing.T) {
	w := bank.Wiring{
		Layout: bank.SeriesPairs, PositiveLink: [3]float64{0.004, 0.002, 0.0005}, NegativeLink: [3]float64{0, 0.003, 0},
		PositivePost: [4]float64{0.0001, 0.0001, 0.0006, 0.0031}, NegativePost: [4]float64{0.0021, 0.0001, 0.0001, 0.0002},
	}
	assert.InDelta(t, 4.2, score.StringLinkMohm(&w, network.Middle, 0), 1e-9)
	assert.InDelta(t, 1.3, score.StringLinkMohm(&w, network.Middle, 2), 1e-9)
	assert.InDelta(t, 5, score.StringLinkMohm(&w, network.Positive, 1), 1e-9)
	assert.InDelta(t, 3, score.StringLinkMohm(&w, network.Negative, 0), 1e-9)
	w.LoadNegative.At = 3
	assert.InDelta(t, 5, score.StringLinkMohm(&w, network.Negative, 0), 1e-9)
}

// Clopper and Pearson, Biometrika 26 (1934): with n of n the limit is 0.05^(1/n), exactly; 298 of
// 300: 0.9791 (from tables of the F distribution, from memory: 0.979).
func TestMinShare(t *testing.T) {
	assert.InDelta(t, 0.9900, score.MinShare(299, 299), 0.0001)
	assert.InDelta(t, 0.979, score.MinShare(298, 300), 0.001)
	assert.Zero(t, score.MinShare(0, 10))
}

func TestPercentiles(t *testing.T) {
	x := []float64{5, 1, 4, 2, 3}
	assert.Equal(t, 5.0, score.P95(x))
	assert.Equal(t, []float64{5, 1, 4, 2, 3}, x, "left as it is")
	assert.Equal(t, 3.0, score.Quantile([]float64{1, 2, 3, 4, 5}, 0.5))
	assert.Zero(t, score.P95(nil))
	assert.Zero(t, score.Quantile(nil, 0.5))
}
