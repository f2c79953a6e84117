package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"maps"
	"net/http"
	"path"
	"slices"
	"strings"

	"liftbank/agent/page/embedded"
	"liftbank/agent/page/words"
)

//go:embed assets
var files embed.FS

// Assets are the files that the page refers to, under names that change with their content, so that
// a browser may keep them for good.
type Assets struct {
	Build  string            // changes when any of them does
	URLs   map[string]string // by plain name
	byName map[string]asset  // by the name in the URL
}

type asset struct {
	contentType   string
	plain, packed []byte
}

const typeScript = "text/javascript; charset=utf-8"

var assetTypes = map[string]string{
	"sheet.css": "text/css; charset=utf-8",
	"mark.svg":  "image/svg+xml",
	"icon.svg":  "image/svg+xml", "icon.png": "image/png",
	"shell.js": typeScript,
	"sheet.js": typeScript, "visit.js": typeScript, "history.js": typeScript, "report.js": typeScript,
	"sign.js": typeScript, "calibrate.js": typeScript, "fit.js": typeScript,
}

func newAssets() Assets {
	a := Assets{URLs: map[string]string{}, byName: map[string]asset{}}
	all := sha256.New()
	for _, name := range assetNames() {
		plain := mustRead(name)
		if name == "sheet.css" {
			plain = append(BaseSheet(), plain...)
		}
		all.Write(plain)
		sum := sha256.Sum256(plain)
		ext := path.Ext(name)
		hashed := strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext
		a.URLs[name] = "/assets/" + hashed
		a.byName[hashed] = asset{contentType: assetTypes[name], plain: plain, packed: pack(plain)}
	}
	all.Write(mustRead("worker.js"))
	a.Build = hex.EncodeToString(all.Sum(nil)[:6])
	return a
}

// BaseSheet returns what the style sheets of the unit's and of the fleet's pages begin with.
func BaseSheet() []byte { return mustRead("base.css") }

// assetNames are the plain names in a fixed order.
func assetNames() []string { return slices.Sorted(maps.Keys(assetTypes)) }

func mustRead(name string) []byte {
	b, err := embedded.Read(files, "assets/"+name)
	if err != nil {
		panic("bug: " + err.Error()) // embedded at build time
	}
	return b
}

// serve sends the file that a request names.
func (a Assets) serve(w http.ResponseWriter, r *http.Request) {
	file, ok := a.byName[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Header().Set("Content-Type", file.contentType)
	w.Header().Set("Vary", "Accept-Encoding")
	body := file.plain
	if acceptsGzip(r) {
		w.Header().Set("Content-Encoding", "gzip")
		body = file.packed
	}
	_, _ = w.Write(body)
}

var templates = readTemplates(template.New("").Funcs(template.FuncMap{
	// words puts values into a text: words TEXT "name" value.
	"words": func(text string, pairs ...any) string {
		filled := make([]string, len(pairs))
		for i, p := range pairs {
			filled[i] = fmt.Sprint(p)
		}
		return words.Fill(text, filled...)
	},
}))

// readTemplates adds all templates to one.
func readTemplates(to *template.Template) *template.Template {
	entries, err := files.ReadDir("assets")
	if err != nil {
		panic("bug: " + err.Error()) // embedded at build time
	}
	for _, e := range entries {
		if path.Ext(e.Name()) == ".html" {
			template.Must(to.New(e.Name()).Parse(string(mustRead(e.Name()))))
		}
	}
	return to
}
