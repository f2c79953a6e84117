package cell

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestBadSpecs(t *testing.T) {
	good := Spec{Chemistry: Flooded, RatedAh: 100, RatedCCA: 950}
	with := func(change func(s *Spec)) Spec { s := good; change(&s); return s }
	cases := []struct {
		name    string
		spec    Spec
		soc, at float64
		want    string
	}{
		{"chemistry", with(func(s *Spec) { s.Chemistry = "lifepo4" }), 100, 25,
			`chemistry: got "lifepo4": want flooded, agm or gel`},
		{"capacity", with(func(s *Spec) { s.RatedAh = -3 }), 100, 25, "rated_ah: got -3: want 1 to 1000"},
		{"capacity not a number", with(func(s *Spec) { s.RatedAh = math.NaN() }), 100, 25, "rated_ah: got NaN"},
		{"cca", with(func(s *Spec) { s.RatedCCA = 10 }), 100, 25,
			"rated_cca: got 10: want 0.5 to 20 times rated_ah, 50 to 2000"},
		{"aging", with(func(s *Spec) { s.Aging.LostCapacityPct = 120 }), 100, 25, "aging: got"},
		{"shorted", with(func(s *Spec) { s.Aging.ShortedCells = 7 }), 100, 25, "aging: got"},
		{"design", with(func(s *Spec) { s.Design = DefaultDesign(AGM); s.Design.Ah10hPct = 10 }), 100, 25,
			"design: ah_10h_pct: got 10: want 80 to 99"},
		{"charge", good, 101, 25, "state of charge: got 101: want 0 to 100 %"},
		{"temperature", good, 50, math.NaN(), "temperature: got NaN: want -40 to 70 °C"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := New(c.spec, c.soc, c.at)
			assert.ErrorContains(t, err, c.want)
		})
	}
}

func TestAllErrorsAtOnce(t *testing.T) {
	_, err := New(Spec{Chemistry: "x"}, -1, 100)
	for _, field := range []string{"chemistry", "rated_ah", "state of charge", "temperature"} {
		assert.ErrorContains(t, err, field)
	}
}

// No resistance is small enough when the plates' charge is gone before the 30 s are.
func TestImpossibleCCAIsRefused(t *testing.T) {
	d := DefaultDesign(Flooded)
	d.Ah10hPct, d.Ah1hPct = 80, 20
	_, err := New(Spec{Chemistry: Flooded, RatedAh: 10, RatedCCA: 200, Design: d}, 100, 25)
	assert.ErrorContains(t, err, "rated_cca: got 200: want what 10 Ah can give")
}
