//go:build !board

package main

import (
	"log/slog"
	"net"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Signs of life come from scans alone: none without one, and no more than half the interval asks
// for. (sd_notify(3), sd_watchdog_enabled(3))
func TestServiceIsFedByScans(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	require.NoError(t, err)
	defer l.Close()
	t.Setenv("NOTIFY_SOCKET", socket)
	t.Setenv("WATCHDOG_USEC", "10000000")
	now := time.Unix(1000, 0)
	s := newService(func() string { return "2 batteries" }, slog.New(slog.DiscardHandler))
	s.now = func() time.Time { return now }
	read := func() string {
		require.NoError(t, l.SetReadDeadline(time.Now().Add(50*time.Millisecond)))
		b := make([]byte, 500)
		n, err := l.Read(b)
		if err != nil {
			return ""
		}
		return string(b[:n])
	}
	assert.Empty(t, read(), "not ready before the first scan")
	s.alive()
	assert.Equal(t, "READY=1\nWATCHDOG=1\nSTATUS=2 batteries", read())
	for range 4 {
		now = now.Add(time.Second)
		s.alive()
	}
	assert.Empty(t, read(), "within half the interval")
	now = now.Add(time.Second)
	s.alive()
	assert.Equal(t, "WATCHDOG=1\nSTATUS=2 batteries", read())
	now = now.Add(time.Hour)
	assert.Empty(t, read(), "a loop that hangs says nothing")
	s.stopping()
	assert.Equal(t, "STOPPING=1", read())
}
