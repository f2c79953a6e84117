// Package disk has the file operations that the agent does on its card, in one place, so that tests
// can let each of them fail, and the power be cut between any two.
package disk

import (
	"io"
	"io/fs"
	"os"
	"sync/atomic"
)

// Disk does file operations as package os does.
type Disk interface {
	Open(name string) (File, error)
	OpenFile(name string, flag int, mode fs.FileMode) (File, error)
	CreateTemp(dir, pattern string) (File, error)
	Rename(from, to string) error
	Remove(name string) error
	Stat(name string) (fs.FileInfo, error)
	ReadDir(name string) ([]fs.DirEntry, error)
	MkdirAll(name string, mode fs.FileMode) error
}

// File is an open file or folder.
type File interface {
	io.Reader
	io.Writer
	Name() string
	Stat() (fs.FileInfo, error)
	Sync() error
	Close() error
}

var current atomic.Pointer[Disk]

func init() { Use(system{}) }

// Use has the process work on another disk, and returns what undoes that. It is for tests.
func Use(d Disk) (undo func()) {
	before := current.Swap(&d)
	return func() { current.Store(before) }
}

// Now returns the disk to work on.
func Now() Disk { return *current.Load() }

// ReadFile reads a whole file.
func ReadFile(name string) ([]byte, error) {
	f, err := Now().Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(f)
}

// system is the disk of the operating system.
type system struct{}

func (system) Open(name string) (File, error) { return opened(os.Open(name)) }
func (system) OpenFile(name string, flag int, mode fs.FileMode) (File, error) {
	return opened(os.OpenFile(name, flag, mode))
}

func (system) CreateTemp(dir, pattern string) (File, error) {
	return opened(os.CreateTemp(dir, pattern))
}
func (system) Rename(from, to string) error                 { return os.Rename(from, to) }
func (system) Remove(name string) error                     { return os.Remove(name) }
func (system) Stat(name string) (fs.FileInfo, error)        { return os.Stat(name) }
func (system) ReadDir(name string) ([]fs.DirEntry, error)   { return os.ReadDir(name) }
func (system) MkdirAll(name string, mode fs.FileMode) error { return os.MkdirAll(name, mode) }

// opened keeps a nil file from becoming an interface that isn't nil.
func opened(f *os.File, err error) (File, error) {
	if err != nil {
		return nil, err
	}
	return f, nil
}
