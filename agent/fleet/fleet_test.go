package fleet

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/setup"
	"liftbank/agent/records"
)

func get(t *testing.T, url string) (int, string) {
	t.Helper()
	r, err := http.Get(url)
	require.NoError(t, err)
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	return r.StatusCode, string(body)
}

// part is a part that has a problem.
type part struct{}

func (part) Run(ctx context.Context) error { <-ctx.Done(); return nil }
func (part) Problem() string               { return "alerts: nobody to tell" }

// The collector says what keeps it from its work, has its sums, and ends in order without leaving
// anything behind.
func TestCollector(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent(), goleak.IgnoreTopFunction("net/http.(*persistConn).readLoop"),
		goleak.IgnoreTopFunction("net/http.(*persistConn).writeLoop"), goleak.IgnoreTopFunction("internal/poll.runtime_pollWait"))
	broker := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, broker.AddHook(new(auth.AllowHook), nil))
	reserved, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := reserved.Addr().String()
	require.NoError(t, reserved.Close())

	cfg := setup.Default()
	cfg.MQTT.Broker, cfg.Database.URL = "mqtt://"+address, "sqlite://"+filepath.Join(t.TempDir(), "fleet.db")
	c, err := New(t.Context(), Options{Config: cfg})
	require.NoError(t, err)
	heard := make(chan db.Outcome, 10)
	c.Hear(func(o db.Outcome) { heard <- o })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	page := "http://" + l.Addr().String()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx, l) }()

	status, _ := get(t, page+"/healthz")
	assert.Equal(t, http.StatusOK, status)
	require.Eventually(t, func() bool {
		status, text := get(t, page+"/readyz")
		return status == http.StatusServiceUnavailable && strings.Contains(text, "broker away: connect to "+address)
	}, 20*time.Second, 10*time.Millisecond)

	require.NoError(t, broker.AddListener(listeners.NewTCP(listeners.Config{ID: "t", Address: address})))
	require.NoError(t, broker.Serve())
	require.Eventually(t, func() bool { status, _ := get(t, page+"/readyz"); return status == http.StatusOK }, 20*time.Second, 10*time.Millisecond)
	unit := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID("unit"))
	require.True(t, unit.Connect().WaitTimeout(20*time.Second))
	body, err := json.Marshal(records.Status{Schema: records.StatusSchema, Unit: "t-1", Session: "s", Connection: 1,
		Status: records.Online, At: time.Now().UTC()})
	require.NoError(t, err)
	require.True(t, unit.Publish("liftbank/v1/t-1/status", 1, false, body).WaitTimeout(20*time.Second))
	assert.Equal(t, []bool{true}, (<-heard).New)

	_, text := get(t, page+"/metrics")
	for _, want := range []string{
		"liftbank_fleet_broker_connected 1", "liftbank_fleet_units_online 1", "liftbank_fleet_units_silent 0",
		`liftbank_fleet_messages_received_total{topic="status"} 1`,
		`liftbank_fleet_messages_refused_total{reason="unit-lies"} 0`, `liftbank_fleet_units_flagged{flag="two-identities"} 0`,
	} {
		assert.Contains(t, text, want+"\n")
	}
	assert.NotContains(t, text, "t-1", "no unit has figures of its own")
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	require.NoError(t, err)
	for _, p := range problems {
		assert.False(t, strings.HasPrefix(p.Metric, "liftbank_"), "%s: %s", p.Metric, p.Text)
	}
	unit.Disconnect(100)
	cancel()
	require.NoError(t, <-ended)
	require.NoError(t, broker.Close())
	assert.Error(t, c.DB().Ping(t.Context()), "closed")
	http.DefaultClient.CloseIdleConnections()
}

func TestAPartsProblemIsTheCollectors(t *testing.T) {
	cfg := setup.Default()
	cfg.MQTT.Broker, cfg.Database.URL = "mqtt://127.0.0.1:1", "sqlite://"+filepath.Join(t.TempDir(), "fleet.db")
	c, err := New(t.Context(), Options{Config: cfg})
	require.NoError(t, err)
	c.Add(part{})
	assert.Equal(t, []string{"broker away: not connected yet", "alerts: nobody to tell"}, c.Problems())
	require.NoError(t, c.Close())
	cfg.Database.URL = "sqlite:///dev/null/x/fleet.db"
	_, err = New(t.Context(), Options{Config: cfg})
	assert.Error(t, err)
	cfg.Database = setup.Database{URL: "postgres://x@h/d", PasswordFile: "/nowhere"}
	_, err = New(t.Context(), Options{Config: cfg})
	assert.ErrorContains(t, err, "password file")
}
