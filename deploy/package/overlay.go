package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"go/scanner"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// The program for a board is linked without what it never calls. text/template looks methods up by names
// that only the running program knows, so that the linker keeps every method of every type: 10 of 23 MB,
// of which a board would hold half in memory. So the board's program is built with a text/template that
// looks up only the names that stand in its templates. Nothing else of it differs, and the tests of the
// pages run with it in .ci/run.
const (
	templateSource = "src/text/template/exec.go"
	lookUp         = "ptr.MethodByName(fieldName)"
	lookUpNamed    = "methodNamed(ptr, fieldName)"
)

// templateFolders have the templates of the board's program.
var templateFolders = []string{"agent", "cmd/liftbank"}

var (
	action   = regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	selector = regexp.MustCompile(`\.([A-Z]\w*)`)
)

// selectedInTemplates returns the names that actions of templates select, fields' among them, sorted. One too
// many costs next to nothing; one too few breaks a page.
func selectedInTemplates(repository fs.FS) ([]string, error) {
	selected := map[string]bool{}
	err := read(repository, templateFolders, func(path, text string) {
		texts := []string{text}
		if filepath.Ext(path) == ".go" {
			texts = literals([]byte(text))
		}
		for _, text := range texts {
			for _, a := range action.FindAllString(text, -1) {
				for _, m := range selector.FindAllStringSubmatch(a, -1) {
					selected[m[1]] = true
				}
			}
		}
	})
	if err != nil {
		return nil, err
	}
	return slices.Sorted(maps.Keys(selected)), err
}

// read hands over each template and each file of Go in these folders that may be in the board's program.
func read(repository fs.FS, folders []string, use func(path, text string)) error {
	for _, folder := range folders {
		err := fs.WalkDir(repository, folder, func(path string, d fs.DirEntry, err error) error {
			switch ext := filepath.Ext(path); {
			case err != nil:
				return err
			case path == "agent/fleet" || d.IsDir() && d.Name() == "testdata":
				return fs.SkipDir
			case d.IsDir(), ext != ".html" && ext != ".go", strings.HasSuffix(path, "_test.go"):
				return nil
			}
			text, err := fs.ReadFile(repository, path)
			use(path, string(text))
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// declared is a method in Go source.
var declared = regexp.MustCompile(`(?m)^func \([^)]*\) ([A-Z]\w*)\(`)

// methodsInTemplates returns the names that templates select and that a method has, of whatever type in the
// program for these settings of the tool chain: no other name can be a method's.
func methodsInTemplates(repository fs.FS, env []string) ([]string, error) {
	selected, err := selectedInTemplates(repository)
	if err != nil {
		return nil, err
	}
	listed, err := tool(env, "go", "list", "-deps", "-tags", boardTags,
		"-f", `{{$d := .Dir}}{{range .GoFiles}}{{$d}}/{{.}}{{"\n"}}{{end}}`, "./cmd/liftbank")
	if err != nil {
		return nil, err
	}
	method := map[string]bool{}
	for file := range strings.Lines(string(listed)) {
		source, err := os.ReadFile(strings.TrimSpace(file))
		if err != nil {
			return nil, err
		}
		for _, m := range declared.FindAllSubmatch(source, -1) {
			method[string(m[1])] = true
		}
	}
	return slices.DeleteFunc(selected, func(name string) bool { return !method[name] }), nil
}

// literals returns the string literals of Go source.
func literals(source []byte) (all []string) {
	var scan scanner.Scanner
	files := token.NewFileSet()
	scan.Init(files.AddFile("", -1, len(source)), source, nil, 0)
	for {
		switch _, kind, text := scan.Scan(); kind {
		case token.EOF:
			return all
		case token.STRING:
			all = append(all, text)
		}
	}
}

// narrowed returns the source of text/template with which only these methods can be called.
func narrowed(source []byte, names []string) ([]byte, error) {
	if n := bytes.Count(source, []byte(lookUp)); n != 1 {
		return nil, fmt.Errorf("%s: has %s %d times: want it once; another release of Go needs this program changed",
			templateSource, lookUp, n)
	}
	b := bytes.NewBuffer(bytes.Replace(source, []byte(lookUp), []byte(lookUpNamed), 1))
	b.WriteString("\nfunc methodNamed(v reflect.Value, name string) reflect.Value {\n\tswitch name {\n")
	for _, name := range names {
		fmt.Fprintf(b, "\tcase %q:\n\t\treturn v.MethodByName(%q)\n", name, name)
	}
	b.WriteString("\t}\n\treturn reflect.Value{}\n}\n")
	return b.Bytes(), nil
}

// packedFolders have the texts that the board's program holds packed; package embedded unpacks them.
var packedFolders = []string{"agent/page/words", "agent/page/web/assets"}

// writePacked writes the texts to dir, packed, and returns where each is by where it is read from.
func writePacked(repository fs.FS, dir string) (map[string]string, error) {
	by := map[string]string{}
	for _, folder := range packedFolders {
		entries, err := fs.ReadDir(repository, folder)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			name := path.Join(folder, e.Name())
			if ext := path.Ext(name); e.IsDir() || ext == ".go" || ext == ".png" { // which is packed already
				continue
			}
			content, err := fs.ReadFile(repository, name)
			if err != nil {
				return nil, err
			}
			packed, err := pack(content)
			if err != nil {
				return nil, err
			}
			to := filepath.Join(dir, strings.ReplaceAll(name, "/", "-"))
			if err := os.WriteFile(to, packed, 0o644); err != nil {
				return nil, err
			}
			whole, err := filepath.Abs(filepath.FromSlash(name))
			if err != nil {
				return nil, err
			}
			by[whole] = to
		}
	}
	return by, nil
}

// writeOverlay writes to dir what go build -overlay takes with these settings of the tool chain, and returns
// the name of that file. The repository is the folder that this program was started in.
func writeOverlay(dir string, env []string) (string, error) {
	repository := os.DirFS(".")
	names, err := methodsInTemplates(repository, env)
	if err != nil {
		return "", fmt.Errorf("names in templates: %w", err)
	}
	goRoot, err := tool(nil, "go", "env", "GOROOT")
	if err != nil {
		return "", err
	}
	replaced := filepath.Join(strings.TrimSpace(string(goRoot)), filepath.FromSlash(templateSource))
	source, err := os.ReadFile(replaced)
	if err != nil {
		return "", err
	}
	source, err = narrowed(source, names)
	if err != nil {
		return "", err
	}
	by := filepath.Join(dir, "exec.go")
	if err := os.WriteFile(by, source, 0o644); err != nil {
		return "", err
	}
	replace, err := writePacked(repository, dir)
	if err != nil {
		return "", fmt.Errorf("pack texts: %w", err)
	}
	replace[replaced] = by
	list, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", err
	}
	overlay := filepath.Join(dir, "overlay.json")
	return overlay, os.WriteFile(overlay, list, 0o644)
}
