package page

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/visit"
	"liftbank/rules/finding"
)

var blanks = regexp.MustCompile(`\{\w+\}`)

// Every language has the same texts, with the same places to fill in; none is left empty.
func TestLanguagesMatch(t *testing.T) {
	for _, l := range languages {
		assert.NotEmpty(t, l.Name, l.Tag)
		for key, text := range english.W {
			other, have := l.W[key]
			require.True(t, have, "%s: %s is missing", l.Tag, key)
			assert.NotEmpty(t, strings.TrimSpace(other), "%s: %s", l.Tag, key)
			want, got := blanks.FindAllString(text, -1), blanks.FindAllString(other, -1)
			slices.Sort(want)
			slices.Sort(got)
			assert.Equal(t, want, got, "%s: %s", l.Tag, key)
		}
		for key := range l.W {
			assert.Contains(t, english.W, key, "%s: nobody needs it", l.Tag)
		}
	}
}

// What the code and the templates ask for is there, and nothing else is.
func TestTextsAreUsed(t *testing.T) {
	var source strings.Builder
	for _, pattern := range []string{"*.go", "assets/*.html"} {
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
		assert.Contains(t, english.W, key)
	}
	for _, p := range navPages {
		used[p[1]] = true
	}
	for _, k := range chartKinds {
		used[k.Word] = true
	}
	for key := range english.W {
		group, _, grouped := strings.Cut(key, ".")
		assert.True(t, used[key] || grouped && regexp.MustCompile(`"`+group+`["\.]`).MatchString(source.String()), "%s: nobody uses it", key)
	}
}

// What comes from elsewhere in English has a translation as far as this checklist and this catalogue go.
func TestSaidIsTranslated(t *testing.T) {
	es := readers[2]
	for _, a := range visit.DefaultChecklist() {
		assert.Contains(t, es.language.Said, a.Title)
		for _, i := range a.Items {
			assert.Contains(t, es.language.Said, i.Text)
		}
	}
	missing := 0
	for _, d := range finding.Catalogue {
		for _, text := range append([]string{d.Summary, d.NextCheck}, d.Causes...) {
			if _, have := es.language.Said[text]; !have {
				missing++
			}
		}
	}
	t.Logf("texts of findings still in English: %d", missing)
	assert.Equal(t, `<span lang="en">Not &lt;translated&gt;</span>`, string(es.Say("Not <translated>")))
	assert.Equal(t, "Not &lt;translated&gt;", string(readers[0].Say("Not <translated>")))
}

// The names of groups that other packages' words fall into.
func TestGroupsCoverTheirWords(t *testing.T) {
	for _, k := range visit.WorkKinds {
		assert.Contains(t, english.W, "Work."+k)
	}
	for _, choices := range [][]string{visit.States, visit.OilLevels, visit.Positions} {
		for _, c := range choices {
			assert.Contains(t, english.W, "Choice."+c)
		}
	}
	for _, c := range visit.Cautions {
		assert.Contains(t, english.W, "Caution."+c)
	}
	for _, trouble := range []visit.Trouble{visit.TooLong, visit.NotNumber, visit.OutOfSpan, visit.NotChoice} {
		assert.Contains(t, english.W, "Trouble."+string(trouble))
	}
	form := visit.NewForm(visit.DefaultChecklist(), []string{"a"})
	for _, f := range form.Fields {
		assert.NotContains(t, readers[0].fieldView(&f, "").Label, "_", f.Key)
	}
}
