package service_test

import (
	"context"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/agent/service"
	"liftbank/agent/snapshot"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// manager is a service manager's end of the socket.
type manager struct {
	conn *net.UnixConn
	env  map[string]string
}

func newManager(t *testing.T, watchdogUsec string) *manager {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(10*time.Second)))
	return &manager{conn, map[string]string{"NOTIFY_SOCKET": path, "WATCHDOG_USEC": watchdogUsec}}
}

func (m *manager) getenv(name string) string { return m.env[name] }

func (m *manager) hears(t *testing.T, want string) {
	t.Helper()
	b := make([]byte, 4096)
	n, err := m.conn.Read(b)
	require.NoError(t, err)
	assert.Equal(t, want, string(b[:n]))
}

func sample(t *testing.T, seq uint64) *snapshot.Snapshot {
	b, err := os.ReadFile(filepath.Join("..", "snapshot", "testdata", "findings.json"))
	require.NoError(t, err)
	s := &snapshot.Snapshot{}
	require.NoError(t, json.Unmarshal(b, s))
	s.Seq = seq
	return s
}

const line = "t-1042: bank 11.94 V, charge 38 %, feed missing, findings 3"

// The variables and their meaning: sd_notify(3) of systemd.
func TestSignsOfLifeFollowTheSnapshots(t *testing.T) {
	m := newManager(t, "4") // a quarter of it has passed by the next snapshot
	to, err := service.Dial(m.getenv, 1)
	require.NoError(t, err)
	hub := snapshot.NewHub(time.Now)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { to.Run(ctx, hub, 0); close(ended) }()

	hub.Publish(sample(t, 1)) // nothing is heard before it: the next read would get it
	m.hears(t, "READY=1\nWATCHDOG=1\nSTATUS="+line)
	hub.Publish(sample(t, 2))
	m.hears(t, "WATCHDOG=1\nSTATUS="+line)
	hostile := sample(t, 3)
	hostile.Unit = "x\nMAINPID=1"
	hub.Publish(hostile)
	m.hears(t, "WATCHDOG=1\nSTATUS=x MAINPID=1"+line[len("t-1042"):])
	cancel()
	m.hears(t, "STOPPING=1") // and no sign of life without a snapshot
	<-ended
}

func TestSlowScansAreGivenTheirTime(t *testing.T) {
	m := newManager(t, "30000000")
	to, err := service.Dial(m.getenv, 1)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	to.Run(ctx, snapshot.NewHub(time.Now), time.Minute)
	m.hears(t, "WATCHDOG_USEC=240000000")
	m.hears(t, "STOPPING=1")
}

func TestWithoutAManager(t *testing.T) {
	to, err := service.Dial(func(string) string { return "" }, 1)
	require.NoError(t, err)
	to.Run(t.Context(), snapshot.NewHub(time.Now), 0) // returns at once

	m := newManager(t, "30000000")
	for name, value := range map[string]string{"NOTIFY_SOCKET": "notify", "WATCHDOG_USEC": "-1"} {
		before := m.env[name]
		m.env[name] = value
		_, err := service.Dial(m.getenv, 1)
		assert.ErrorContains(t, err, name)
		m.env[name] = before
	}
	m.env["NOTIFY_SOCKET"] += "-gone"
	_, err = service.Dial(m.getenv, 1)
	assert.Error(t, err)
}

// A watchdog that is set for another process is none of ours.
func TestAnothersWatchdog(t *testing.T) {
	m := newManager(t, "4")
	m.env["WATCHDOG_PID"] = "2"
	to, err := service.Dial(m.getenv, 1)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	to.Run(ctx, snapshot.NewHub(time.Now), time.Minute)
	m.hears(t, "STOPPING=1")
}
