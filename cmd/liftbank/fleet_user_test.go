//go:build !board

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestFleetUsersAndData(t *testing.T) {
	dir := t.TempDir()
	config := filepath.Join(dir, "fleet.yaml")
	require.NoError(t, os.WriteFile(config, []byte("mqtt: {broker: 'mqtt://127.0.0.1'}\ndatabase: {url: 'sqlite://"+filepath.Join(dir, "fleet.db")+"'}\n"), 0o600))
	fleet := func(in string, args ...string) (string, string, int) {
		return command(t, in, append(append([]string{"fleet"}, args...), "--config", config)...)
	}
	const password = "correct horse 7"
	out, errs, code := fleet(password+"\n", "user", "add", "kim", "--role", "desk")
	require.Zero(t, code, errs)
	assert.Equal(t, "kim: desk\n", out)
	assert.NotContains(t, out+errs, password)
	_, errs, code = fleet(password, "user", "add", "kim")
	assert.NotZero(t, code)
	assert.Contains(t, errs, "there already")
	for _, bad := range [][]string{{"short", "lee"}, {"aaaaaaaaaaaaaaa", "lee"}, {password, ""}, {password, "a\tb"}} {
		_, errs, code = fleet(bad[0], "user", "add", bad[1])
		assert.Equal(t, 2, code, errs)
	}
	_, errs, code = fleet(password, "user", "add", "lee", "--role", "root")
	assert.Equal(t, 2, code, errs)
	_, errs, code = fleet("another horse 8", "user", "password", "kim", "--role", "admin")
	require.Zero(t, code, errs)
	out, _, code = fleet("", "user", "list")
	require.Zero(t, code)
	assert.Equal(t, []string{"kim", "admin"}, strings.Fields(out))
	data, err := os.ReadFile(filepath.Join(dir, "fleet.db"))
	require.NoError(t, err)
	assert.NotContains(t, string(data), "another horse 8")
	_, errs, code = fleet("", "user", "remove", "kim")
	require.Zero(t, code, errs)
	for _, what := range []string{"remove", "password"} {
		_, errs, code = fleet(password, "user", what, "kim")
		assert.NotZero(t, code)
		assert.Contains(t, errs, "not known")
	}

	out, errs, code = fleet("unit,place\nt-1,Old Mill\nt-2,Quarry Lane\n", "units", "import", "-")
	require.Zero(t, code, errs)
	assert.Equal(t, "2 units imported\n", out)
	_, errs, code = fleet("unit,place,town\nt-3,x,y\n", "units", "import", "-")
	assert.NotZero(t, code)
	assert.Contains(t, errs, "Line 1, column 12:")
	out, errs, code = fleet("", "units", "export")
	require.Zero(t, code, errs)
	assert.Equal(t, "unit,place,group,model,contact,parked_from,parked_until,parked_reason,note\nt-1,Old Mill,,,,,,,\nt-2,Quarry Lane,,,,,,,\n", out)
	_, errs, code = fleet("", "units", "import", filepath.Join(dir, "none.csv"))
	assert.Equal(t, 2, code, errs)
}
