package words

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
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

var blanks = regexp.MustCompile(`\{[^{}]+\}`)

// Every language has the same texts, with the same places to fill in; none is left empty.
func TestLanguagesMatch(t *testing.T) {
	for _, l := range Languages {
		assert.NotEmpty(t, l.Name, l.Tag)
		for key, text := range English.W {
			other, have := l.W[key]
			require.True(t, have, "%s: %s is missing", l.Tag, key)
			assert.NotEmpty(t, strings.TrimSpace(other), "%s: %s", l.Tag, key)
			want, got := blanks.FindAllString(text, -1), blanks.FindAllString(other, -1)
			slices.Sort(want)
			slices.Sort(got)
			assert.Equal(t, want, got, "%s: %s", l.Tag, key)
		}
		for key := range l.W {
			assert.Contains(t, English.W, key, "%s: nobody needs it", l.Tag)
		}
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
	for _, about := range []finding.About{finding.Battery, finding.Joint, finding.Channel, finding.Service, finding.String} {
		all["subject."+about.String()] = about.Name(finding.Subject)
		all["subject."+about.String()+".any"] = about.Name("")
	}
	for _, a := range visit.DefaultChecklist() {
		all[a.Title] = a.Title
		for _, i := range a.Items {
			all[i.Text] = i.Text
			if i.Reads != "" {
				all[i.Reads] = i.Reads
			}
		}
	}
	return all
}

// Every text of the rules and of the checklist is there in every language, and no translation is
// left over.
func TestSaidIsTranslated(t *testing.T) {
	all := texts()
	assert.Greater(t, len(all), 450)
	for _, l := range Languages[1:] {
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
	assert.Empty(t, English.Said)
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
			assert.Equal(t, s.Name, Readers[0].About(s.Name), "English keeps the rules' own words")
			said := Readers[2].About(s.Name)
			assert.NotEqual(t, s.Name, said)
			assert.Empty(t, seen[said], "%s and %s", s.Name, seen[said])
			seen[said] = s.Name
		}
	}
	for subject, want := range map[string]string{
		"positive link a-b": "puente positivo a-b", "battery b temperature": "temperatura de la batería b",
		"feed voltage": "voltaje de la alimentación", "b": "b", "": "", "<i>": "<i>", "positive link": "positive link",
	} {
		assert.Equal(t, want, Readers[2].About(subject))
	}
	es := Readers[2]
	assert.Equal(t, "El puente positivo a-b", es.subject(finding.Joint, "positive link a-b"))
	assert.Equal(t, "El sensor de voltaje de la batería a", es.subject(finding.Channel, "battery a voltage"))
	assert.Equal(t, "La batería b está débil", string(es.Said("battery-tired", "b", "title", "Battery b is weak")))
}

// A text without a translation is marked as English where the page is not, and is never markup.
func TestTextsInTemplates(t *testing.T) {
	to := &Reader{Language: &Language{Said: map[string]string{"why.known": "se <sabe>"}}}
	assert.Equal(t, "se &lt;sabe&gt;", string(to.Text(snapshot.Text{ID: "why.known", English: "known"})))
	assert.Equal(
		t, `<span lang="en">un&lt;known&gt;</span>`,
		string(to.Text(snapshot.Text{ID: "why.new", English: "un<known>"})),
	)
	assert.Equal(t, "un&lt;known&gt;", string(Readers[0].Text(snapshot.Text{ID: "why.new", English: "un<known>"})))
	assert.Equal(t, `<span lang="en">&lt;odd&gt;</span>`, string(to.Said("no-such-finding", "b", "summary", "<odd>")))
	assert.Equal(
		t, "Battery &lt;i&gt; it is", string(Readers[0].Said("battery-tired", "<i>", "check.9", "{subject} it is")),
	)
}

func TestReaderIsWhoTheBrowserAsksFor(t *testing.T) {
	for header, want := range map[string]struct {
		tag        string
		fahrenheit bool
	}{
		"": {"en", false}, "es": {"es", false}, "ES-es": {"es", false}, "es-MX,es;q=0.9,en;q=0.8": {"es", false},
		"en-US,en;q=0.9": {"en", true}, "en-us": {"en", true}, "en-GB, en-US;q=0.9": {"en", false},
		"es-US": {"es", false}, "es, en-US;q=0.7": {"es", false}, "es;q=0.1, en-US;q=0.2": {"en", true},
		"de, es;q=0": {"en", false}, "de, es;q=0.3": {"es", false}, "fr;q=0.9, es-MX;q=0.8, en;q=0.5": {"es", false},
		"es;q=x, en": {"en", false}, "*": {"en", false}, "<script>, es": {"en", false},
		strings.Repeat("es,", 3000): {"es", false},
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("Accept-Language", header)
		got := Of(r)
		assert.Equal(t, want.tag, got.Tag, "%.40q", header)
		assert.Equal(t, want.fahrenheit, got.Fahrenheit, "%.40q", header)
	}
}

// What the page puts into its sentences are figures that findings have, and what it says of a reason
// is of one that the rules give.
func TestSentencesAreOfWhatTheRulesSay(t *testing.T) {
	all := texts()
	for key, text := range English.W {
		group, rest, _ := strings.Cut(key, ".")
		switch group {
		case "Fact", "Headline":
			name, _, _ := strings.Cut(rest, ".")
			assert.NotNil(t, detect.Lookup(name), key)
			for _, blank := range blanks.FindAllString(text, -1) {
				for _, figure := range strings.FieldsFunc(strings.Trim(blank, "{}"), func(r rune) bool { return r == '±' || r == '%' }) {
					assert.Contains(t, all, "evidence."+figure, "%s: %s", key, blank)
				}
			}
		case "Faster":
			id := strings.TrimSuffix(strings.TrimSuffix(rest, ".one"), ".n")
			assert.Contains(t, all, id, key)
		}
	}
}

// Of two texts with one key the reader of JSON takes the last, and says nothing.
func TestNoTextTwice(t *testing.T) {
	files, err := wordFiles.ReadDir(".")
	require.NoError(t, err)
	for _, f := range files {
		text, err := wordFiles.ReadFile(f.Name())
		require.NoError(t, err)
		noKeyTwice(t, f.Name(), json.NewDecoder(bytes.NewReader(text)))
	}
}

// noKeyTwice reads one value.
func noKeyTwice(t *testing.T, file string, d *json.Decoder) {
	token, err := d.Token()
	require.NoError(t, err)
	if _, is := token.(json.Delim); !is {
		return
	}
	seen := map[string]bool{}
	for d.More() {
		if token == json.Delim('{') {
			key, err := d.Token()
			require.NoError(t, err)
			assert.False(t, seen[key.(string)], "%s: %s is there twice", file, key)
			seen[key.(string)] = true
		}
		noKeyTwice(t, file, d)
	}
	_, err = d.Token() // its end
	require.NoError(t, err)
}
