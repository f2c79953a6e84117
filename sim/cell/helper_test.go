package cell

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// Batteries the checks run over: ratings as common group sizes have them, and extremes of CCA over
// Ah.
var range12V = []Spec{
	{Chemistry: Flooded, RatedAh: 100, RatedCCA: 950},
	{Chemistry: Flooded, RatedAh: 100, RatedCCA: 500},
	{Chemistry: Flooded, RatedAh: 60, RatedCCA: 540},
	{Chemistry: Flooded, RatedAh: 225, RatedCCA: 1100},
	{Chemistry: AGM, RatedAh: 100, RatedCCA: 900},
	{Chemistry: AGM, RatedAh: 55, RatedCCA: 750},
	{Chemistry: Gel, RatedAh: 80, RatedCCA: 500},
}

func newBattery(t testing.TB, s Spec, socPct, tempC float64) Battery {
	t.Helper()
	b, err := New(s, socPct, tempC)
	require.NoError(t, err)
	return b
}

// at is the battery rested at another charge and temperature.
func at(b Battery, socPct, tempC float64) Battery {
	b.reset(socPct, tempC)
	return b
}

// loadTest is the voltage after seconds at amps (positive drawn), from full at tempC.
func loadTest(b Battery, tempC, amps float64, seconds int) float64 {
	b.reset(100, tempC)
	for range seconds * 10 {
		b.Step(0.1, -amps, tempC)
	}
	v, _ := b.Terminal(-amps)
	return v
}

// held is the current that holds volts at the posts, at most limitA.
func held(b *Battery, volts, limitA float64) float64 {
	if v, _ := b.Terminal(limitA); v <= volts {
		return limitA
	}
	lo, hi := -10*b.spec.RatedAh, limitA
	for range 60 {
		mid := 0.5 * (lo + hi)
		if v, _ := b.Terminal(mid); v > volts {
			hi = mid
		} else {
			lo = mid
		}
	}
	return lo
}

// readTable is a CSV file's rows below its header, lines with # left out.
func readTable(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(name)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1)
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return x
}
