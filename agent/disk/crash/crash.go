// Package crash has a disk in memory for tests, on which any operation can fail and the power can be
// cut. It keeps what POSIX promises and no more: what was written and not synced may be there after
// a cut, in part, or not at all; names are there for certain only once their folder was synced.
package crash

import (
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"liftbank/agent/disk"
)

// Disk is a disk in memory. All names are taken as they are, without links.
type Disk struct {
	mu    sync.Mutex
	names map[string]*inode // as the running system sees them
	kept  map[string]*inode // as they are for certain after a cut
	moves []move            // of names, not synced yet, in order
	count int
	temps int
	fail  func(n int, op, name string) error
}

// inode is a file or a folder.
type inode struct {
	folder bool
	mode   fs.FileMode
	data   []byte // as the running system sees it
	kept   []byte // as it is for certain after a cut
}

// move is a change of a name.
type move struct {
	name string
	to   *inode // nil: removed
}

// New returns a disk with one folder.
func New(folder string) *Disk {
	root := &inode{folder: true, mode: 0o750}
	d := &Disk{names: map[string]*inode{folder: root}}
	d.kept = maps.Clone(d.names)
	return d
}

// FailWith sets what says how an operation ends; nil, or a nil error, lets it be done. n counts all
// operations from 1. It may be called while others work on the disk.
func (d *Disk) FailWith(fail func(n int, op, name string) error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fail = fail
}

// Operations returns how many were done.
func (d *Disk) Operations() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.count
}

// Cut returns the disk as it may be after a cut of the power now. What was not synced is decided by
// chance: some changes of names made it, up to a point; of each file's last bytes some did.
func (d *Disk) Cut(chance *rand.Rand) *Disk {
	d.mu.Lock()
	defer d.mu.Unlock()
	names := maps.Clone(d.kept)
	for _, m := range d.moves[:chance.IntN(len(d.moves)+1)] { // a journal keeps the order of names
		if m.to == nil {
			delete(names, m.name)
		} else {
			names[m.name] = m.to
		}
	}
	after := &Disk{names: map[string]*inode{}}
	copies := map[*inode]*inode{}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		from := names[name]
		if parent := d.names[filepath.Dir(name)]; parent != nil && after.names[filepath.Dir(name)] == nil {
			continue // its folder did not make it
		}
		if copies[from] == nil {
			copies[from] = from.cut(chance)
		}
		after.names[name] = copies[from]
	}
	after.kept = maps.Clone(after.names)
	return after
}

// cut returns what a cut leaves of a file: what was synced, with a part of what came after, some of
// it as zeros.
func (n *inode) cut(chance *rand.Rand) *inode {
	left := slices.Clone(n.kept)
	if !slices.Equal(n.kept, n.data) {
		switch chance.IntN(4) {
		case 0: // nothing of it
		case 1: // all of it
			left = slices.Clone(n.data)
		case 2: // torn
			left = slices.Clone(n.data[:chance.IntN(len(n.data)+1)])
		case 3: // its length, and not its content
			left = slices.Clone(n.data)
			if len(left) > 0 {
				clear(left[chance.IntN(len(left)):])
			}
		}
	}
	return &inode{folder: n.folder, mode: n.mode, data: left, kept: slices.Clone(left)}
}

// op counts an operation and says whether it fails.
func (d *Disk) op(op, name string) error {
	d.count++
	if d.fail == nil {
		return nil
	}
	if err := d.fail(d.count, op, name); err != nil {
		return &fs.PathError{Op: op, Path: name, Err: err}
	}
	return nil
}

func (d *Disk) set(name string, to *inode) {
	if to == nil {
		delete(d.names, name)
	} else {
		d.names[name] = to
	}
	d.moves = append(d.moves, move{name, to})
}

// Open opens a file or a folder to read.
func (d *Disk) Open(name string) (disk.File, error) { return d.OpenFile(name, os.O_RDONLY, 0) }

// OpenFile opens or makes a file.
func (d *Disk) OpenFile(name string, flag int, mode fs.FileMode) (disk.File, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	name = filepath.Clean(name)
	if err := d.op("open", name); err != nil {
		return nil, err
	}
	n := d.names[name]
	switch {
	case n == nil && flag&os.O_CREATE == 0:
		return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.ENOENT}
	case n != nil && flag&os.O_CREATE != 0 && flag&os.O_EXCL != 0:
		return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.EEXIST}
	case n != nil && n.folder && flag&(os.O_WRONLY|os.O_RDWR) != 0:
		return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.EISDIR}
	case n == nil:
		if parent := d.names[filepath.Dir(name)]; parent == nil || !parent.folder {
			return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.ENOENT}
		}
		n = &inode{mode: mode}
		d.set(name, n)
	}
	if flag&os.O_TRUNC != 0 {
		n.data = nil
	}
	return &file{disk: d, name: name, node: n}, nil
}

// CreateTemp makes a file of a new name.
func (d *Disk) CreateTemp(dir, pattern string) (disk.File, error) {
	d.mu.Lock()
	d.temps++
	name := filepath.Join(dir, strings.Replace(pattern, "*", fmt.Sprint(d.temps), 1))
	d.mu.Unlock()
	return d.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
}

// Rename gives a file another name, in place of what has it.
func (d *Disk) Rename(from, to string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	from, to = filepath.Clean(from), filepath.Clean(to)
	if err := d.op("rename", from); err != nil {
		return err
	}
	n := d.names[from]
	if n == nil {
		return &fs.PathError{Op: "rename", Path: from, Err: syscall.ENOENT}
	}
	if old := d.names[to]; old != nil && old.folder {
		return &fs.PathError{Op: "rename", Path: to, Err: syscall.EISDIR}
	}
	d.set(to, n)
	d.set(from, nil)
	return nil
}

// Remove takes a name away.
func (d *Disk) Remove(name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	name = filepath.Clean(name)
	if err := d.op("remove", name); err != nil {
		return err
	}
	if d.names[name] == nil {
		return &fs.PathError{Op: "remove", Path: name, Err: syscall.ENOENT}
	}
	d.set(name, nil)
	return nil
}

// Stat describes a file.
func (d *Disk) Stat(name string) (fs.FileInfo, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	name = filepath.Clean(name)
	if err := d.op("stat", name); err != nil {
		return nil, err
	}
	n := d.names[name]
	if n == nil {
		return nil, &fs.PathError{Op: "stat", Path: name, Err: syscall.ENOENT}
	}
	return info{filepath.Base(name), int64(len(n.data)), n.mode, n.folder}, nil
}

// ReadDir lists a folder.
func (d *Disk) ReadDir(name string) ([]fs.DirEntry, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	name = filepath.Clean(name)
	if err := d.op("readdir", name); err != nil {
		return nil, err
	}
	if n := d.names[name]; n == nil || !n.folder {
		return nil, &fs.PathError{Op: "readdir", Path: name, Err: syscall.ENOENT}
	}
	var list []fs.DirEntry
	for _, full := range slices.Sorted(maps.Keys(d.names)) {
		if n := d.names[full]; full != name && filepath.Dir(full) == name {
			list = append(list, fs.FileInfoToDirEntry(info{filepath.Base(full), int64(len(n.data)), n.mode, n.folder}))
		}
	}
	return list, nil
}

// MkdirAll makes folders.
func (d *Disk) MkdirAll(name string, mode fs.FileMode) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	name = filepath.Clean(name)
	if err := d.op("mkdir", name); err != nil {
		return err
	}
	if n := d.names[name]; n != nil {
		if n.folder {
			return nil
		}
		return &fs.PathError{Op: "mkdir", Path: name, Err: syscall.ENOTDIR}
	}
	d.set(name, &inode{folder: true, mode: mode})
	return nil
}

// file is an open file.
type file struct {
	disk *Disk
	name string
	node *inode
	at   int
}

// Name returns the name that it was opened by.
func (f *file) Name() string { return f.name }

// Read reads on.
func (f *file) Read(b []byte) (int, error) {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if err := f.disk.op("read", f.name); err != nil {
		return 0, err
	}
	if f.at >= len(f.node.data) {
		return 0, io.EOF
	}
	n := copy(b, f.node.data[f.at:])
	f.at += n
	return n, nil
}

// Write appends. A failing write has written the half of it.
func (f *file) Write(b []byte) (int, error) {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	err := f.disk.op("write", f.name)
	if err != nil {
		b = b[:len(b)/2]
	}
	f.node.data = append(slices.Clone(f.node.data), b...)
	return len(b), err
}

// Stat describes the file.
func (f *file) Stat() (fs.FileInfo, error) {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if err := f.disk.op("fstat", f.name); err != nil {
		return nil, err
	}
	return info{filepath.Base(f.name), int64(len(f.node.data)), f.node.mode, f.node.folder}, nil
}

// Sync makes a file's content, or a folder's names, outlive a cut.
func (f *file) Sync() error {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if err := f.disk.op("sync", f.name); err != nil {
		return err
	}
	if !f.node.folder {
		f.node.kept = slices.Clone(f.node.data)
		return nil
	}
	var left []move
	for _, m := range f.disk.moves {
		switch {
		case filepath.Dir(m.name) != f.name:
			left = append(left, m)
		case m.to == nil:
			delete(f.disk.kept, m.name)
		default:
			f.disk.kept[m.name] = m.to
		}
	}
	f.disk.moves = left
	return nil
}

// Close closes it.
func (f *file) Close() error {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	return f.disk.op("close", f.name)
}

// info describes a file.
type info struct {
	name   string
	size   int64
	mode   fs.FileMode
	folder bool
}

// Name returns the last element of the path.
func (i info) Name() string { return i.name }

// Size returns the length in bytes.
func (i info) Size() int64 { return i.size }

// Mode returns type and permissions.
func (i info) Mode() fs.FileMode {
	if i.folder {
		return i.mode | fs.ModeDir
	}
	return i.mode
}

// ModTime returns no time: nothing asks for it.
func (i info) ModTime() time.Time { return time.Time{} }

// IsDir reports whether it is a folder.
func (i info) IsDir() bool { return i.folder }

// Sys returns nothing.
func (i info) Sys() any { return nil }
