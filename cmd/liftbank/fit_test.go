package main

import (
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
)

// What can't be fitted is refused before anything is begun, and nothing is written.
func TestFitRefuses(t *testing.T) {
	dir := t.TempDir()
	good, err := os.ReadFile(filepath.Join("..", "..", "deploy", "board-two-batteries.yaml"))
	require.NoError(t, err)
	path := filepath.Join(dir, "unit.yaml")
	text := strings.Replace(string(good), "i2c_bus: /dev/i2c-1", "i2c_bus: /dev/i2c-none", 1)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o640))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "bad.yaml"), []byte("unit: {id: X}\n"), 0o600))
	for _, tt := range []struct {
		config string
		code   int
		want   string
	}{
		{"-", exitUsage, "want a file"},
		{filepath.Join(dir, "none.yaml"), exitConfig, "read config"},
		{dir, exitConfig, "read config"},
		{filepath.Join(dir, "bad.yaml"), exitConfig, "unit.id"},
		{path, exitFailed, "/dev/i2c-none"}, // a board without I2C
	} {
		var out, errs strings.Builder
		code := run(streams{t.Context(), strings.NewReader(""), &out, &errs}, []string{"fit", "--config", tt.config})
		assert.Equal(t, tt.code, code, "%s: %s", tt.config, &errs)
		assert.Contains(t, errs.String(), tt.want)
	}
	files, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, files, 2)
}

// Lines come one by one, and the end of the input or its failure is told after the last.
func TestTypedLines(t *testing.T) {
	broken := errors.New("the line is gone")
	for _, tt := range []struct {
		in   io.Reader
		want string
	}{
		{strings.NewReader("12.7\n\nskip dark\nlast"), "the input ended"},
		{io.MultiReader(strings.NewReader("12.7\n\nskip dark\nlast\n"), goneLine{broken}), broken.Error()},
	} {
		k := typedLines(t.Context(), tt.in)
		var got []string
		var err error
		for deadline := time.Now().Add(time.Minute); err == nil && time.Now().Before(deadline); {
			var line string
			var ok bool
			if line, ok, err = k.Poll(); ok {
				got = append(got, line)
			}
		}
		assert.Equal(t, []string{"12.7", "", "skip dark", "last"}, got)
		assert.EqualError(t, err, tt.want)
	}
}

type goneLine struct{ error }

func (f goneLine) Read([]byte) (int, error) { return 0, f.error }

// The page writes the file that a link leads to, for its owner and with its mode; what was read from standard
// input it can't write.
func TestConfigurationThatThePageWrites(t *testing.T) {
	dir := t.TempDir()
	file, link := filepath.Join(dir, "unit-3.yaml"), filepath.Join(dir, "unit.yaml")
	require.NoError(t, os.WriteFile(file, []byte("old"), 0o644))
	require.NoError(t, os.Chmod(file, 0o640))
	require.NoError(t, os.Symlink(file, link))
	f := configFile(link, []byte("old"), slog.New(slog.DiscardHandler))
	require.NotNil(t, f.Write)
	for _, name := range []string{f.Path, f.Path + ".before-20260309T120000Z"} {
		require.NoError(t, f.Write(name, []byte("new")))
		info, err := os.Stat(name)
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o640), info.Mode().Perm())
	}
	text, err := os.ReadFile(link)
	require.NoError(t, err)
	assert.Equal(t, "new", string(text))
	info, err := os.Lstat(link)
	require.NoError(t, err)
	assert.NotZero(t, info.Mode()&os.ModeSymlink, "the link stays")

	for _, name := range []string{"-", filepath.Join(dir, "none", "unit.yaml")} {
		f = configFile(name, []byte("read"), slog.New(slog.DiscardHandler))
		assert.Nil(t, f.Write, name)
		assert.Empty(t, f.Path)
		assert.Equal(t, "read", string(f.Text))
	}
	state := filepath.Join(dir, "x.fit")
	require.NoError(t, os.WriteFile(state, nil, 0o600))
	require.NoError(t, belongsTo{uid: -1, gid: -1, mode: 0o644}.share(state))
	info, err = os.Stat(state)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o644), info.Mode().Perm())
}

// What the agent keeps is found where the configuration or the service has it.
func TestWhatTheAgentKeeps(t *testing.T) {
	dir := t.TempDir()
	var cfg config.Config
	t.Setenv("STATE_DIRECTORY", dir)
	assert.Empty(t, keptByAgent(cfg), "nothing was kept yet")
	require.NoError(t, os.Mkdir(filepath.Join(dir, "visits"), 0o750))
	assert.Equal(t, filepath.Join(dir, "visits"), keptByAgent(cfg))
	cfg.Visits.Dir = "/elsewhere"
	assert.Equal(t, "/elsewhere", keptByAgent(cfg))
}
