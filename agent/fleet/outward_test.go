package fleet_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/golang/snappy"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet"
	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/setup"
)

const patience = time.Minute

func receive[T any](t *testing.T, from <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-from:
		return v
	case <-time.After(patience):
		t.Fatalf("waited %v for %s", patience, what)
		panic("unreachable")
	}
}

// What a unit sends over MQTT comes out as an alert and as series, by the configuration alone.
func TestFromMQTTToAlertAndSeries(t *testing.T) {
	broker := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, broker.AddHook(new(auth.AllowHook), nil))
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	require.NoError(t, broker.AddListener(l))
	require.NoError(t, broker.Serve())
	t.Cleanup(func() { _ = broker.Close() })

	alerts, pushed := make(chan alert.Alert, 100), make(chan string, 100)
	manager := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var list []alert.Alert
		if json.NewDecoder(r.Body).Decode(&list) == nil {
			for _, a := range list {
				alerts <- a
			}
		}
	}))
	t.Cleanup(manager.Close)
	tsdb := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		user, password, _ := r.BasicAuth()
		body, _ := io.ReadAll(r.Body)
		raw, err := snappy.Decode(nil, body)
		if err != nil || user != "fleet" || password != "secret" {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		pushed <- string(raw)
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(tsdb.Close)

	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "password"), []byte("secret\n"), 0o600))
	cfg, err := setup.Parse(filepath.Join(dir, "fleet.yaml"), fmt.Appendf(nil, `
mqtt: {broker: "mqtt://%s"}
database: {url: sqlite://fleet.db}
series: {receivers: [{name: main, url: %q, username: fleet, password_file: password}], labels: [{name: cell, value: north}]}
alerts: {alertmanagers: [{url: %q}], site: "https://fleet.example", labels: [{name: cell, value: north}]}
`, l.Address(), tsdb.URL, manager.URL))
	require.NoError(t, err)
	send := func(leaf string) {
		t.Helper()
		body, err := os.ReadFile("wire/testdata/" + leaf + ".json")
		require.NoError(t, err)
		c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + l.Address()).SetClientID("demo"))
		token := c.Connect()
		require.True(t, token.WaitTimeout(patience))
		require.NoError(t, token.Error())
		token = c.Publish("liftbank/v1/demo/"+leaf, 1, false, body)
		require.True(t, token.WaitTimeout(patience))
		require.NoError(t, token.Error())
		c.Disconnect(0)
	}
	// What was stored before the parts run is sent, too: they read the database.
	run := func(until func(c *fleet.Collector)) {
		t.Helper()
		c, err := fleet.New(t.Context(), fleet.Options{Config: cfg})
		require.NoError(t, err)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- c.Run(ctx, nil) }()
		defer func() {
			stop()
			assert.NoError(t, receive(t, done, "the collector's end"))
		}()
		require.Eventually(t, func() bool { return len(c.Problems()) == 0 }, patience, 10*time.Millisecond)
		until(c)
	}
	run(func(*fleet.Collector) {
		send("readings")
		send("findings")
		a := receive(t, alerts, "the alert")
		assert.Equal(t, map[string]string{
			"alertname": "FeedLost", "severity": "urgent", "finding": "feed-lost", "unit": "demo", "instance": "demo", "job": "liftbank-fleet",
			"cell": "north",
		}, a.Labels)
		assert.Equal(t, "https://fleet.example/units/demo", a.Link)
	})
	for len(alerts) > 0 {
		<-alerts
	}
	run(func(c *fleet.Collector) {
		assert.Equal(t, "FeedLost", receive(t, alerts, "the alert after a restart").Labels["alertname"])
		for all := ""; !strings.Contains(all, "liftbank_battery_volts") || !strings.Contains(all, "liftbank_finding_active"); {
			body := receive(t, pushed, "series")
			assert.Contains(t, body, "north")
			all += body
		}
		w := httptest.NewRecorder()
		c.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		assert.Contains(t, w.Body.String(), `liftbank_fleet_series_reachable{receiver="main"} 1`)
		assert.Contains(t, w.Body.String(), `liftbank_fleet_alerts{severity="urgent"} 1`)
		assert.Empty(t, c.Problems())
	})
}
