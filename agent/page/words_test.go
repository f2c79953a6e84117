package page

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	_ "liftbank/rules" // all texts of the rules
	"liftbank/rules/detect"
	"liftbank/rules/finding"
	"liftbank/rules/network"
	values "liftbank/rules/unit"
	ruleview "liftbank/rules/view"
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
		assert.True(
			t, used[key] || grouped && regexp.MustCompile(`"`+group+`["\.]`).MatchString(source.String()),
			"%s: nobody uses it", key,
		)
	}
}

// texts are all that the rules and the checklist say, by the key of their translation, in English.
func texts() map[string]string {
	all := map[string]string{}
	for id, text := range values.Texts() {
		all[id] = text.English
	}
	for _, d := range detect.Catalog() {
		for _, text := range d.Texts() {
			all[text.ID] = text.English
		}
	}
	for _, about := range []finding.About{finding.Battery, finding.Joint, finding.Channel} {
		all["subject."+about.String()] = about.Name(finding.Subject)
		all["subject."+about.String()+".any"] = about.Name("")
	}
	for _, a := range visit.DefaultChecklist() {
		all[a.Title] = a.Title
		for _, i := range a.Items {
			all[i.Text] = i.Text
		}
	}
	return all
}

// Every text of the rules and of the checklist is there in every language, and no translation is
// left over.
func TestSaidIsTranslated(t *testing.T) {
	all := texts()
	assert.Greater(t, len(all), 450)
	for _, l := range languages[1:] {
		for id, text := range all {
			said, have := l.Said[id]
			if !assert.True(t, have, "%s: %s has no translation: %q", l.Tag, id, text) {
				continue
			}
			assert.NotEmpty(t, strings.TrimSpace(said), "%s: %s", l.Tag, id)
			assert.Equal(t, blanks.FindAllString(text, -1), blanks.FindAllString(said, -1), "%s: %s", l.Tag, id)
			assert.Equal(
				t, strings.HasSuffix(text, "."), strings.HasSuffix(said, "."), "%s: %s: a sentence or none", l.Tag, id,
			)
		}
		for id := range l.Said {
			assert.Contains(t, all, id, "%s: no text has this ID", l.Tag)
		}
	}
	assert.Empty(t, english.Said)
}

// What a finding can be about has a name in every language.
func TestSubjectsAreTranslated(t *testing.T) {
	frame := ruleview.Frame{State: new(ruleview.State), Spec: make([]ruleview.Spec, 4)}
	for i, id := range []string{"a", "b", "c", "d"} {
		frame.Spec[i].ID = id
	}
	frame.Links = []ruleview.LinkState{
		{Side: network.Positive, From: 0, To: 1}, {Side: network.Negative, From: 2, To: 3},
	}
	frame.Posts = []ruleview.PostState{{Side: network.Positive, Battery: 1}, {Side: network.Negative, Battery: 2}}
	seen := map[string]string{}
	for _, kind := range []ruleview.Kind{ruleview.OfLink, ruleview.OfPost, ruleview.OfChannel} {
		for _, s := range frame.Subjects(kind) {
			assert.Equal(t, s.Name, readers[0].about(s.Name), "English keeps the rules' own words")
			said := readers[2].about(s.Name)
			assert.NotEqual(t, s.Name, said)
			assert.Empty(t, seen[said], "%s and %s", s.Name, seen[said])
			seen[said] = s.Name
		}
	}
	for subject, want := range map[string]string{
		"positive link a-b": "puente positivo a-b", "battery b temperature": "temperatura de la batería b",
		"feed voltage": "voltaje de la alimentación", "b": "b", "": "", "<i>": "<i>", "positive link": "positive link",
	} {
		assert.Equal(t, want, readers[2].about(subject))
	}
	es := readers[2]
	assert.Equal(t, "El puente positivo a-b", es.subject(finding.Joint, "positive link a-b"))
	assert.Equal(t, "El sensor de voltaje de la batería a", es.subject(finding.Channel, "battery a voltage"))
	assert.Equal(t, "La batería b está cansada", string(es.Said("battery-tired", "b", "title", "Battery b is tired")))
}

// A text without a translation is marked as English where the page is not, and is never markup.
func TestTextsInTemplates(t *testing.T) {
	to := &reader{language: &language{Said: map[string]string{"why.known": "se <sabe>"}}}
	assert.Equal(t, "se &lt;sabe&gt;", string(to.Text(snapshot.Text{ID: "why.known", English: "known"})))
	assert.Equal(
		t, `<span lang="en">un&lt;known&gt;</span>`,
		string(to.Text(snapshot.Text{ID: "why.new", English: "un<known>"})),
	)
	assert.Equal(t, "un&lt;known&gt;", string(readers[0].Text(snapshot.Text{ID: "why.new", English: "un<known>"})))
	assert.Equal(t, `<span lang="en">&lt;odd&gt;</span>`, string(to.Said("no-such-finding", "b", "summary", "<odd>")))
	assert.Equal(
		t, "Battery &lt;i&gt; it is", string(readers[0].Said("battery-tired", "<i>", "check.9", "{subject} it is")),
	)
}

// The current from which the page shows a resistance is the one that the test's first step names.
func TestLeastCurrentIsTheOneNamed(t *testing.T) {
	for _, l := range languages {
		assert.Contains(t, l.W["CheckJointStep.1"], fmt.Sprintf("%g A", minJointA), l.Tag)
	}
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
	for _, trouble := range []visit.Problem{visit.TooLong, visit.NotNumber, visit.OutOfSpan, visit.NotChoice} {
		assert.Contains(t, english.W, "Trouble."+string(trouble))
	}
	form := visit.NewForm(visit.DefaultChecklist(), []string{"a"})
	for _, f := range form.Fields {
		assert.NotContains(t, readers[0].fieldView(&f, "").Label, "_", f.Key)
	}
}
