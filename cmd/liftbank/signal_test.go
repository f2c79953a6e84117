//go:build unix && !board

package main

import (
	"context"
	"log/slog"
	"os"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/sensors"
)

// SIGUSR1 makes a copy to take along, and the log says where it is.
func TestASignalCopiesTheRecording(t *testing.T) {
	cfg := config.Config{Unit: config.Unit{ID: "lift-1"}}
	cfg.Board.Channels = []config.Channel{{Signal: config.FeedVoltage}}
	lines := syncBuffer{make(chan string, 100)}
	log := slog.New(slog.NewTextHandler(lines, nil))
	rec, err := recording.NewRecorder(recording.RecorderOptions{Dir: t.TempDir(), MaxBytes: recording.LeastBytes,
		Config: &cfg, Now: time.Now, Log: log})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- rec.Run(ctx) }()
	defer copyOnSignal(ctx, rec, log)()
	require.NoError(t, syscall.Kill(os.Getpid(), syscall.SIGUSR1))
	scan := sensors.Scan{Readings: []sensors.Reading{{Value: 12.5, Fresh: true}}}
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		scan.At += time.Second
		rec.Step(&scan, time.Now(), true, false)
		select {
		case line := <-lines.lines:
			if strings.Contains(line, "nothing is recorded yet") { // the signal came before the first scan was written
				require.NoError(t, syscall.Kill(os.Getpid(), syscall.SIGUSR1))
				continue
			}
			said := regexp.MustCompile(`recording copied" file=(\S+)`).FindStringSubmatch(line)
			require.NotNil(t, said, line)
			assert.FileExists(t, said[1])
			cancel()
			assert.NoError(t, <-ended)
			return
		default:
		}
	}
	require.Fail(t, "no copy")
}

// Without a recording the signal is answered, and does not end the process.
func TestASignalWithoutARecording(t *testing.T) {
	lines := syncBuffer{make(chan string, 10)}
	stop := copyOnSignal(t.Context(), nil, slog.New(slog.NewTextHandler(lines, nil)))
	require.NoError(t, syscall.Kill(os.Getpid(), syscall.SIGUSR1))
	assert.Contains(t, <-lines.lines, "nothing is recorded without --record")
	stop()
}

func TestRecordFlags(t *testing.T) {
	cfg := config.Config{Unit: config.Unit{ID: "lift-1"}}
	log := slog.New(slog.DiscardHandler)
	rec, err := runCmd{}.recorder(&cfg, "s", log)
	assert.Nil(t, rec)
	assert.NoError(t, err)
	rec, err = runCmd{Record: t.TempDir(), RecordMB: 500}.recorder(&cfg, "s", log)
	assert.NotNil(t, rec)
	assert.NoError(t, err)
	err = runCmd{Record: t.TempDir(), RecordMB: 5}.check()
	assert.ErrorContains(t, err, "--record-mb 5: want 10 to")
	assert.NoError(t, runCmd{RecordMB: 500}.check())
	_, err = runCmd{Record: "/dev/null/x", RecordMB: 500}.recorder(&cfg, "s", log)
	assert.ErrorContains(t, err, "--record: ")
}
