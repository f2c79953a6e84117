package pin

import (
	"crypto/pbkdf2"
	"crypto/sha256"
	"encoding/hex"
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

const quick = 1000 // iterations

type clock struct{ t time.Time }

func (c *clock) now() time.Time { return c.t }

func gate(t *testing.T, pin string) (*Gate, *clock) {
	s, err := makeWith(pin, quick)
	require.NoError(t, err)
	c := &clock{time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)}
	return NewGate(s, c.now), c
}

// The hash function is the one named: a published vector of PBKDF2-HMAC-SHA256 (RFC 7914 section
// 11).
func TestHashFunction(t *testing.T) {
	k, err := pbkdf2.Key(sha256.New, "passwd", []byte("salt"), 1, 64)
	require.NoError(t, err)
	assert.Equal(t, "55ac046e56e3089fec1691c22544b605f94185216dde0465e68b9d57c20dacbc"+
		"49ca9cccf179b645991664b39d77ef317c71b845b1e30bd509112041d3a19783", hex.EncodeToString(k))
}

func TestCheck(t *testing.T) {
	for pin, ok := range map[string]bool{
		"482915": true, "482915482915": true, "48291": false, "4829154829154": false, "48291a": false, "": false,
		"123456": false, "654321": false,
		"777777": false, "789012": false, "４８２９１５": false, "482 915": false,
	} {
		assert.Equal(t, ok, Check(pin) == nil, pin)
	}
}

func TestFileHoldsNoPIN(t *testing.T) {
	s, err := makeWith("482915", quick)
	require.NoError(t, err)
	other, err := makeWith("482915", quick)
	require.NoError(t, err)
	assert.NotEqual(t, s.hash, other.hash, "salted")
	path := filepath.Join(t.TempDir(), "pin")
	require.NoError(t, s.Save(path))
	require.NoError(t, s.Save(path), "a new one replaces it")
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.NotContains(t, string(b), "482915")
	back, err := Load(path)
	require.NoError(t, err)
	assert.Equal(t, s, back)
	for _, bad := range []string{
		"", "x", strings.Replace(string(b), scheme, "other", 1), strings.Replace(string(b), " 1000 ", " 1 ", 1),
		strings.TrimSpace(string(b)) + "A", "\x00",
	} {
		_, err := Parse(bad)
		assert.Error(t, err, bad)
	}
	_, err = Load(filepath.Join(t.TempDir(), "none"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func TestTriesAreLimited(t *testing.T) {
	g, c := gate(t, "482915")
	require.NoError(t, g.Try("10.0.0.1", "482915"))
	for range triesOfOne {
		assert.ErrorIs(t, g.Try("10.0.0.1", "482916"), ErrWrong)
	}
	wait, is := errors.AsType[WaitError](g.Try("10.0.0.1", "482915"))
	require.True(t, is, "even the right one waits")
	assert.Equal(t, time.Minute, wait.For)
	assert.NoError(t, g.Try("10.0.0.2", "482915"), "another phone doesn't")
	c.t = c.t.Add(wait.For)
	assert.NoError(t, g.Try("10.0.0.1", "482915"))

	for i := range triesOfAll { // from ever new addresses
		err := g.Try(fmt.Sprintf("10.1.0.%d", i), "000001")
		if _, is := errors.AsType[WaitError](err); is {
			assert.GreaterOrEqual(t, i, triesOfAll-triesOfOne-1)
			break
		}
	}
	_, is = errors.AsType[WaitError](g.Try("10.2.0.1", "482915"))
	assert.True(t, is, "all together have a limit too")
	c.t = c.t.Add(-time.Hour)
	_, is = errors.AsType[WaitError](g.Try("10.2.0.1", "482915"))
	assert.True(t, is, "a clock put back gives nothing")
	for i := range 3 * maxAddress {
		_ = g.Try(fmt.Sprintf("10.3.%d.%d", i/256, i%256), "000001")
	}
	assert.LessOrEqual(t, len(g.address), maxAddress)
}

func TestWrongPINs(t *testing.T) {
	for _, wrong := range []string{"", "4829150", "48291", strings.Repeat("4", 1<<20), "\x00482915", "482915 "} {
		g, _ := gate(t, "482915")
		assert.ErrorIs(t, g.Try("a", wrong), ErrWrong)
	}
}

func TestSessions(t *testing.T) {
	g, c := gate(t, "482915")
	text, life := g.Session()
	assert.True(t, g.Valid(text))
	assert.True(t, NewGate(g.secret, c.now).Valid(text), "outlives a restart")
	other, _ := gate(t, "482915")
	assert.False(t, other.Valid(text), "ends with a new PIN")
	for i := range len(text) - 1 { // the last letter has bits that don't count
		forged := []byte(text)
		forged[i] ^= 1
		assert.False(t, g.Valid(string(forged)), i)
	}
	for _, bad := range []string{"", "x", text + "A", text[1:], strings.Repeat("A", 1<<20)} {
		assert.False(t, g.Valid(bad))
	}
	c.t = c.t.Add(life)
	assert.False(t, g.Valid(text))
	c.t = c.t.Add(-2 * life)
	assert.False(t, g.Valid(text), "of the future: the clock was set back")
}
