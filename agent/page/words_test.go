package page

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/words"
	"liftbank/agent/visit"
	"liftbank/rules/network"
)

// What the code and the templates ask for is there, and nothing else is.
func TestTextsAreUsed(t *testing.T) {
	var source strings.Builder
	for _, pattern := range []string{"*.go", "*/*.go", "web/assets/*.html"} {
		files, err := filepath.Glob(pattern)
		require.NoError(t, err)
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			b, err := os.ReadFile(f)
			require.NoError(t, err)
			source.Write(b)
		}
	}
	used := map[string]bool{}
	for _, m := range regexp.MustCompile(`W\["([\w.]+)"\]|\.W\.(\w+)`).FindAllStringSubmatch(source.String(), -1) {
		key := m[1] + m[2]
		used[key] = true
		assert.Contains(t, words.English.W, key)
	}
	for key := range words.English.W {
		group, _, grouped := strings.Cut(key, ".")
		assert.True(
			t, used[key] || strings.Contains(source.String(), `"`+key+`"`) ||
				grouped && regexp.MustCompile(`"`+group+`["\.]`).MatchString(source.String()),
			"%s: nobody uses it", key,
		)
	}
}

// The current from which the page shows a resistance is the one that the test's first step names.
func TestLeastCurrentIsTheOneNamed(t *testing.T) {
	for _, l := range words.Languages {
		assert.Contains(t, l.W["CheckJointStep.1"], fmt.Sprintf("%g A", network.LeastNowA), l.Tag)
	}
}

// The names of groups that other packages' words fall into.
func TestGroupsCoverTheirWords(t *testing.T) {
	for _, k := range visit.WorkKinds {
		assert.Contains(t, words.English.W, "Work."+k)
	}
	for _, choices := range [][]string{visit.States, visit.OilLevels, visit.Positions} {
		for _, c := range choices {
			assert.Contains(t, words.English.W, "Choice."+c)
		}
	}
	for _, c := range visit.Cautions {
		assert.Contains(t, words.English.W, "Caution."+c)
	}
	for _, trouble := range []visit.Problem{
		visit.TooLong, visit.NotNumber, visit.OutOfSpan, visit.NotChoice,
		visit.Ambiguous, visit.WrongUnit,
	} {
		assert.Contains(t, words.English.W, "Trouble."+string(trouble))
	}
	for _, result := range []string{visit.Within, visit.Below, visit.Above} {
		assert.Contains(t, words.English.W, "Judged."+result)
	}
}
