package scenario

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"sync"
)

//go:embed library/*.yaml
var library embed.FS

// Load gives a scenario of the library by its name.
func Load(name string) (Scenario, error) {
	file := name + ".yaml"
	data, err := library.ReadFile(path.Join("library", file))
	if err != nil || strings.ContainsAny(name, "/\\") {
		return Scenario{}, fmt.Errorf("scenario: %q: not in the library: want one of %s", name, strings.Join(names(), ", "))
	}
	return Parse(file, data)
}

// Entry is one scenario of the library.
type Entry struct{ Name, Description string }

// Names lists the library in the order of its names.
func Names() []Entry { return listed() }

var listed = sync.OnceValue(func() []Entry {
	var all []Entry
	for _, name := range names() {
		sc, err := Load(name)
		if err != nil {
			panic("bug: scenario library: " + err.Error())
		}
		all = append(all, Entry{name, sc.Description})
	}
	return all
})

// names lists the names of the library's files, which fs.ReadDir sorts.
func names() []string {
	files, err := fs.ReadDir(library, "library")
	if err != nil {
		panic("bug: scenario library: " + err.Error())
	}
	all := make([]string, len(files))
	for i, f := range files {
		all[i] = strings.TrimSuffix(f.Name(), ".yaml")
	}
	return all
}
