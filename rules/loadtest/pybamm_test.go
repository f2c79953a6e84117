package loadtest_test

import (
	"compress/gzip"
	"encoding/csv"
	"io"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/rules/unit"
)

type outsideRun struct {
	layer, stopS, tempC, mohm float64
	rows                      [][3]float64 // s, A, V
}

// outsideRuns are motor runs of PyBaMM's porous-electrode model: see testdata/pybamm/generate.py.
func outsideRuns(t *testing.T) (runs []outsideRun) {
	t.Helper()
	table := func(r io.Reader) [][]float64 {
		c := csv.NewReader(r)
		c.Comment = '#'
		all, err := c.ReadAll()
		require.NoError(t, err)
		var out [][]float64
		for _, row := range all[1:] {
			var values []float64
			for _, cell := range row {
				x, err := strconv.ParseFloat(cell, 64)
				require.NoError(t, err)
				values = append(values, x)
			}
			out = append(out, values)
		}
		return out
	}
	drops, err := os.Open("testdata/pybamm/drops.csv")
	require.NoError(t, err)
	defer drops.Close()
	for _, row := range table(drops) {
		runs = append(runs, outsideRun{layer: row[1], tempC: row[3], stopS: row[4], mohm: row[5]})
	}
	packed, err := os.Open("testdata/pybamm/runs.csv.gz")
	require.NoError(t, err)
	defer packed.Close()
	plain, err := gzip.NewReader(packed)
	require.NoError(t, err)
	for _, row := range table(plain) {
		r := &runs[int(row[0])]
		r.rows = append(r.rows, [3]float64{row[1], row[2], row[3]})
	}
	return runs
}

// play hands the run to a meter n times, at 25 °C and full: the resistance as it was.
func (r *outsideRun) play(m *loadtest.Meter, n int) {
	soc := unit.Estimate{Value: 100, Sigma: 2, Known: true}
	for k := range n {
		began := time.Duration(k+1) * time.Hour
		running := false
		for _, row := range r.rows {
			at := began + time.Duration(row[0]*1e9)
			in := readings(row[2], row[1], 25)
			switch {
			case !running && row[0] >= 0 && row[0] < r.stopS:
				m.Begin(began, true)
				running = true
			case running && row[0] >= r.stopS:
				m.End(began + time.Duration(r.stopS*1e9))
				running = false
			}
			if running {
				m.Run(at, in, soc)
			} else {
				m.Idle(at, in, soc)
			}
		}
		m.Idle(began+time.Minute, readings(12.9, 0, 25), soc)
	}
}

// The porous-electrode model's own drop two seconds after a step, with its double layer as published,
// at a share of it and off: within 10 %.
func TestAgainstPorousElectrodes(t *testing.T) {
	for k, r := range outsideRuns(t) {
		m := loadtest.New(loadtest.Params{Chemistry: leadacid.AGM, RatedCCA: 900})
		r.play(m, 5)
		mohm, sigma, _, ok := resistance(m)
		require.True(t, ok)
		t.Logf("run %d, layer %.1f, %2.0f °C: %.2f ± %.2f mΩ of %.2f (%+.1f %%)", k, r.layer, r.tempC, mohm, sigma,
			r.mohm, 100*(mohm/r.mohm-1))
		assert.InEpsilon(t, r.mohm, mohm, 0.10, "run %d", k)
		assert.Less(t, math.Abs(mohm-r.mohm), 3*sigma)
	}
}
