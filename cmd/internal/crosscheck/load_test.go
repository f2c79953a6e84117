package crosscheck

import (
	"testing"

	"github.com/stretchr/testify/require"

	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

func load(t testing.TB, name string) scenario.Scenario {
	t.Helper()
	sc, err := scenariofile.Load(name)
	require.NoError(t, err)
	return sc
}
