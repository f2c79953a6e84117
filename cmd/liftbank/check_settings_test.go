//go:build !board

package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
	settings "liftbank/agent/technician"
)

// check shows what a technician has set at the unit, who, and what the configuration has; it changes
// nothing.
func TestCheckShowsSettingsMadeAtTheUnit(t *testing.T) {
	good := filepath.Join("..", "..", "deploy", "board-two-batteries.yaml")
	cfg, err := loadConfig(good, nil)
	require.NoError(t, err)
	state := t.TempDir()
	t.Setenv("STATE_DIRECTORY", state)
	file := filepath.Join(state, "visits", "technician.json")
	over, err := settings.Open(file)
	require.NoError(t, err)
	require.NoError(t, over.Set(&cfg, settings.Change{
		Values: map[string]string{
			settings.BatteryPath("b", settings.RatedAh): "105", settings.ChannelPath("battery_current_a", settings.Gain): "1.012",
			settings.BatteryPath("b", settings.RatedAh): "105", "service.oil_every": "365", "counter.lift_cycles": "41000",
			settings.BatteryPath("a", settings.Place): "street side",
		}, By: "R. Vale",
		At: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC),
	}))
	out, _, _ := command(t, "", "check", "--config", good)
	assert.Regexp(t, `bank\.batteries\.b\.rated_ah +105 Ah, technician \(R\. Vale, 2026-05-04\), configuration 100`, out)
	assert.Regexp(t, `bank\.batteries\.a\.rated_ah +100 Ah, configuration`, out)
	assert.Regexp(t, `service\.oil_every +365 d, technician \(R\. Vale, 2026-05-04\), configuration 0`, out)
	assert.Regexp(t, `unit\.name +none, configuration`, out)
	assert.Regexp(t, `board\.channels\.battery_current_a\.calibration\.gain +1\.012, technician \(R\. Vale, 2026-05-04\), configuration`, out)
	assert.NotContains(t, out, "feed_voltage.calibration", "it is not corrected")
	out, _, _ = command(t, "", "check", "--json", "--config", good)
	var r checkReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	origin := map[string]string{}
	for _, e := range r.Settings {
		origin[e.Path] = e.Value + " " + e.Origin
	}
	assert.Equal(t, "1.012 technician", origin["board.channels.battery_current_a.calibration.gain"])
	assert.Equal(t, "1 configuration", origin["board.channels.feed_voltage.calibration.gain"])
	assert.Equal(t, "105 technician", origin["bank.batteries.b.rated_ah"])
	assert.Equal(t, "365 technician", origin["service.oil_every"])
	assert.Equal(t, "41000 technician", origin["counter.lift_cycles"])
	assert.Equal(t, "street side technician", origin["bank.batteries.a.place"])
	assert.Equal(t, "0 configuration", origin["service.lift_cycles"])

	require.NoError(t, os.WriteFile(file, []byte("rot"), 0o600))
	out, errs, code := command(t, "", "check", "--config", good)
	assert.NotZero(t, code)
	assert.Contains(t, errs+out, "settings made at the unit")
	_, err = os.Stat(file)
	require.NoError(t, err, "it is left where it is")
	out, _, code = command(t, "", "check", "--fields-only", "--config", good)
	assert.Zero(t, code)
	assert.NotContains(t, out, "rated_ah", "that of another machine")
}

// A bank of different kinds is refused where nobody says that it is known, and its cost is said where it is.
// A battery of another kind that somebody at the unit put in is not refused, and said as well.
func TestCheckOfAMixedBank(t *testing.T) {
	t.Setenv("STATE_DIRECTORY", t.TempDir())
	series, err := os.ReadFile(filepath.Join("..", "..", "deploy", "board-series.yaml"))
	require.NoError(t, err)
	write := func(name string, change ...string) string {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, []byte(strings.NewReplacer(change...).Replace(string(series))), 0o600))
		return path
	}
	smaller := []string{"{id: b, chemistry: flooded, rated_ah: 100", "{id: b, chemistry: flooded, rated_ah: 75"}
	_, errs, code := command(t, "", "check", "--fields-only", "--config", write("mixed.yaml", smaller...))
	assert.Equal(t, 78, code)
	assert.Contains(t, errs, "bank.batteries[1].rated_ah: 75 Ah: want one like battery a (100 Ah): the smaller one is empty first")
	assert.Contains(t, errs, "write mixed: true in section bank")

	known := write("known.yaml", append(smaller, "  # mixed: true", "  mixed: true")...)
	out, _, code := command(t, "", "check", "--fields-only", "--config", known)
	assert.Equal(t, 0, code)
	assert.Regexp(t, `bank\.mixed +battery a and b: other rated_ah: the smaller one is empty first`, out)
	out, _, _ = command(t, "", "check", "--fields-only", "--json", "--config", known)
	var r checkReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.Len(t, r.Mixed, 1)
	assert.Equal(t, "b", r.Mixed[0].Battery)
	assert.True(t, r.Mixed[0].Series)

	alike := write("alike.yaml")
	out, _, _ = command(t, "", "check", "--fields-only", "--config", alike)
	assert.NotContains(t, out, "bank.mixed")
	cfg, err := loadConfig(alike, nil)
	require.NoError(t, err)
	over, err := settings.Open(filepath.Join(os.Getenv("STATE_DIRECTORY"), "visits", "technician.json"))
	require.NoError(t, err)
	require.NoError(t, over.Set(&cfg, settings.Change{
		Values: map[string]string{settings.BatteryPath("b", settings.Chemistry): "agm"}, By: "R. Vale", At: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC),
		Passports: map[string]snapshot.Passport{"a": {Made: "2022-05"}, "b": {Made: "2026-02"}},
	}))
	out, _, _ = command(t, "", "check", "--config", alike)
	assert.Regexp(t, `bank\.mixed +battery a and b: other chemistry: one charge voltage can't be right for both`, out)
	assert.Regexp(t, `bank\.mixed +battery a and b: other age: the older one is empty first`, out)
}

// The budget of a string says what can be told apart; a tap that was calibrated at the unit counts.
func TestBudgetOfAStringIsPrinted(t *testing.T) {
	t.Setenv("STATE_DIRECTORY", t.TempDir())
	series := filepath.Join("..", "..", "deploy", "board-series.yaml")
	out, _, code := command(t, "", "check", "--fields-only", "--budget", "--config", series)
	require.Equal(t, 0, code)
	assert.Contains(t, out, "Batteries a and b in series: the own voltage of a may be off by 0.068 V, that of b, a difference of two taps, by 0.19 V.")
	assert.Contains(t, out, "Two that are alike may read 0.13 V apart, at rest 16.3 % of charge; with both taps calibrated against one meter, 0.035 V and 4.3 %")
	assert.NotContains(t, out, "warning")
	cfg, err := loadConfig(series, nil)
	require.NoError(t, err)
	over, err := settings.Open(filepath.Join(os.Getenv("STATE_DIRECTORY"), "visits", "technician.json"))
	require.NoError(t, err)
	require.NoError(t, over.Set(&cfg, settings.Change{Values: map[string]string{
		settings.ChannelPath("battery_voltage_a", settings.Gain): "1.002", settings.ChannelPath("battery_voltage_b", settings.Gain): "0.998",
	}, By: "R. Vale", At: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)}))
	out, _, _ = command(t, "", "check", "--budget", "--config", series)
	assert.Contains(t, out, "Both taps are calibrated; without, two that are alike might read 0.13 V apart")
}
