//go:build !board

package main

import (
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

// fleetWith is a configuration with a database in which a finding of a unit was raised a day ago.
func fleetWith(t *testing.T) (path, address string) {
	t.Helper()
	address = "sqlite://" + filepath.Join(t.TempDir(), "fleet.db")
	path = write(t, "fleet.yaml", "mqtt: {broker: mqtt://localhost}\ndatabase: {url: "+address+"}\n"+
		"series: {receivers: [{name: main, url: 'http://localhost:1/'}, {name: copy, url: 'http://localhost:2/'}]}\n")
	d, err := db.Open(t.Context(), address, db.Options{})
	require.NoError(t, err)
	raised := time.Now().Add(-25 * time.Hour).UTC().Truncate(time.Millisecond)
	body, err := json.Marshal(records.Finding{
		Head: records.Head{Schema: records.FindingSchema, Unit: "t-1042", Session: "s", Stream: wire.Findings, First: 1, Seq: 1, At: raised,
			ClockTrusted: true, MonoS: 60},
		Finding: snapshot.Finding{Name: "bank-undercharged", Severity: "repair", State: "unacknowledged", Active: true, Since: raised, RaisedAt: &raised,
			Times: 1, Seq: 1, Evidence: []snapshot.Evidence{}, Causes: []snapshot.Cause{}, NextCheck: []string{}},
	})
	require.NoError(t, err)
	p, err := wire.NewParser("liftbank")
	require.NoError(t, err)
	m, err := p.Parse("liftbank/v1/t-1042/findings", body)
	require.NoError(t, err)
	_, err = d.Commit(t.Context(), raised.Add(time.Second), []wire.Message{m})
	require.NoError(t, err)
	require.NoError(t, d.Close())
	return path, address
}

func TestFleetAlarms(t *testing.T) {
	path, _ := fleetWith(t)
	out, errs, code := command(t, "", "fleet", "alarms", "--config", path, "--since", "2d")
	require.Zero(t, code, errs)
	assert.Regexp(t, `(?m)^alarms +1`, out)
	assert.Regexp(t, `(?m)^t-1042 +bank-undercharged +repair +\S+ \S+ UTC +1\.04`, out)

	out, errs, code = command(t, "", "fleet", "alarms", "--config", path, "--json")
	require.Zero(t, code, errs)
	var r alert.Report
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	assert.Equal(t, 30.0, r.Days)
	assert.Equal(t, 1, r.Alarms)
	assert.Len(t, r.Stale, 1)

	for _, since := range []string{"x", "0h", "-3d"} {
		_, errs, code = command(t, "", "fleet", "alarms", "--config", path, "--since="+since)
		assert.Equal(t, exitUsage, code)
		assert.Contains(t, errs, "30d")
	}
}

func TestFleetRefill(t *testing.T) {
	path, address := fleetWith(t)
	out, errs, code := command(t, "", "fleet", "refill", "--config", path, "--from", "2026-01-01", "--receiver", "copy")
	require.Zero(t, code, errs)
	assert.Regexp(t, `(?m)^copy +findings +0$`, out)
	assert.NotContains(t, out, "main")
	out, errs, code = command(t, "", "fleet", "refill", "--config", path, "--from", "1h")
	require.Zero(t, code, errs)
	assert.Regexp(t, `(?m)^main +findings +1$`, out, "nothing since")

	d, err := db.Open(t.Context(), address, db.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, d.Close()) }()
	at, err := d.Position(t.Context(), "series:main:findings:wanted")
	require.NoError(t, err)
	assert.Equal(t, int64(2), at, "what the sender looks for")

	for want, args := range map[string][]string{
		"want a date":         {"--from", "yesterday"},
		"still to come":       {"--from", "2999-01-01"},
		"series.receivers in": {"--from", "1d", "--receiver", "other"},
	} {
		_, errs, code := command(t, "", append([]string{"fleet", "refill", "--config", path}, args...)...)
		assert.Equal(t, exitUsage, code, want)
		assert.Contains(t, errs, want)
	}
}
