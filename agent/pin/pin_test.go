package pin

import (
	"crypto/pbkdf2"
	"crypto/sha256"
	"encoding/hex"
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
	return NewGate(s, c.now, Options{}), c
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
