//go:build !board

package main

import (
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

func TestQuarantineAndExport(t *testing.T) {
	dir, cfg, _ := fleetYAML(t, "mqtt://127.0.0.1:1")
	d := openFleet(t, dir)
	at := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	body := func(seq uint64) []byte {
		b, err := json.Marshal(records.Run{Head: records.Head{Schema: records.RunSchema, Unit: "t-1", Session: "s", Stream: "runs",
			First: 1, Seq: seq, At: at, ClockTrusted: true, MonoS: 1}, Run: snapshot.Run{Number: seq, Start: at}})
		require.NoError(t, err)
		return b
	}
	const topic = "liftbank/v1/t-1/runs"
	put := func(payload []byte, why wire.Reason) {
		require.NoError(t, d.Quarantine(t.Context(), at, topic, payload, wire.Refused{Reason: why, Detail: "why"}))
	}
	put(body(1), wire.UnknownSchema) // as if this program had been updated since
	put(body(2), wire.NotStored)
	put([]byte("on"), wire.NotJSON)

	out, errs, code := command(t, "", "fleet", "quarantine", "list", "--config", cfg)
	assert.Zero(t, code, errs)
	assert.Equal(t, 4, strings.Count(out, "\n"), out)
	assert.Contains(t, out, "schema-unknown")
	out, _, _ = command(t, "", "fleet", "quarantine", "list", "--config", cfg, "--reason", "not-json", "--payload")
	var q db.Quarantined
	require.NoError(t, json.Unmarshal([]byte(out), &q))
	assert.Equal(t, "on", string(q.Payload))
	_, errs, code = command(t, "", "fleet", "quarantine", "list", "--config", cfg, "--reason", "x")
	assert.Equal(t, exitUsage, code, errs)

	out, errs, code = command(t, "", "fleet", "quarantine", "replay", "--config", cfg)
	assert.Zero(t, code, errs)
	assert.Equal(t, "stored 2, known already 0, still refused 1\n", out)
	out, _, _ = command(t, "", "fleet", "quarantine", "replay", "--config", cfg)
	assert.Equal(t, "stored 0, known already 0, still refused 1\n", out)
	_, errs, code = command(t, "", "fleet", "quarantine", "drop", "--config", cfg)
	assert.Equal(t, exitUsage, code, errs)
	out, errs, code = command(t, "", "fleet", "quarantine", "drop", "--config", cfg, "--unit", "t-1", "--all")
	assert.Zero(t, code, errs)
	assert.Equal(t, "deleted 0\n", out, "what was put aside by hand has no unit")
	out, _, _ = command(t, "", "fleet", "quarantine", "drop", "--config", cfg, "--all")
	assert.Equal(t, "deleted 1\n", out)

	out, errs, code = command(t, "", "fleet", "export", "--config", cfg, "--stream", "runs")
	assert.Zero(t, code, errs)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	require.Len(t, lines, 2)
	var r db.Record
	require.NoError(t, json.Unmarshal([]byte(lines[1]), &r))
	assert.Equal(t, uint64(2), r.Seq)
	assert.JSONEq(t, string(body(2)), string(r.Body))
	out, errs, code = command(t, "", "fleet", "export", "--config", cfg, "--stream", "runs", "--form", "csv", "--to", "2026-01-01T00:00:00Z")
	assert.Zero(t, code, errs)
	assert.Equal(t, 1, strings.Count(out, "\n"), "the header: %s", out)
	out, _, _ = command(t, "", "fleet", "export", "--config", cfg, "--stream", "runs", "--form", "csv", "--unit", "t-1")
	table, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	require.Len(t, table, 3)
	assert.JSONEq(t, string(body(1)), table[1][9])
}

func TestFleetRunSaysWhatIsWrong(t *testing.T) {
	_, errs, code := command(t, "", "fleet", "run", "--config", write(t, "fleet.yaml", "mqtt: {broker: http://x}\n"))
	assert.Equal(t, exitConfig, code)
	assert.Contains(t, errs, "mqtt.broker: http://x: want mqtt://HOST[:PORT]")
	assert.Contains(t, errs, "database: missing")
	_, errs, code = command(t, "", "fleet", "run", "--config", "/nowhere")
	assert.Equal(t, exitConfig, code, errs)
}
