package finding_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/finding"
)

func TestAConditionMustHoldAndMustBeOver(t *testing.T) {
	r := finding.NewRecord(&finding.FeedLost, "", 10*time.Second, 30*time.Second)
	at := time.Duration(0)
	give := func(o finding.Opinion, span time.Duration) (raised, cleared bool) {
		for end := at + span; at < end; at += time.Second {
			up, down := r.Judge(at, o, "")
			raised, cleared = raised || up, cleared || down
		}
		return raised, cleared
	}
	raised, _ := give(finding.Present, 9*time.Second)
	assert.False(t, raised)
	give(finding.Absent, time.Second)
	raised, _ = give(finding.Present, 9*time.Second)
	assert.False(t, raised, "the hold starts anew")
	raised, _ = give(finding.Present, 5*time.Second)
	assert.True(t, raised)
	_, cleared := give(finding.Absent, 29*time.Second)
	assert.False(t, cleared)
	_, cleared = give(finding.Between, time.Hour)
	assert.False(t, cleared, "no evidence changes nothing")
	_, cleared = give(finding.Absent, 32*time.Second)
	assert.True(t, cleared)
}

func TestNotJudgedSaysWhyAndChangesNothing(t *testing.T) {
	r := finding.NewRecord(&finding.FeedLost, "", 0, 0)
	r.Judge(0, finding.Present, "")
	require.True(t, r.Active())
	r.Judge(time.Hour, finding.NotJudged, "no sensor")
	assert.True(t, r.Active())
	assert.Equal(t, "no sensor", r.Because)
	r.Judge(2*time.Hour, finding.Absent, "")
	assert.False(t, r.Active())
	assert.Empty(t, r.Because)
}

// Raised and cleared alternate, whatever is judged.
func TestRaisedAndClearedAlternate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hold := time.Duration(rapid.IntRange(0, 5).Draw(t, "hold"))
		r := finding.NewRecord(&finding.FeedLost, "", hold, hold)
		at, active := time.Duration(0), false
		for range 60 {
			at += time.Duration(rapid.IntRange(0, 3).Draw(t, "dt"))
			raised, cleared := r.Judge(at, finding.Opinion(rapid.IntRange(0, 3).Draw(t, "opinion")), "x")
			require.False(t, raised && cleared)
			require.False(t, raised && active)
			require.False(t, cleared && !active)
			active = (active || raised) && !cleared
			require.Equal(t, active, r.Active())
		}
	})
}

func TestCatalogueIsComplete(t *testing.T) {
	seen := map[string]bool{}
	for _, d := range finding.Catalogue {
		assert.False(t, seen[d.Name], d.Name)
		seen[d.Name] = true
		assert.NotEmpty(t, d.Severity.String(), d.Name)
		for _, text := range []string{d.Summary, d.Detected, d.NextCheck, d.Clears} {
			assert.NotEmpty(t, text, d.Name)
		}
		assert.NotEmpty(t, d.Hysteresis, d.Name)
		assert.NotEmpty(t, d.Bound, d.Name)
		assert.GreaterOrEqual(t, len(d.Causes), 2, d.Name)
		for _, under := range d.Under {
			require.NotNil(t, finding.Lookup(under), "%s: under %s", d.Name, under)
			assert.NotContains(t, finding.Lookup(under).Under, d.Name, "%s and %s explain each other", d.Name, under)
		}
		assert.Same(t, d, finding.Lookup(d.Name))
	}
	assert.Nil(t, finding.Lookup("no-such"))
}
