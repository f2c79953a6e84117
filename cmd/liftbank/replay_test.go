//go:build !board

package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/playback"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/sim/curve"
)

// What simulate writes as a curve, replay takes, and it says of it what the run said. Before the
// first ignition both have the same to go by and agree to the last digit written. After that the
// run has the wake line, the motor's command and the feed's voltage besides: charges agree within
// twice their joint uncertainty, capability and verdict too.
func TestCurveOfARunCanBeReplayed(t *testing.T) {
	slowtest.SkipUnderRace(t)
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

// A curve of two batteries in series has the own voltage of each: replayed with its layout, straight or through
// the board, it follows the truth of both; a recording of the unit, with taps over one ground, comes to the same.
func TestCurveOfAStringCanBeReplayed(t *testing.T) {
	slowtest.Long(t)
	sc, err := scenariofile.Load("series-healthy")
	require.NoError(t, err)
	sc.Bank.Batteries[1].SoCPct = 70
	sc.Sensors.Errors = nil
	var curveText, recorded bytes.Buffer
	w := curve.NewWriter(&curveText)
	var record *playback.Record
	var truth [2]float64
	_, _, err = trial.Run(t.Context(), sc, trial.Options{RestEvery: 5 * time.Second}, 20*time.Hour,
		func(x *trial.Trial, out *rules.Output) error {
			if record == nil {
				record = playback.NewRecord(&recorded, "r.csv", &x.Rig.Config)
			}
			truth = [2]float64{x.Rig.Unit.SoCPct(0), x.Rig.Unit.SoCPct(1)}
			return errors.Join(x.WriteCurve(w, out), record.Step(x))
		})
	require.NoError(t, err)
	require.NoError(t, w.Flush())
	require.NoError(t, record.Close())
	require.Greater(t, truth[0]-truth[1], 10.0, "one is behind")
	require.Contains(t, recorded.String(), "# layout: series\n")

	bank := write(t, "bank.yaml", "bank:\n  layout: series\n  batteries:\n    - {id: a, chemistry: flooded, rated_ah: 100, rated_cca: 950}\n"+
		"    - {id: b, chemistry: flooded, rated_ah: 100, rated_cca: 950}\n")
	var ends [2][]float64
	for name, in := range map[string]struct {
		args []string
		text string
	}{
		"straight":  {[]string{"replay", "--bank", bank, "-"}, curveText.String()},
		"board":     {[]string{"replay", "--bank", bank, "--board", "-"}, curveText.String()},
		"recording": {[]string{"replay", "--bank", bank, "-"}, recorded.String()},
	} {
		out, errs, code := command(t, in.text, in.args...)
		require.Zero(t, code, "%s: %s", name, errs)
		rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
		require.NoError(t, err)
		for k := range 2 {
			row := rows[len(rows)-2+k]
			require.Equal(t, "ab"[k:k+1], row[1])
			pct, err := strconv.ParseFloat(row[2], 64)
			require.NoError(t, err, name)
			sigma, err := strconv.ParseFloat(row[3], 64)
			require.NoError(t, err, name)
			t.Logf("%s, battery %s: %.1f ± %.1f %%, true %.1f", name, row[1], pct, sigma, truth[k])
			assert.InDelta(t, truth[k], pct, 3*sigma, "%s, battery %s", name, row[1])
			ends[k] = append(ends[k], pct)
		}
	}
	for _, all := range ends {
		assert.InDelta(t, slices.Min(all), slices.Max(all), 1, "each way comes to the same")
	}
	assert.Greater(t, ends[0][0]-ends[1][0], 10.0, "which battery is behind is seen")
}
