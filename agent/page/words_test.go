package page

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
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
	for _, d := range finding.Catalogue {
		for _, text := range append([]string{d.Summary, d.Detected, d.NextCheck, d.Clears}, d.Causes...) {
			assert.Contains(t, es.language.Said, text, d.Name)
		}
	}
	assert.Equal(t, `<span lang="en">Not &lt;translated&gt;</span>`, string(es.Say("Not <translated>")))
	assert.Equal(t, "Not &lt;translated&gt;", string(readers[0].Say("Not <translated>")))
}

// What the rules say to people is translated: evidence, reasons, and what a verdict or a forecast waits for. It is read from their
// source, so that a new text without a translation is seen here.
func TestRulesAreTranslated(t *testing.T) {
	es, seen := readers[2], 0
	for _, dir := range []string{"", "loadtest", "forecast", "network"} {
		files, err := filepath.Glob(filepath.Join("../../rules", dir, "*.go"))
		require.NoError(t, err)
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
			require.NoError(t, err)
			for _, text := range saidIn(t, file) {
				seen++
				assert.Contains(t, es.language.Said, text, name)
			}
		}
	}
	assert.Greater(t, seen, 150, "texts found in the rules")
}

// saidIn gives the texts of a file of the rules that people read: labels and reasons of evidence, and whatever else has several words and
// isn't handed to a check or an error.
func saidIn(t *testing.T, file *ast.File) []string {
	var out []string
	add := func(n ast.Expr, words bool) {
		l, ok := n.(*ast.BasicLit)
		if !ok || l.Kind != token.STRING {
			return
		}
		text, err := strconv.Unquote(l.Value)
		require.NoError(t, err)
		if text != "" && (!words || strings.Contains(text, " ")) {
			out = append(out, text)
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.CallExpr:
			name := ""
			switch f := n.Fun.(type) {
			case *ast.Ident:
				name = f.Name
			case *ast.SelectorExpr:
				name = f.Sel.Name
			}
			return slices.Contains([]string{"give", "Show", "Suspect", "append", "look"}, name)
		case *ast.BinaryExpr:
			return false // names put together from the configuration's
		case *ast.KeyValueExpr:
			if k, ok := n.Key.(*ast.Ident); ok && slices.Contains([]string{"What", "Text", "Reason", "Unit"}, k.Name) {
				add(n.Value, k.Name == "Unit")
				return false
			}
		case *ast.BasicLit:
			add(n, true)
		}
		return true
	})
	return out
}

// A cause comes with the evidence's reason in brackets, and has brackets of its own at times.
func TestCauseAndReasonAreTranslated(t *testing.T) {
	to := &reader{language: &language{Said: map[string]string{
		"lead off": "cable suelto", "low (flooded), or dry (gel)": "bajo (abierta), o seca (gel)", "it shows one": "muestra una",
	}}}
	for text, want := range map[string]string{
		"lead off":                                   "cable suelto",
		"lead off (it shows one)":                    "cable suelto (muestra una)",
		"low (flooded), or dry (gel)":                "bajo (abierta), o seca (gel)",
		"low (flooded), or dry (gel) (it shows one)": "bajo (abierta), o seca (gel) (muestra una)",
		"lead off (no <reason> (known))":             "cable suelto (no <reason> (known))",
		"unheard of (it shows one)":                  "unheard of (it shows one)",
		"(":                                          "(",
		"()":                                         "()",
		" ()":                                        " ()",
	} {
		assert.Equal(t, want, to.said(text))
	}
	assert.Equal(t, `cable suelto (<span lang="en">no &lt;reason&gt; (known)</span>)`, string(to.Say("lead off (no <reason> (known))")))
	assert.Equal(t, `cable suelto (muestra una)`, string(to.Say("lead off (it shows one)")))
	assert.Equal(t, `lead off (it shows one)`, string(readers[0].Say("lead off (it shows one)")))
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
