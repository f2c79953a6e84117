package page

import (
	"embed"
	"encoding/json"
	"html/template"
	"net/http"
	"regexp"
	"strconv"
	"strings"

	"liftbank/agent/snapshot"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
)

//go:embed words/*.json
var wordFiles embed.FS

// language is one file of folder words: all texts of the pages. A translation is one such file,
// listed in languageTags.
type language struct {
	Tag  string // BCP 47, as in the file's name
	Name string `json:"name"` // in the language itself
	// W has the pages' own texts. A key with a point is one of a group: Severity.urgent. Names in
	// braces, such as {age}, are filled in.
	W map[string]string `json:"words"`
	// Said translates the texts of the rules by their ID, and those of the checklist by their
	// English.
	Said map[string]string `json:"said"`
}

// languageTags lists the languages; the first is the default.
var languageTags = []string{"en", "es"}

var languages = readLanguages()

func readLanguages() []*language {
	var all []*language
	for _, tag := range languageTags {
		data, err := wordFiles.ReadFile("words/" + tag + ".json")
		if err != nil {
			panic("bug: " + err.Error()) // embedded at build time
		}
		l := &language{Tag: tag}
		if err := json.Unmarshal(data, l); err != nil {
			panic("bug: words/" + tag + ".json: " + err.Error())
		}
		all = append(all, l)
	}
	return all
}

// english is for machines and logs.
var english = languages[0]

// reader is who a page is written for: language and units.
type reader struct {
	*language
	Fahrenheit bool
	variant    int // 0 to variants-1
}

// readers lists every reader.
var readers = func() []*reader {
	var all []*reader
	for _, l := range languages {
		for _, f := range []bool{false, true} {
			all = append(all, &reader{language: l, Fahrenheit: f, variant: len(all)})
		}
	}
	return all
}()

// Names of the cookies that keep a reader's choices for a year.
const (
	langCookie = "liftbank_lang"
	tempCookie = "liftbank_temp"
	choiceAgeS = 365 * 24 * 3600
)

// readerOf returns the reader that the browser has chosen, or else what it asks for: its language,
// and °F if US English comes first.
func readerOf(r *http.Request) *reader {
	asked := r.Header.Get("Accept-Language")
	lang := bestLanguage(asked)
	if c, err := r.Cookie(langCookie); err == nil {
		for i, l := range languages {
			if l.Tag == c.Value {
				lang = i
			}
		}
	}
	first, _, _ := strings.Cut(asked, ",")
	fahrenheit := strings.EqualFold(strings.TrimSpace(first), "en-US")
	if c, err := r.Cookie(tempCookie); err == nil && (c.Value == "c" || c.Value == "f") {
		fahrenheit = c.Value == "f"
	}
	v := 2 * lang
	if fahrenheit {
		v++
	}
	return readers[v]
}

// bestLanguage reads Accept-Language (RFC 9110 section 12.5.4) and returns the index of the
// language wanted most, 0 if there is none of them.
func bestLanguage(header string) int {
	best, bestQ := 0, 0.0
	for part := range strings.SplitSeq(header, ",") {
		tag, weight, _ := strings.Cut(part, ";")
		q := 1.0
		if _, v, given := strings.Cut(weight, "="); given {
			var err error
			if q, err = strconv.ParseFloat(strings.TrimSpace(v), 64); err != nil {
				continue
			}
		}
		primary, _, _ := strings.Cut(strings.TrimSpace(tag), "-")
		for i, l := range languages {
			if strings.EqualFold(primary, l.Tag) && q > bestQ && q <= 1 {
				best, bestQ = i, q
			}
		}
	}
	return best
}

// label returns the plain words for a label of the snapshot, or the label itself if there are none.
func (to *reader) label(group, label string) string {
	if m, ok := to.W[group+"."+label]; ok {
		return m
	}
	return label
}

// list returns the texts KEY.1, KEY.2 and so on.
func (to *reader) list(key string) []string {
	var out []string
	for i := 1; ; i++ {
		text, ok := to.W[key+"."+strconv.Itoa(i)]
		if !ok {
			return out
		}
		out = append(out, text)
	}
}

// translate returns a text of the configuration in the reader's language, or as it is where there
// is no translation.
func (to *reader) translate(text string) string {
	if t, ok := to.language.Said[text]; ok {
		return t
	}
	return text
}

// text returns a text of the rules in the reader's language, or in English.
func (to *reader) text(t snapshot.Text) string {
	if said, ok := to.language.Said[t.ID]; ok {
		return said
	}
	return typographic(t.English)
}

// typographic returns English text of the code as a page prints it.
func typographic(text string) string { return strings.ReplaceAll(text, "'", "’") }

// Text is text for a template. It marks English in a page of another language for screen readers.
func (to *reader) Text(t snapshot.Text) template.HTML { return to.markup(t.ID, t.English, nil) }

// Said returns a text of a finding's definition for a template. field is summary, check.1 and the
// like; english is the text if there is no translation.
func (to *reader) Said(name, subject, field, english string) template.HTML {
	d := detect.Lookup(name)
	if d == nil {
		return to.markup(name+"."+field, english, nil)
	}
	return to.markup(name+"."+field, english, func(text string) string {
		return strings.ReplaceAll(text, finding.Subject, to.subject(d.About, subject))
	})
}

func (to *reader) markup(id, english string, fill func(string) string) template.HTML {
	text, ok := to.language.Said[id]
	if !ok {
		text = typographic(english)
	}
	if fill != nil {
		text = fill(text)
	}
	if ok || to.language == languages[0] {
		return template.HTML(template.HTMLEscapeString(text))
	}
	return template.HTML(`<span lang="en">` + template.HTMLEscapeString(text) + `</span>`)
}

// subject names what a finding is about, as a sentence begins.
func (to *reader) subject(a finding.About, subject string) string {
	id := "subject." + a.String()
	if subject == "" {
		id += ".any"
	}
	if said, ok := to.language.Said[id]; ok {
		return strings.ReplaceAll(said, finding.Subject, to.about(subject))
	}
	return a.Name(subject)
}

// subjects are the names that the rules give to what a finding can be about, a battery's ID apart.
// The part in words is the label in group About, the other one says which.
var subjects = []*regexp.Regexp{
	regexp.MustCompile(`^(?P<what>(?:positive|negative) (?:link|post)) (?P<which>\S+)$`),
	regexp.MustCompile(`^battery (?P<which>\S+) (?P<what>voltage|negative|current|temperature)$`),
	regexp.MustCompile(`^(?P<what>feed|motor) voltage$`),
}

// about returns the subject of a finding in the reader's language, or as it is.
func (to *reader) about(subject string) string {
	for _, r := range subjects {
		m := r.FindStringSubmatch(subject)
		if m == nil {
			continue
		}
		which := ""
		if i := r.SubexpIndex("which"); i > 0 {
			which = m[i]
		}
		return fill(to.label("About", strings.ReplaceAll(m[r.SubexpIndex("what")], " ", "-")), "which", which)
	}
	return subject
}

// temp returns a temperature in the reader's unit.
func (to *reader) temp(c *float64) *float64 {
	if c == nil || !to.Fahrenheit {
		return c
	}
	f := toFahrenheit(*c)
	return &f
}

// toFahrenheit converts and keeps the snapshot's one decimal.
func toFahrenheit(c float64) float64 {
	f, _ := strconv.ParseFloat(strconv.FormatFloat(c*9/5+32, 'f', 1, 64), 64)
	return f
}

// tempUnit returns the unit of temperature.
func (to *reader) tempUnit() string {
	if to.Fahrenheit {
		return "°F"
	}
	return "°C"
}

// fill puts values into a text, as in fill("{n} of {all}", "n", "3", "all", "7").
func fill(text string, pairs ...string) string {
	for i := 0; i+1 < len(pairs); i += 2 {
		pairs[i] = "{" + pairs[i] + "}"
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// choose keeps a reader's choice in the browser. It changes nothing on the unit.
func (s *Server) choose(w http.ResponseWriter, r *http.Request) {
	if !s.readForm(w, r) {
		return
	}
	keep := func(name, value string) {
		http.SetCookie(w, &http.Cookie{
			Name: name, Value: value, Path: "/", MaxAge: choiceAgeS, HttpOnly: true, SameSite: http.SameSiteStrictMode,
		})
	}
	if v := r.PostForm.Get("lang"); v != "" {
		for _, l := range languages {
			if l.Tag == v {
				keep(langCookie, v)
			}
		}
	}
	if v := r.PostForm.Get("temp"); v == "c" || v == "f" {
		keep(tempCookie, v)
	}
	http.Redirect(w, r, ownPath(r.PostForm.Get("back")), http.StatusSeeOther)
}

// ownPath returns path if it is a path of this unit, or else the first page, so that nobody can be
// sent elsewhere.
func ownPath(path string) string {
	if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") || strings.ContainsAny(path, "\\\r\n\t") {
		return "/"
	}
	return path
}
