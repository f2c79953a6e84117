package pin

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func isWait(err error) bool {
	_, is := errors.AsType[WaitError](err)
	return is
}

func TestTriesAreLimited(t *testing.T) {
	g, c := gate(t, "482915")
	require.NoError(t, g.Try("10.0.0.1", "", "482915"))
	for range triesOfOne {
		assert.ErrorIs(t, g.Try("10.0.0.1", "", "482916"), ErrWrong)
	}
	wait, is := errors.AsType[WaitError](g.Try("10.0.0.1", "", "482915"))
	require.True(t, is, "even the right one waits")
	assert.Equal(t, time.Minute, wait.For)
	assert.NoError(t, g.Try("10.0.0.2", "", "482915"), "another phone doesn't")
	c.t = c.t.Add(wait.For)
	assert.NoError(t, g.Try("10.0.0.1", "", "482915"))

	for i := range triesOfAll { // from ever new addresses
		if isWait(g.Try(fmt.Sprintf("10.1.0.%d", i), "", "000001")) {
			assert.GreaterOrEqual(t, i, triesOfAll-triesOfOne-1)
			break
		}
	}
	assert.True(t, isWait(g.Try("10.2.0.1", "", "482915")), "all together have a limit too")
}

// One wrong PIN a second, from its own address and from ever new ones, for ten minutes: who was let
// in before gets in with every right PIN, and the guesses are no more than the burst and one a
// minute.
func TestWhoWasLetInBeforeIsNotShutOut(t *testing.T) {
	for name, from := range map[string]func(i int) string{
		"the same address":   func(int) string { return "10.0.0.1" },
		"ever new addresses": func(i int) string { return fmt.Sprintf("10.9.%d.%d", i>>8, i&255) },
	} {
		t.Run(name, func(t *testing.T) {
			g, c := gate(t, "482915")
			require.NoError(t, g.Try("10.0.0.1", "", "482915"))
			device := g.Device()
			guesses := 0
			for i := range 600 {
				c.t = c.t.Add(time.Second)
				if errors.Is(g.Try(from(i), "", "482916"), ErrWrong) {
					guesses++
				}
				assert.NoError(t, g.Try("10.0.0.1", device, "482915"), i)
			}
			assert.LessOrEqual(t, guesses, triesOfAll+10)
		})
	}
}

// A device that was let in once may not guess without limit either: its owner may have lost it.
func TestADeviceHasALimitToo(t *testing.T) {
	g, _ := gate(t, "482915")
	device := g.Device()
	for i := range triesOfOne {
		assert.ErrorIs(t, g.Try(fmt.Sprintf("10.0.0.%d", i), device, "482916"), ErrWrong)
	}
	assert.True(t, isWait(g.Try("10.0.1.1", device, "482915")))
	assert.NoError(t, g.Try("10.0.0.1", "", "482915"), "it has used up nobody else's")
}

// Whoever can end the agent gains no tries: a year's half of all PINs stays a year's.
func TestARestartGivesNoTries(t *testing.T) {
	s, err := makeWith("482915", quick)
	require.NoError(t, err)
	c := &clock{time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)}
	o := Options{File: filepath.Join(t.TempDir(), "tries.json")}
	guesses := 0
	for i := range 60 { // restarted every 3 s, each time from a new address
		g := NewGate(s, c.now, o)
		for k := range 2 {
			if errors.Is(g.Try(fmt.Sprintf("10.%d.%d.%d", i>>8, i&255, k), "", "000001"), ErrWrong) {
				guesses++
			}
		}
		c.t = c.t.Add(3 * time.Second)
	}
	// Time off the air gives nothing back, either: the board's clock may not have run.
	assert.LessOrEqual(t, guesses, triesOfAll+1)
}

func TestTriesThatCannotBeReadBeginEmpty(t *testing.T) {
	s, err := makeWith("482915", quick)
	require.NoError(t, err)
	for name, spoil := range map[string]func(path string) error{
		"no document": func(p string) error { return os.WriteFile(p, []byte("x"), 0o600) },
		"a folder":    func(p string) error { return os.Mkdir(p, 0o700) },
	} {
		t.Run(name, func(t *testing.T) {
			c := &clock{time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)}
			path := filepath.Join(t.TempDir(), "tries.json")
			g := NewGate(s, c.now, Options{File: path})
			old, _ := g.Session()
			require.NoError(t, os.RemoveAll(path))
			require.NoError(t, spoil(path))
			c.t = c.t.Add(time.Second)
			g = NewGate(s, c.now, Options{File: path})
			assert.True(t, isWait(g.Try("a", "", "482915")))
			assert.False(t, g.Valid(old), "one that was signed out might be among them")
			c.t = c.t.Add(tryEvery)
			assert.NoError(t, g.Try("a", "", "482915"))
		})
	}
}

func TestWrongPINs(t *testing.T) {
	for _, wrong := range []string{"", "4829150", "48291", strings.Repeat("4", 1<<20), "\x00482915", "482915 "} {
		g, _ := gate(t, "482915")
		assert.ErrorIs(t, g.Try("a", "", wrong), ErrWrong)
	}
}

func TestSessions(t *testing.T) {
	g, c := gate(t, "482915")
	text, life := g.Session()
	assert.True(t, g.Valid(text))
	assert.True(t, NewGate(g.secret, c.now, Options{}).Valid(text), "outlives a restart")
	other, _ := gate(t, "482915")
	assert.False(t, other.Valid(text), "ends with a new PIN")
	for i := range len(text) - 1 { // the last letter has bits that don't count
		forged := []byte(text)
		forged[i] ^= 1
		assert.False(t, g.Valid(string(forged)), i)
	}
	for _, bad := range []string{"", "x", text + "A", text[1:], strings.Repeat("A", 1<<20), g.Device()} {
		assert.False(t, g.Valid(bad))
	}
	_, known := g.Known(text)
	assert.False(t, known, "a session is no device")
	c.t = c.t.Add(life)
	assert.False(t, g.Valid(text))
	c.t = c.t.Add(-2 * life)
	assert.False(t, g.Valid(text), "of the future: the clock was set back")
}

// Signing out ends the session for whoever has a copy of it, also after a restart; other sessions
// go on.
func TestASessionSignedOutIsOver(t *testing.T) {
	s, err := makeWith("482915", quick)
	require.NoError(t, err)
	c := &clock{time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)}
	o := Options{File: filepath.Join(t.TempDir(), "tries.json")}
	g := NewGate(s, c.now, o)
	mine, _ := g.Session()
	other, _ := g.Session()
	g.End("x")
	g.End(mine)
	assert.False(t, g.Valid(mine))
	assert.True(t, g.Valid(other))
	g = NewGate(s, c.now, o)
	assert.False(t, g.Valid(mine))
	assert.True(t, g.Valid(other))
	for range maxEnded { // too many to remember: rather all than none
		text, _ := g.Session()
		g.End(text)
	}
	assert.False(t, g.Valid(mine))
	assert.False(t, g.Valid(other))
	c.t = c.t.Add(2 * time.Second)
	fresh, _ := g.Session()
	assert.True(t, g.Valid(fresh))
}
