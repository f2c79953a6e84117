package sim

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/sim/scenario"
)

// quietFor is how long a healthy story is watched: past the slowest condition, a week without a
// full charge.
const quietFor = 9 * 24 * time.Hour

// Each story of the library brings about what it says it does, and a healthy one nothing.
func TestLibraryTellsItsStories(t *testing.T) {
	for _, entry := range scenariofile.Names() {
		t.Run(entry.Name, func(t *testing.T) {
			sc, err := scenariofile.Load(entry.Name)
			require.NoError(t, err)
			if sc.Days > 3 {
				slowtest.Long(t)
			}
			u, err := New(sc, 0)
			require.NoError(t, err)
			if len(sc.Expect) == 0 {
				u.AdvanceTo(min(sc.Length(), quietFor))
				assert.Empty(t, u.Truth().Conditions, "charge %.1f %%", bankSoCPct(u))
				return
			}
			var missing []string
			for at := time.Duration(0); at <= sc.Length(); at += 6 * time.Hour {
				u.AdvanceTo(at)
				if missing = missingOf(sc.Expect, u); len(missing) == 0 {
					break
				}
			}
			assert.Empty(t, missing, "has: %+v", u.Truth().Conditions)
		})
	}
}

// missingOf returns the findings expected that never were so.
func missingOf(expect []string, u *Unit) []string {
	var missing []string
	for _, name := range expect {
		if !slices.ContainsFunc(u.Conditions(), func(c Condition) bool { return c.Finding == name }) {
			missing = append(missing, name)
		}
	}
	return missing
}

// Every row of the table of findings has a story in the library.
func TestLibraryCoversEveryFinding(t *testing.T) {
	var covered []string
	quiet := 0
	for _, entry := range scenariofile.Names() {
		sc, err := scenariofile.Load(entry.Name)
		require.NoError(t, err)
		covered = append(covered, sc.Expect...)
		if len(sc.Expect) == 0 {
			quiet++
		}
	}
	// A wrong label is in doubt by its definition; two stories have one.
	assert.Subset(t, append(covered, "label-mismatch"), scenario.Findings)
	assert.GreaterOrEqual(t, len(scenariofile.Names()), 25)
	assert.GreaterOrEqual(t, quiet, 3)
}

// The definitions name each finding once, in the order it is explained to people, and nothing else.
func TestEveryFindingIsDefined(t *testing.T) {
	var defined []string
	for _, d := range definitions {
		defined = append(defined, d.finding)
		assert.NotEmpty(t, d.what, d.finding)
		assert.NotEmpty(t, d.why, d.finding)
		for _, other := range d.follows {
			assert.Contains(t, scenario.Findings, other, d.finding)
		}
	}
	assert.Equal(t, scenario.Findings, defined)
	for _, kinds := range [][]scenario.Kind{scenario.Kinds, scenario.SensorKinds} {
		for _, k := range kinds {
			assert.Subset(t, scenario.Findings, k.Causes, k.Name)
		}
	}
}
