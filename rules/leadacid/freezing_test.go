package leadacid_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/leadacid"
)

// Freezing points by specific gravity, every row from 1.120 up that three publications have: a
// vehicle manual's storage table, US Army TM-5-1185, and a set printed beside the Battery Council
// table. Charge by gravity is that table's. The first two hold within 1.5 °C (whole °F, and
// straight lines between them); the third runs colder, and no battery may be said to freeze later.
func TestFreezingIsThePublishedPoint(t *testing.T) {
	gravities, charges := []float64{1.120, 1.155, 1.190, 1.225, 1.265}, []float64{0, 25, 50, 75, 100}
	charge := func(gravity float64) float64 {
		k := 0
		for k < len(gravities)-2 && gravity > gravities[k+1] {
			k++
		}
		return charges[k] + (gravity-gravities[k])/(gravities[k+1]-gravities[k])*(charges[k+1]-charges[k])
	}
	for _, r := range [][2]float64{
		{1.265, -59.4}, {1.225, -37.2}, {1.200, -27.2}, {1.150, -15.0}, {1.250, -52.2}, {1.200, -26.7}, {1.150, -15.0},
	} {
		assert.InDelta(t, r[1], leadacid.FreezingC(charge(r[0])), 1.5, "%v", r[0])
	}
	for _, r := range [][2]float64{{1.265, -59.4}, {1.225, -48.3}, {1.190, -36.7}, {1.155, -26.7}, {1.120, -23.3}} {
		assert.GreaterOrEqual(t, leadacid.FreezingC(charge(r[0])), r[1], "%v", r[0])
	}
	assert.Less(t, leadacid.FreezingC(0), -7.8, "1.100, weaker than an empty battery's acid")
}
