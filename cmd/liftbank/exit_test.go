//go:build !board

package main

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// One table of exit codes: in help, in the README, and what the service's manager goes by.
func TestExitCodesAreOneTable(t *testing.T) {
	help, _, _ := command(t, "", "help")
	readme, err := readFile(filepath.Join("..", "..", "README.md"))
	require.NoError(t, err)
	service, err := readFile(filepath.Join("..", "..", "deploy", "systemd", "liftbank.service"))
	require.NoError(t, err)
	for _, e := range exitCodes {
		assert.Regexp(t, fmt.Sprintf(`(?m)^ +%d +%s$`, e.code, regexp.QuoteMeta(e.when)), help)
		assert.True(t, strings.Contains(readme, fmt.Sprintf("| %d | %s |\n", e.code, e.when)), "README: %d", e.code)
	}
	assert.True(t, strings.Contains(service, fmt.Sprintf("\nRestartPreventExitStatus=%d\n", exitConfig)))
	assert.NotContains(t, []int{exitUsage, exitFailed}, exitConfig, "a crashed Go program exits with 2")
}

// The service's manager is told why it is not started again, on one line.
func TestTheManagerIsToldOfAWrongConfiguration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	defer socket.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	_, errs, code := command(t, "unit: {id: LIFT}\nbank: {}\n", "run", "--config", "-")
	assert.Equal(t, exitConfig, code, errs)
	buf := make([]byte, 1000)
	n, err := socket.Read(buf)
	require.NoError(t, err)
	said := string(buf[:n])
	assert.True(t, strings.HasPrefix(said, "STATUS=not started until the set-up is right: standard input:1: "),
		said)
	assert.NotContains(t, said, "\n")
}

func TestVersion(t *testing.T) {
	out, _, code := command(t, "", "version")
	require.Zero(t, code)
	same, _, code := command(t, "", "--version")
	require.Zero(t, code)
	assert.Equal(t, out, same)
	assert.Regexp(t, `^liftbank \S+ \S+, the (whole program|program for the board, without [a-z, ]+)\n$`, out)
	for _, c := range []struct{ set, main, want string }{
		{"0.1.0", "v9", "0.1.0"}, {"", "v0.2.0", "0.2.0"}, {"", "v0.0.0-20260309063000-0123456789ab+dirty",
			"0.0.0-20260309063000-0123456789ab+dirty"}, {"", "(devel)", "devel"}, {"", "", "devel"},
	} {
		assert.Equal(t, c.want, versionOf(c.set, &debug.BuildInfo{Main: debug.Module{Version: c.main}}))
	}
}

// Lists and explanations are JSON where that is asked for.
func TestListsAsJSON(t *testing.T) {
	for _, args := range []string{
		"explain --json", "explain feed-lost --json", "simulate --list --json", "suite --list --json", "constants --json",
	} {
		out, errs, code := command(t, "", strings.Fields(args)...)
		require.Zero(t, code, errs)
		var v any
		require.NoError(t, json.Unmarshal([]byte(out), &v), args)
		if all, ok := v.([]any); ok {
			require.NotEmpty(t, all, args)
			v = all[0]
		}
		for name, value := range v.(map[string]any) {
			assert.Regexp(t, `^[a-z_]+$`, name, args)
			assert.NotNil(t, value, "%s: %s", args, name)
		}
	}
	out, _, code := command(t, "", "suite", "--list")
	assert.Zero(t, code)
	assert.Contains(t, out, "estimator")
}

// Wherever a file is read, - is standard input.
func TestFilesAreReadFromStandardInput(t *testing.T) {
	unit, err := readFile(filepath.Join("..", "..", "deploy", "board-two-batteries.yaml"))
	require.NoError(t, err)
	scenario, err := readFile(filepath.Join("testdata", "runs-by-current.yaml"))
	require.NoError(t, err)
	dir := t.TempDir()
	curve := filepath.Join(dir, "curve.csv")
	require.NoError(t, os.WriteFile(curve, []byte(aDischarge()), 0o600))
	rec := filepath.Join(dir, "r.csv")
	own := filepath.Join(dir, "r.unit.yaml")
	for _, c := range []struct {
		in   string
		args string
	}{
		{unit, "check --fields-only --config -"},
		{scenario, "simulate --scenario - --days 0.01 --record " + rec},
		{scenario, "demo --scenario - --past 0s --speed 600 --for 100ms --listen 127.0.0.1:0"},
		{bankOne, "replay --bank - --out " + os.DevNull + " " + curve},
		{aDischarge(), "replay --out " + os.DevNull + " - --bank " + write(t, "bank.yaml", bankOne)},
	} {
		_, errs, code := command(t, c.in, strings.Fields(c.args)...)
		assert.Zero(t, code, "%s: %s", c.args, errs)
	}
	text, err := readFile(own)
	require.NoError(t, err)
	_, errs, code := command(t, text, "replay", "--config", "-", "--out", os.DevNull, rec)
	assert.Zero(t, code, errs)
	_, errs, code = command(t, strings.Replace(unit, "/dev/i2c-1", "/dev/i2c-97", 1), "run", "--config", "-")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errs, "i2c-97", "the configuration was read")
}
