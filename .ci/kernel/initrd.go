package main

import (
	"bytes"
	"debug/elf"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// archive is a file system in memory as the kernel unpacks it: cpio's "newc" form (Documentation/driver-api/
// early-userspace/buffer-format.rst).
type archive struct {
	b bytes.Buffer
	n int
}

func (a *archive) add(name string, content []byte, mode int) {
	a.n++
	const regular = 0o100000
	if name == "TRAILER!!!" {
		mode = 0
	} else {
		mode |= regular
	}
	fmt.Fprintf(&a.b, "070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x", a.n, mode, 0, 0, 1, 0, len(content), 0, 0, 0, 0,
		len(name)+1, 0)
	a.b.WriteString(name + "\x00")
	a.pad()
	a.b.Write(content)
	a.pad()
}

func (a *archive) pad() {
	for a.b.Len()%4 != 0 {
		a.b.WriteByte(0)
	}
}

func (a *archive) bytes() []byte {
	a.add("TRAILER!!!", nil, 0)
	return a.b.Bytes()
}

// moduleFiles returns the paths of all modules by name, with - as _.
func moduleFiles(dir string) (map[string]string, error) {
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".ko" {
			return err
		}
		if name := moduleName(strings.TrimSuffix(d.Name(), ".ko")); files[name] == "" {
			files[name] = path
		}
		return nil
	})
	return files, err
}

func moduleName(name string) string { return strings.ReplaceAll(name, "-", "_") }

// load adds a module after those that it needs; one that is not there is a part of the kernel.
func load(name string, files map[string]string, order *[]string, a *archive) error {
	name = moduleName(name)
	path := files[name]
	if path == "" || slices.Contains(*order, name+".ko") {
		return nil
	}
	f, err := elf.Open(path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	defer f.Close()
	section := f.Section(".modinfo")
	if section == nil {
		return fmt.Errorf("%s: not a module", path)
	}
	info, err := section.Data()
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	for field := range strings.SplitSeq(string(info), "\x00") {
		needs, ok := strings.CutPrefix(field, "depends=")
		for need := range strings.SplitSeq(needs, ",") {
			if ok && need != "" {
				if err := load(need, files, order, a); err != nil {
					return err
				}
			}
		}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	*order = append(*order, name+".ko")
	a.add(name+".ko", text, 0o644)
	return nil
}
