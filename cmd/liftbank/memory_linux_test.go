package main

import (
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The program runs on after it, and what it has written is as it was.
func TestGiveBack(t *testing.T) {
	written := make([]byte, 1<<20)
	for i := range written {
		written[i] = byte(i)
	}
	require.NoError(t, giveBack())
	for i := range written {
		require.Equal(t, byte(i), written[i])
	}
	out, _, code := command(t, "", "explain", "feed-lost")
	assert.Zero(t, code)
	assert.Contains(t, out, "feed-lost")
	_, err := os.ReadFile("/proc/self/maps")
	assert.NoError(t, err)
}

// Only what is mapped from the program's own file and can't have been written.
func TestCleanMappings(t *testing.T) {
	for line, want := range map[string]uintptr{
		"00010000-00aa0000 r-xp 00000000 b3:02 1234                               /usr/bin/liftbank":      0xa90000,
		"00aa0000-01600000 r--p 00a90000 b3:02 1234                               /usr/bin/liftbank":      0xb60000,
		"01600000-01670000 rw-p 015f0000 b3:02 1234                               /usr/bin/liftbank":      0,
		"01670000-016a0000 rw-p 00000000 00:00 0 ":                                                        0,
		"7f0000000000-7f0000100000 r--p 00000000 b3:02 99                         /data/unit.db":          0,
		"7f0000000000-7f0000100000 r--s 00000000 b3:02 99                         /usr/bin/liftbank":      0,
		"00010000-00aa0000 r-xp 00000000 b3:02 1234                               /tmp/usr/bin/liftbank2": 0,
		"nonsense": 0, "": 0,
	} {
		from, length, ok := clean(line, "/usr/bin/liftbank")
		assert.Equal(t, want, length*map[bool]uintptr{true: 1}[ok], line)
		assert.Equal(t, want > 0, ok && from > 0, line)
	}
}
