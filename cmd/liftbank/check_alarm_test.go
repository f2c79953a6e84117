package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A board that is to be woken by a timer needs a clock with an alarm; a clock alone is none.
func TestCheckLooksForAnAlarm(t *testing.T) {
	dir := t.TempDir()
	assert.Contains(t, checkAlarm(dir).Problem, "no real-time clock of this board can wake it")
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "rtc0"), 0o755))
	assert.NotEmpty(t, checkAlarm(dir).Problem)
	alarm := filepath.Join(dir, "rtc0", "wakealarm")
	require.NoError(t, os.WriteFile(alarm, nil, 0o600))
	got := checkAlarm(dir)
	assert.Empty(t, got.Problem)
	assert.Equal(t, alarm, got.Path)
}
