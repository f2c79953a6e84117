// Package words has the pages' texts in every language, and those who read them.
package words

import (
	"embed"
	"encoding/json"
	"html/template"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/language"

	"liftbank/agent/page/embedded"
	"liftbank/agent/snapshot"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
)

//go:embed *.json
var wordFiles embed.FS

// Language is one file of folder words: all texts of the pages. A translation is one such file,
// listed in languageTags.
type Language struct {
	Tag  string // BCP 47, as in the file's name
	Name string `json:"name"` // in the language itself
	// W has the pages' own texts. A key with a point is one of a group: Severity.urgent. Names in
	// braces, such as {age}, are filled in.
	W map[string]string `json:"words"`
	// Said translates the texts of the rules by their ID, and those of the checklist by their
	// English.
	Said map[string]string `json:"said"`
	// Fit translates the forms of what a fitting says, by their English; Joined is what its parts become
	// where they meet.
	Fit    map[string]string `json:"fit"`
	Joined map[string]string `json:"joined"`
}

// languageTags lists the languages; the first is the default.
var languageTags = []string{"en", "es"}

// Languages lists every language of the pages.
var Languages = readLanguages()

func readLanguages() []*Language {
	var all []*Language
	for _, tag := range languageTags {
		data, err := embedded.Read(wordFiles, tag+".json")
		if err != nil {
			panic("bug: " + err.Error()) // embedded at build time
		}
		l := &Language{Tag: tag}
		if err := json.Unmarshal(data, l); err != nil {
			panic("bug: " + tag + ".json: " + err.Error())
		}
		all = append(all, l)
	}
	return all
}

// English is for machines and logs.
var English = Languages[0]

// Reader is who a page is written for: language and units.
type Reader struct {
	*Language
	Fahrenheit bool
	Variant    int // 0 to Variants-1
}

// Variants is the number of readers.
const Variants = 4 // two languages, two units

// Readers lists every reader.
var Readers = func() []*Reader {
	var all []*Reader
	for _, l := range Languages {
		for _, f := range []bool{false, true} {
			all = append(all, &Reader{Language: l, Fahrenheit: f, Variant: len(all)})
		}
	}
	return all
}()

// Names of the cookies that keep a reader's choices for a year.
const (
	LangCookie = "liftbank_lang"
	TempCookie = "liftbank_temp"
)

// Of returns the reader that the browser has chosen, or else what it asks for: its language,
// and °F if US English comes first.
func Of(r *http.Request) *Reader {
	asked, _, err := language.ParseAcceptLanguage(r.Header.Get("Accept-Language"))
	if err != nil {
		asked = nil
	}
	_, lang, _ := matcher.Match(asked...) // the default where none fits
	if c, err := r.Cookie(LangCookie); err == nil {
		for i, l := range Languages {
			if l.Tag == c.Value {
				lang = i
			}
		}
	}
	fahrenheit := len(asked) > 0 && asked[0] == language.AmericanEnglish
	if c, err := r.Cookie(TempCookie); err == nil && (c.Value == "c" || c.Value == "f") {
		fahrenheit = c.Value == "f"
	}
	v := 2 * lang
	if fahrenheit {
		v++
	}
	return Readers[v]
}

// matcher finds the language for what a browser asks for.
var matcher = func() language.Matcher {
	var tags []language.Tag
	for _, tag := range languageTags {
		tags = append(tags, language.MustParse(tag))
	}
	return language.NewMatcher(tags)
}()

// Label returns the plain words for a label of the snapshot, or the label itself if there are none.
func (to *Reader) Label(group, label string) string {
	if m, ok := to.W[group+"."+label]; ok {
		return m
	}
	return label
}

// List returns the texts KEY.1, KEY.2 and so on.
func (to *Reader) List(key string) []string {
	var out []string
	for i := 1; ; i++ {
		text, ok := to.W[key+"."+strconv.Itoa(i)]
		if !ok {
			return out
		}
		out = append(out, text)
	}
}

// Translate returns a text of the configuration in the reader's language, or as it is where there
// is no translation.
func (to *Reader) Translate(text string) string {
	if t, ok := to.Language.Said[text]; ok {
		return t
	}
	return text
}

// Plain returns a text of the rules in the reader's language, or in English.
func (to *Reader) Plain(t snapshot.Text) string {
	if said, ok := to.Language.Said[t.ID]; ok {
		return said
	}
	return typographic(t.English)
}

// Form returns a form of a fitting's phrase in the reader's language, or as it is.
func (to *Reader) Form(form string) string {
	if said, ok := to.Language.Fit[form]; ok {
		return said
	}
	return typographic(form)
}

// Join returns a phrase that was put together from forms as it is written: del, not de el.
func (to *Reader) Join(text string) string {
	for _, apart := range slices.Sorted(maps.Keys(to.Language.Joined)) {
		text = strings.ReplaceAll(text, apart, to.Language.Joined[apart])
	}
	return text
}

// Maybe returns a text of the rules, empty for none.
func (to *Reader) Maybe(t *snapshot.Text) string {
	if t == nil {
		return ""
	}
	return to.Plain(*t)
}

// typographic returns English text of the code as a page prints it.
func typographic(text string) string { return strings.ReplaceAll(text, "'", "’") }

// Text is text for a template. It marks English in a page of another language for screen readers.
func (to *Reader) Text(t snapshot.Text) template.HTML { return to.markup(t.ID, t.English, nil) }

// Said returns a text of a finding's definition for a template. field is summary, check.1 and the
// like; english is the text if there is no translation.
func (to *Reader) Said(name, subject, field, english string) template.HTML {
	return to.markup(name+"."+field, english, to.filled(name, subject))
}

// PlainTitle is the headline of a finding as plain text; english is the text if there is no
// translation.
func (to *Reader) PlainTitle(name, subject, english string) string {
	text, ok := to.Language.Said[name+".title"]
	if !ok {
		return typographic(english)
	}
	if fill := to.filled(name, subject); fill != nil {
		return fill(text)
	}
	return text
}

// filled returns what puts a finding's subject into a text of it, nil for an unknown finding.
func (to *Reader) filled(name, subject string) func(string) string {
	d := detect.Lookup(name)
	if d == nil {
		return nil
	}
	return func(text string) string {
		return strings.ReplaceAll(text, finding.Subject, to.subject(d.Of(subject), subject))
	}
}

func (to *Reader) markup(id, english string, fill func(string) string) template.HTML {
	text, ok := to.Language.Said[id]
	if !ok {
		text = typographic(english)
	}
	if fill != nil {
		text = fill(text)
	}
	if ok || to.Language == Languages[0] {
		return template.HTML(template.HTMLEscapeString(text))
	}
	return template.HTML(`<span lang="en">` + template.HTMLEscapeString(text) + `</span>`)
}

// subject names what a finding is about, as a sentence begins.
func (to *Reader) subject(a finding.About, subject string) string {
	id := "subject." + a.String()
	if subject == "" {
		id += ".any"
	}
	if said, ok := to.Language.Said[id]; ok {
		name := to.About(subject)
		if strings.HasPrefix(said, finding.Subject) {
			name = Upper(name)
		}
		return strings.ReplaceAll(said, finding.Subject, name)
	}
	return a.Name(subject)
}

// Upper returns a text as it begins a sentence.
func Upper(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return text
	}
	return string(unicode.ToUpper(first)) + text[size:]
}

// subjects are the names that the rules give to what a finding can be about, a battery's ID apart.
// The part in words is the label in group About, the other one says which.
var subjects = []*regexp.Regexp{
	regexp.MustCompile(`^(?P<what>(?:positive|negative) (?:link|post)|middle link) (?P<which>\S+)$`),
	regexp.MustCompile(`^battery (?P<which>\S+) (?P<what>voltage|negative|current|temperature)$`),
	regexp.MustCompile(`^(?P<what>feed|motor) voltage$`),
	regexp.MustCompile(`^(?P<what>filter|oil)$`),
	regexp.MustCompile(`^(?P<what>feed input|control voltage|ambient temperature|oil pressure)$`),
}

// About returns the subject of a finding in the reader's language, or as it is.
func (to *Reader) About(subject string) string {
	for _, r := range subjects {
		m := r.FindStringSubmatch(subject)
		if m == nil {
			continue
		}
		which := ""
		if i := r.SubexpIndex("which"); i > 0 {
			which = m[i]
		}
		return Fill(to.Label("About", strings.ReplaceAll(m[r.SubexpIndex("what")], " ", "-")), "which", which)
	}
	return subject
}

// Temp returns a temperature in the reader's unit.
func (to *Reader) Temp(c *float64) *float64 {
	if c == nil || !to.Fahrenheit {
		return c
	}
	f := ToFahrenheit(*c)
	return &f
}

// ToFahrenheit converts and keeps the snapshot's one decimal.
func ToFahrenheit(c float64) float64 {
	f, _ := strconv.ParseFloat(strconv.FormatFloat(c*9/5+32, 'f', 1, 64), 64)
	return f
}

// TempUnit returns the unit of temperature.
func (to *Reader) TempUnit() string {
	if to.Fahrenheit {
		return "°F"
	}
	return "°C"
}

// Fill puts values into a text, as in fill("{n} of {all}", "n", "3", "all", "7").
func Fill(text string, pairs ...string) string {
	for i := 0; i+1 < len(pairs); i += 2 {
		pairs[i] = "{" + pairs[i] + "}"
	}
	return strings.NewReplacer(pairs...).Replace(text)
}
