package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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
		Values: map[string]string{settings.BatteryPath("b", settings.RatedAh): "105"}, By: "R. Vale",
		At: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC),
	}))
	out, _, _ := command(t, "", "check", "--config", good)
	assert.Regexp(t, `bank\.batteries\.b\.rated_ah +105 Ah, technician \(R\. Vale, 2026-05-04\), configuration 100`, out)
	assert.Regexp(t, `bank\.batteries\.a\.rated_ah +100 Ah, configuration`, out)
	out, _, _ = command(t, "", "check", "--json", "--config", good)
	var r checkReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.Len(t, r.Settings, 6)
	assert.Equal(t, settings.FromTechnician, r.Settings[4].Origin)

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
