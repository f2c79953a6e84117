package worklist

import (
	"cmp"
	_ "embed"
	"encoding/json"
	"html"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/rules/detect"
)

//go:embed words.json
var wordsFile []byte

// texts are the texts of rows by language and key.
var texts = func() map[string]map[string]string {
	m := map[string]map[string]string{}
	if err := json.Unmarshal(wordsFile, &m); err != nil {
		panic("bug: words.json: " + err.Error()) // embedded at build time
	}
	return m
}()

func text(to *words.Reader, key string) string {
	if t, ok := texts[to.Tag][key]; ok {
		return t
	}
	return texts["en"][key]
}

// Headline returns a finding with its subject in the reader's language, or title where it is of a newer
// agent.
func Headline(to *words.Reader, k Key, title string) string {
	if d := detect.Lookup(k.Name); d != nil {
		title = d.Title
	}
	return html.UnescapeString(stripped(string(to.Said(k.Name, k.Subject, "title", title))))
}

// stripped takes off the mark of a foreign language.
func stripped(marked string) string {
	return strings.TrimSuffix(strings.TrimPrefix(marked, `<span lang="en">`), "</span>")
}

// Next returns the first step, short; empty for a finding that is not known.
func Next(to *words.Reader, name string) string { return text(to, "next."+name) }

// Words returns the name of a part.
func (p Part) Words(to *words.Reader) string {
	name := text(to, "part."+p.Kind)
	if name == "" {
		name = p.Kind
	}
	if p.Kind != PartBattery {
		return name
	}
	if label := cmp.Or(text(to, "chemistry."+p.Chemistry), p.Chemistry); label != "" {
		name += " " + label
	}
	if p.RatedAh > 0 {
		name += " " + figures.Number(p.RatedAh, 0) + "\u00a0Ah"
	}
	if p.RatedCCA > 0 {
		name += ", " + figures.Number(p.RatedCCA, 0) + "\u00a0A"
	}
	return name
}
