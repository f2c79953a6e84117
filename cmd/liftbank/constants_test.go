//go:build !board

package main

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/constants"
)

func TestConstants(t *testing.T) {
	out, _, code := command(t, "", "constants")
	require.Zero(t, code)
	lines := strings.Split(strings.TrimSuffix(out, "\n"), "\n")
	require.Len(t, lines, len(constants.All())+1)
	assert.Contains(t, lines[len(lines)-1], "constants: ")
	var end string
	for _, l := range lines {
		if strings.HasPrefix(l, "leadacid.CrankingEnd ") {
			end = strings.Join(strings.Fields(l), " ")
		}
	}
	assert.Equal(t, "leadacid.CrankingEnd 7.2 V standard: SAE J537 leadacid/resistance.go end of the cold cranking test",
		end)

	out, _, code = command(t, "", "constants", "--json", "--origin", "SAE J537")
	require.Zero(t, code)
	var some []constants.Constant
	require.NoError(t, json.Unmarshal([]byte(out), &some))
	assert.NotEmpty(t, some)
	for _, c := range some {
		assert.Equal(t, "standard", c.Kind(), c.Name)
	}
	out, _, code = command(t, "", "constants", "--origin", "hearsay")
	require.Zero(t, code)
	assert.Equal(t, "0 constants\n", out)
}
