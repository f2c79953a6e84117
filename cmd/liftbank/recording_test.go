//go:build !board

package main

import (
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/recording"
	"liftbank/cmd/internal/playback"
	"liftbank/cmd/slowtest"
)

// simulated simulates a scenario and returns its recording, its configuration and what was said of
// findings, as JSON.
func simulated(t *testing.T, scenario, days string, more ...string) (rec, cfg, said string) {
	t.Helper()
	dir := t.TempDir()
	rec, cfg = filepath.Join(dir, "r.csv.gz"), filepath.Join(dir, "r.unit.yaml")
	said, errs, code := command(t, "", append([]string{"simulate", "--scenario", scenario, "--days", days, "--record",
		rec, "--findings", "-"}, more...)...)
	require.Zero(t, code, errs)
	return rec, cfg, said
}

// A recording that is replayed says the same of every finding, at the same instant, with the same
// evidence, as the unit did: every reading comes back to the last bit.
func TestARecordingSaysWhatTheUnitSaid(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for _, c := range []struct {
		scenario, days string
		more           []string
		finding        string
	}{
		{"battery-tired", "0.3", nil, "battery-tired"},
		{"clock-unset", "0.3", nil, "clock-unsure"},
		{"battery-tired", "1.2", []string{"--step", "10s", "--no-command", "--seed", "61"}, "battery-tired"},
		{"feed-lost", "0.5", []string{"--board"}, "feed-lost"},
		{"feed-tractor-dead", "0.4", nil, "feed-lost"},
		{"control-breaker", "0.4", []string{"--board"}, "control-dead"},
		{"lamp-fuse", "0.3", nil, "indicator-dead"},
		{"relief-low", "0.4", nil, "relief-off"},
		{"sense-open", "1.3", []string{"--step", "5s"}, "sense-fault"},
	} {
		t.Run(c.scenario+" "+c.days, func(t *testing.T) {
			if c.days != "0.3" || len(c.more) > 0 {
				slowtest.Long(t)
			}
			rec, cfg, said := simulated(t, c.scenario, c.days, c.more...)
			require.Contains(t, said, `"finding": "`+c.finding+`"`)
			again, errs, code := command(t, "", "replay", "--config", cfg, "--findings", "-", rec)
			require.Zero(t, code, errs)
			require.Equal(t, said, again, "%v", c)
		})
	}
}

// Work under way is in a recording: a replay judges the visit as it was told, and says of the same scans what it would have
// said if nobody had pressed the switch. One from before that, without such rows, is read as ever.
func TestARecordingHasWorkUnderWay(t *testing.T) {
	slowtest.Long(t)
	rec, cfg, said := simulated(t, "visit-work", "2.4", "--step", "10s")
	plain := unzipped(t, rec)
	rows := regexp.MustCompile(`(?m)^([\d.]+),work,,([01]),\n`).FindAllStringSubmatch(plain, -1)
	require.Len(t, rows, 2, "it begins and ends once")
	for i, want := range []struct {
		at float64
		on string
	}{{2*24 + 5, "1"}, {2*24 + 8.5, "0"}} {
		at, err := strconv.ParseFloat(rows[i][1], 64)
		require.NoError(t, err)
		assert.InDelta(t, want.at*3600, at, 60)
		assert.Equal(t, want.on, rows[i][2])
	}
	again, errs, code := command(t, plain, "replay", "--config", cfg, "--findings", "-", "-")
	require.Zero(t, code, errs)
	assert.Equal(t, said, again)
	assert.NotContains(t, again, "motor-dead")
	old := regexp.MustCompile(`(?m)^[\d.]+,work,.*\n`).ReplaceAllString(plain, "")
	untold, errs, code := command(t, old, "replay", "--config", cfg, "--findings", "-", "-")
	require.Zero(t, code, errs)
	assert.Contains(t, untold, `"finding": "motor-dead"`)
	assert.Contains(t, untold, `"finding": "sense-fault"`)
	_, errs, code = command(t, strings.Replace(plain, ",work,,1,", ",work,,2,", 1), "replay", "--config", cfg, "-")
	assert.Equal(t, exitUsage, code)
	assert.Regexp(t, `standard input:\d+: value: "2": work wants 0 or 1`, errs)
}

// unzipped returns the text of a recording.
func unzipped(t *testing.T, name string) string {
	t.Helper()
	f, err := os.Open(name)
	require.NoError(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	text, err := io.ReadAll(z)
	require.NoError(t, err)
	return string(text)
}

// Flags of a replay with a figure each: estimates that end where the unit did, a plot, a summary
// with the error against the truth, times of day.
func TestReplayOfAUnit(t *testing.T) {
	slowtest.SkipUnderRace(t)
	rec, cfg, _ := simulated(t, "feed-lost", "0.4")
	dir := t.TempDir()
	estimates, plot := filepath.Join(dir, "e.csv"), filepath.Join(dir, "p.svg")
	out, errs, code := command(t, "", "replay", "--config", cfg, "--out", estimates, "--plot", plot, rec)
	require.Zero(t, code, errs)
	assert.Regexp(t, `(?m)^2025-\d\d-\d\d \d\d:\d\d:\d\d, \d+\.\d s  feed-lost raised \(urgent\): `, out)
	assert.Regexp(t, `(?m)^    wake line: on`, out)
	assert.Regexp(t, `replayed \d+ scans, 9\.6 h, \d+ motor runs: a \d+ ± .* feed-lost; a charge error \d`, errs)
	text, err := readFile(estimates)
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	require.NoError(t, err)
	assert.InDelta(t, 2*(0.4*24*60+1), len(rows)-1, 4, "one a minute and battery")
	svg, err := readFile(plot)
	require.NoError(t, err)
	assert.Contains(t, svg, "feed-lost")
	assert.Contains(t, svg, "a true")

	plain := unzipped(t, rec)
	fromStdin, errs, code := command(t, plain, "replay", "--config", cfg, "-")
	require.Zero(t, code, errs)
	assert.Equal(t, out, fromStdin, "plain, from standard input")
	cut, errs, code := command(t, plain[:len(plain)/2], "replay", "--config", cfg, "-")
	require.Zero(t, code, errs)
	assert.True(t, strings.HasPrefix(out, cut))
	assert.Regexp(t, `standard input:\d+: cut off in the middle of a row`, errs)
}

func TestReplayOfAnotherUnit(t *testing.T) {
	rec, cfg, _ := simulated(t, "healthy-day", "0.02")
	text, err := readFile(cfg)
	require.NoError(t, err)
	other := write(t, "other.yaml", strings.Replace(text, "id: simulated", "id: lift-9", 1))
	_, errs, code := command(t, "", "replay", "--config", other, rec)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, `the recording is of unit "simulated", the configuration of "lift-9"`)
	_, errs, code = command(t, "", "replay", "--config", other, "--any-unit", rec)
	assert.Zero(t, code, errs)
	four, fourCfg, _ := simulated(t, "healthy-four", "0.02")
	_, errs, code = command(t, "", "replay", "--config", cfg, four)
	assert.Equal(t, exitUsage, code)
	assert.Regexp(t, `r\.csv\.gz:\d+: battery_voltage c: the configuration has no such channel`, errs)
	_, errs, code = command(t, "", "replay", "--config", fourCfg, rec)
	assert.Zero(t, code, errs)
	assert.Contains(t, errs, "battery_voltage_c: no row: what depends on it is not judged")
	_, errs, code = command(t, recording.Columns+"\n", "replay", "--config", cfg, "-")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "no scan")
}

// A curve made by simulate, and a recording taken as one, count what the unit counted: motor runs
// too, although a board reads again only after the run has begun.
func TestCurvesCountTheRuns(t *testing.T) {
	slowtest.Long(t)
	dir := t.TempDir()
	curvePath := filepath.Join(dir, "c.csv")
	rec, cfg, _ := simulated(t, "feed-lost", "0.5", "--seed", "71", "--curve", curvePath)
	drawn := func(args ...string) (ah float64) {
		_, errs, code := command(t, "", append([]string{"replay", "--out", os.DevNull}, args...)...)
		require.Zero(t, code, errs)
		_, rest, found := strings.Cut(errs, "out ")
		require.True(t, found, errs)
		text, _, _ := strings.Cut(rest, " ")
		ah, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err)
		return ah
	}
	unit := drawn("--config", cfg, rec)
	require.Greater(t, unit, 1.0)
	const printed = 0.1 // Ah: both figures are rounded to it
	assert.InDelta(t, unit, drawn("--bank", cfg, curvePath), printed+0.02*unit)
	assert.InDelta(t, unit, drawn("--bank", cfg, rec), printed+0.02*unit)
}

// rowsOf makes a curve of one battery of 100 Ah with readings this far apart. load gives the
// current at a time.
func rowsOf(step float64, hours float64, load func(s float64) float64) string {
	var w strings.Builder
	w.WriteString("time_s,battery,voltage_v,current_a,temperature_c\n")
	soc, last := 1.0, 0.0
	for k := 0; float64(k)*step <= hours*3600; k++ {
		s := float64(k) * step
		a := load(s)
		soc += last * step / 3600 / 100
		last = a
		fmt.Fprintf(&w, "%g,a,%.4f,%g,25\n", s, 11.7+1.05*soc+0.008*a, a)
	}
	return w.String()
}

func replayed(t *testing.T, curve string, args ...string) (charge float64, errs string) {
	t.Helper()
	out, errs, code := command(t, curve, append([]string{"replay", "--bank", write(t, "bank.yaml", bankOne), "-"},
		args...)...)
	require.Zero(t, code, errs)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	last := rows[len(rows)-1]
	if last[2] == "" {
		return math.NaN(), errs
	}
	charge, err = strconv.ParseFloat(last[2], 64)
	require.NoError(t, err)
	return charge, errs
}

// One reading a minute of a unit at work: loads are no noise, and the charge follows them.
func TestOneMinuteDataWithLoads(t *testing.T) {
	charge, errs := replayed(t, rowsOf(60, 14, func(s float64) float64 {
		if s < 6*3600 {
			return 0
		}
		if int(s/60)%2 == 0 {
			return -18
		}
		return -2
	}))
	assert.InDelta(t, 20, charge, 10, "80 Ah of 100 were drawn; 97 with the channels taken for noisy")
	assert.NotContains(t, errs, "sense-fault")
	assert.NotContains(t, errs, "clock-unsure", "a curve has no clock")
	assert.Contains(t, errs, "cold cranking capability, verdict, links and leads: not judged: scans are about 1m0s apart")
	assert.Contains(t, errs, "motor runs, their number and length, and findings of the motor: not judged")
}

// Readings a minute apart of two runs are not one long run.
func TestAMinuteGridHasNoOverrun(t *testing.T) {
	_, errs := replayed(t, rowsOf(60, 3, func(s float64) float64 {
		if k := int(s / 60); k > 60 && k%10 < 3 {
			return -150
		}
		return 0
	}))
	assert.NotContains(t, errs, "motor-overrun")
	assert.Contains(t, errs, "no findings")
}

// Rows a second apart in runs: enough to follow the charge, too far apart for a load test, and that
// is said.
func TestASecondGridSaysWhatItCanNotJudge(t *testing.T) {
	lifts := func(s float64) float64 {
		if s > 3600 && math.Mod(s, 300) < 10 {
			return -120
		}
		return 0
	}
	_, errs := replayed(t, rowsOf(1, 3, lifts))
	assert.Contains(t, errs, "not judged: scans are about 1s apart in motor runs: want 20ms or less")
	assert.NotContains(t, errs, "motor runs, their number")
	assert.NotContains(t, errs, "clock-unsure")
}

// The emulated board sees rows a second apart, as it scans at the very seconds.
func TestTheBoardTakesInRowsASecondApart(t *testing.T) {
	for _, step := range []float64{1, 0.1, 7.3} {
		curve := rowsOf(step, 2.5, func(s float64) float64 {
			if s < 1800 {
				return 0
			}
			return -10
		})
		direct, _ := replayed(t, curve)
		board, errs := replayed(t, curve, "--board")
		require.False(t, math.IsNaN(board), "%g s: %s", step, errs)
		assert.InDelta(t, direct, board, 0.5, "%g s", step)
	}
}

// A result is written beside its place: bad input leaves what was there, and the input is never
// written over.
func TestOutputsAreWrittenBeside(t *testing.T) {
	dir := t.TempDir()
	bank, out := filepath.Join(dir, "bank.yaml"), filepath.Join(dir, "out.csv")
	curve := filepath.Join(dir, "curve.csv")
	require.NoError(t, os.WriteFile(bank, []byte(bankOne), 0o600))
	require.NoError(t, os.WriteFile(curve, []byte(rowsOf(60, 1, func(float64) float64 { return 0 })), 0o600))
	_, errs, code := command(t, "", "replay", "--bank", bank, "--out", out, curve)
	require.Zero(t, code, errs)
	good, err := readFile(out)
	require.NoError(t, err)
	require.NotEmpty(t, good)

	_, _, code = command(t, "time_s,battery,voltage_v,current_a,temperature_c\n0,a,12,0,25\n1,a,x,0,25\n", "replay",
		"--bank", bank, "--out", out, "-")
	assert.Equal(t, exitUsage, code)
	kept, err := readFile(out)
	require.NoError(t, err)
	assert.Equal(t, good, kept)

	for _, same := range []string{curve, bank} {
		before, err := readFile(same)
		require.NoError(t, err)
		link := filepath.Join(dir, "link")
		require.NoError(t, os.Symlink(same, link))
		for _, name := range []string{same, link} {
			_, errs, code = command(t, "", "replay", "--bank", bank, "--out", name, curve)
			assert.Equal(t, exitUsage, code)
			assert.Contains(t, errs, "is also what is read")
		}
		require.NoError(t, os.Remove(link))
		after, err := readFile(same)
		require.NoError(t, err)
		assert.Equal(t, before, after)
	}
	rec, cfg, _ := simulated(t, "healthy-day", "0.02")
	_, errs, code = command(t, "", "replay", "--config", cfg, "--out", rec, rec)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "is also what is read")
	files, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, files, 3, "nothing is left beside")
}

// What is not meant for a replay is refused with what to do instead.
func TestReplayHints(t *testing.T) {
	bank := write(t, "bank.yaml", bankOne)
	_, cfg, _ := simulated(t, "healthy-day", "0.01")
	for name, c := range map[string]struct {
		args []string
		text string
		want string
	}{
		"neither":             {[]string{"-"}, "", "--config, --bank: want one of them"},
		"both":                {[]string{"--bank", bank, "--config", cfg, "-"}, "", "--config, --bank: want one of them"},
		"findings of a curve": {[]string{"--bank", bank, "--findings", "x", "-"}, "", "want --config with them"},
		"unit on a board":     {[]string{"--config", cfg, "--board", "-"}, "", "--board: want --bank with it"},
		"plot":                {[]string{"--config", cfg, "--plot", "x.pdf", "-"}, "", "ends in .svg or .png"},
		"curve to a unit": {[]string{"--config", cfg, "-"},
			"time_s,battery,voltage_v,current_a,temperature_c\n0,a,12,0,25\n", "replay --bank for a curve"},
		"semicolons": {[]string{"--bank", bank, "-"}, "time_s;battery;voltage_v;current_a;temperature_c\n0;a;12,6;0;25\n",
			"save as CSV with commas and decimal points"},
		"decimal comma": {[]string{"--bank", bank, "-"},
			"time_s,battery,voltage_v,current_a,temperature_c\n0,a,12,6,0,25\n", "decimals want a point, not a comma"},
		"time of day": {[]string{"--bank", bank, "-"},
			"time_s,battery,voltage_v,current_a,temperature_c\n2026-03-09 06:30:00,a,12.6,0,25\n",
			"want seconds since the first row"},
		"a folder":       {[]string{"--bank", bank, "."}, "", "is a folder: want a file"},
		"no such folder": {[]string{"--config", cfg, "no-such"}, "", "no-such"},
	} {
		_, errs, code := command(t, c.text, append([]string{"replay"}, c.args...)...)
		assert.Equal(t, exitUsage, code, name)
		assert.Contains(t, errs, c.want, name)
	}
}

// A demonstration keeps every scan and the truth beside it.
func TestDemoKeepsARecording(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "kept")
	out, errs, code := command(t, "", "demo", "--listen", "127.0.0.1:0", "--past", "0s", "--speed", "2000", "--for", "3s",
		"--data", dir)
	require.Zero(t, code, errs)
	assert.Contains(t, out, "stopped   after")
	out, errs, code = command(t, "", "replay", "--config", filepath.Join(dir, "recording.unit.yaml"), "--findings", "-",
		filepath.Join(dir, "recording"))
	require.Zero(t, code, errs)
	assert.Regexp(t, `replayed \d+ scans, \d+\.\d h`, errs)
	assert.Contains(t, errs, "a charge error")
	var found []playback.Episode
	require.NoError(t, json.Unmarshal([]byte(out), &found))
}
