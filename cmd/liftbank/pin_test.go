//go:build !board

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/pin"
)

func TestPINIsWrittenAsAHash(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pin")
	var out, errs bytes.Buffer
	f := func(code int, in string, args ...string) {
		t.Helper()
		assert.Equal(t, code, run(streams{t.Context(), strings.NewReader(in), &out, &errs},
			append([]string{"pin"}, args...)), errs.String())
	}
	f(exitUsage, "1234\n", "--file", path)
	f(exitUsage, "", "--file", path)
	f(exitUsage, "482915\n")
	assert.NoFileExists(t, path)
	f(0, "482915\n", "--file", path)
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.NotContains(t, string(b), "482915")
	assert.Empty(t, out.String())
	secret, err := pin.Load(path)
	require.NoError(t, err)
	assert.NoError(t, pin.NewGate(secret, time.Now, pin.Options{}).Try("x", "", "482915"))
	f(0, "", "--file", path, "--make")
	assert.Regexp(t, `^\d{6}\n$`, out.String())
	f(exitFailed, "482915\n", "--file", filepath.Join(path, "no", "such", "folder"))
}
