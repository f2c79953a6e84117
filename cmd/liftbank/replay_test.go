package main

import (
	"bytes"
	"encoding/csv"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/rules"
	"liftbank/sim/curve"
)

// What simulate writes as a curve, replay takes, and it says of it what the run said. Before the
// first ignition both have the same to go by and agree to the last digit written. After that the
// run has the wake line, the motor's command and the feed's voltage besides: charges agree within
// twice their joint uncertainty, capability and verdict too.
func TestCurveOfARunCanBeReplayed(t *testing.T) {
	sc, err := scenariofile.Load("feed-lost")
	require.NoError(t, err)
	const firstIgnition = time.Hour
	var curveText bytes.Buffer
	w := curve.NewWriter(&curveText)
	var said []rules.BatteryState
	scans := map[string]bool{}
	_, _, err = trial.Run(t.Context(), sc, trial.Options{RestEvery: 5 * time.Second}, 48*time.Hour,
		func(x *trial.Trial, out *rules.Output) error {
			said = append(said, out.Battery...)
			scans[strconv.FormatFloat(math.Round(x.Now().Seconds()*1e6)/1e6, 'f', -1, 64)] = true
			return x.WriteCurve(w, out)
		})
	require.NoError(t, err)
	require.NoError(t, w.Flush())
	require.Less(t, said[len(said)-1].SoCPct.Value, 93.0, "there is a discharge to follow")

	bank := bankOne + "    - {id: b, chemistry: flooded, rated_ah: 100, rated_cca: 950}\n"
	out, errs, code := command(t, curveText.String(), "replay", "--bank", write(t, "bank.yaml", bank), "-")
	require.Zero(t, code, errs)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	rows = slices.DeleteFunc(rows, func(row []string) bool { return row[0] != "time_s" && !scans[row[0]] })
	require.Len(t, rows, 1+len(said), "apart from what was repeated where a run began or ended")
	number := func(text string) float64 {
		v, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err)
		return v
	}
	compared := 0
	for k, row := range rows[1:] {
		soc := said[k].SoCPct
		if row[2] == "" || !soc.Known {
			continue
		}
		compared++
		pct, sigma := number(row[2]), number(row[3])
		allowed := 2 * math.Hypot(sigma, soc.Sigma)
		if number(row[0]) < firstIgnition.Seconds() {
			allowed = 0.02
		}
		require.InDelta(t, soc.Value, pct, allowed, "%v", row)
	}
	assert.Greater(t, compared, len(said)*9/10)
	for k := len(said) - 2; k < len(said); k++ {
		row, want := rows[1+k], &said[k]
		require.Equal(t, want.ID, row[1])
		assert.InEpsilon(t, want.CrankingA.Value, number(row[6]), 0.05)
		assert.Equal(t, want.Verdict.String(), row[7])
	}
}
