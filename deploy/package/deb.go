package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"path"
	"time"
)

// member writes one member of an ar archive: ar(5), the common form with a name of up to 16 bytes.
func member(w *bytes.Buffer, name string, at time.Time, content []byte) {
	fmt.Fprintf(w, "%-16s%-12d%-6d%-6d%-8o%-10d`\n", name, at.Unix(), 0, 0, 0o100644, len(content))
	w.Write(content)
	if len(content)%2 == 1 {
		w.WriteByte('\n')
	}
}

// archive is a packed tar archive of files of root. Writing into memory can't fail.
type archive struct {
	to   bytes.Buffer
	zip  *gzip.Writer
	tar  *tar.Writer
	at   time.Time
	dirs map[string]bool
}

func newArchive(at time.Time) *archive {
	a := &archive{at: at, dirs: map[string]bool{}}
	a.zip = gzip.NewWriter(&a.to)
	a.tar = tar.NewWriter(a.zip)
	a.dir(".")
	return a
}

// dir writes a folder, and those above it before, once.
func (a *archive) dir(name string) {
	if a.dirs[name] {
		return
	}
	if name != "." {
		a.dir(path.Dir(name))
	}
	a.dirs[name] = true
	full := "./"
	if name != "." {
		full += name + "/"
	}
	a.header(&tar.Header{Typeflag: tar.TypeDir, Name: full, Mode: 0o755})
}

func (a *archive) add(name string, mode int64, content []byte) {
	a.dir(path.Dir(name))
	a.header(&tar.Header{Typeflag: tar.TypeReg, Name: "./" + name, Mode: mode, Size: int64(len(content))})
	if _, err := a.tar.Write(content); err != nil {
		panic("bug: archive in memory: " + err.Error())
	}
}

func (a *archive) header(h *tar.Header) {
	h.ModTime, h.Uname, h.Gname, h.Format = a.at, "root", "root", tar.FormatGNU
	if err := a.tar.WriteHeader(h); err != nil {
		panic("bug: archive in memory: " + err.Error())
	}
}

func (a *archive) packed() []byte {
	if err := errors.Join(a.tar.Close(), a.zip.Close()); err != nil {
		panic("bug: archive in memory: " + err.Error())
	}
	return a.to.Bytes()
}
