package fitter_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fit"
	"liftbank/cmd/internal/fitter"
	"liftbank/sim"
)

// looked returns what one look at a unit finds, at rest, in a run, on charge and after each.
func looked(t *testing.T, tr *trial) (all map[string][]string) {
	t.Helper()
	cfg := parse(t, tr.text)
	board, err := fitter.Board(tr.fitter.Rig(), cfg)
	require.NoError(t, err)
	all = map[string][]string{}
	look := func(name string, wait time.Duration, do func(*sim.Unit)) {
		tr.fitter.Rig().ByHand(do)
		var f fit.Frame
		for until := tr.fitter.Rig().Clock.Now() + wait; tr.fitter.Rig().Clock.Now() < until; {
			s, err := board.Next(t.Context())
			require.NoError(t, err)
			f = fit.Scanned(&cfg, s)
		}
		all[name] = fit.AtRest(&cfg, f)
	}
	look("rest", 3*time.Second, func(*sim.Unit) {})
	look("run", 3*time.Second, func(u *sim.Unit) { u.Button(true) })
	look("after", 2*time.Second, func(u *sim.Unit) { u.Button(false) })
	look("charge", time.Minute, func(u *sim.Unit) { u.Ignition(true) })
	look("after charge", 5*time.Second, func(u *sim.Unit) { u.Ignition(false) })
	return all
}

// One look takes nothing for wrong on a sound board, whatever it is doing.
func TestALookAtASoundBoard(t *testing.T) {
	for name, text := range boards(t) {
		for seed := range uint64(8) {
			tr := newTrial(t, text, nil, seed+1, seed > 0)
			for when, found := range looked(t, tr) {
				assert.Empty(t, found, "%s, seed %d, %s", name, seed, when)
			}
		}
	}
}

// What one look finds of each mis-wiring; the others take the steps of a fitting.
func TestWhatALookFinds(t *testing.T) {
	for name, want := range map[string]string{
		"swapped-taps": "", "swapped-clamps": "", "swapped-pins": "", "half-scale-clamp": "", "inverted-disconnect": "",
		"wrong-divider":    "rest: battery_voltage_a and battery_voltage_b disagree",
		"reversed-clamp":   "charge: battery_current_b shows a discharge",
		"inverted-coil":    "rest: motor_command is on and no current flows",
		"wrong-thermistor": "",
	} {
		tr := newTrial(t, two(t), miswired(t, name), 5, true)
		var all []string
		for when, found := range looked(t, tr) {
			for _, text := range found {
				all = append(all, when+": "+text)
			}
		}
		if want == "" {
			assert.Empty(t, all, name)
		} else {
			assert.Contains(t, strings.Join(all, "\n"), want, name)
		}
	}
}

// A bank of 24 V whose configuration says parallel, and the other way round, behind the emulated board: one look
// says so in one sentence, whatever the unit is doing but running.
func TestALookAtAnotherLayout(t *testing.T) {
	change := func(text string, all ...string) []byte {
		for i := 0; i < len(all); i += 2 {
			require.Contains(t, text, all[i])
			text = strings.ReplaceAll(text, all[i], all[i+1])
		}
		return []byte(text)
	}
	series := string(boards(t)["board-series.yaml"])
	// A second current sensor, so that the same channels are those of a parallel bank.
	const second = "{signal: battery_temperature, battery: b, chip: amps, input: AIN3,\n       scale: {kind: ntc_beta, r25_ohm: 10000, beta_k: 3950, pullup_ohm: 10000, supply_v: 3.3}}"
	series = string(change(series, second, "{signal: battery_current, battery: b, chip: amps, input: AIN3, min_a: -300, max_a: 300, scale: {kind: hall, zero_v: 1.65, v_per_a: 0.005}}"))
	parallel := string(change(series, "layout: series", "layout: parallel"))
	for _, tt := range []struct{ wired, written, want string }{
		{series, parallel, "batteries in series, and bank.layout in the configuration is parallel"},
		{parallel, series, "batteries in parallel, and bank.layout in the configuration is series"},
	} {
		tr := newTrial(t, []byte(tt.wired), nil, 5, true)
		tr.text = []byte(tt.written)
		for when, found := range looked(t, tr) {
			if when == "run" { // taps say nothing under a current
				continue
			}
			all := strings.Join(found, "\n")
			if when == "charge" && all == "" { // over what counts as rest
				continue
			}
			assert.Equal(t, 1, strings.Count(all, tt.want), "%s: %s", when, all)
		}
	}
	tr := newTrial(t, change(string(boards(t)["board-series.yaml"]), "battery_voltage, battery: b, chip: volts, input: AIN1", "battery_voltage, battery: b, chip: volts, input: AIN0",
		"signal: battery_voltage\n      battery: a # the middle; required: without it only the sum is known\n      chip: volts\n      input: AIN0",
		"signal: battery_voltage\n      battery: a\n      chip: volts\n      input: AIN1"), nil, 5, true)
	tr.text = boards(t)["board-series.yaml"]
	found := looked(t, tr)["rest"]
	require.Len(t, found, 1, "%v", found)
	assert.Contains(t, found[0], "their wires are swapped, the lower battery of a string has half")
}
