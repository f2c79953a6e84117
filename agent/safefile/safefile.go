// Package safefile writes small documents to a card that may lose power at any instant: the saved
// state, a draft of a visit, a PIN.
//
// [Save] writes a document beside the old one, syncs it, and renames it into place. The one before
// stays as a second chance. Each document carries its length and checksum in a first line, so that
// a torn one is told from a whole one. A damaged file is renamed, never deleted.
package safefile

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"liftbank/agent/disk"
)

// mark begins the first line; the number is the version of that line, not of the document.
const mark = "liftbank-document 1"

// Suffixes of the files beside a document.
const (
	previousSuffix = ".previous"
	damagedSuffix  = ".damaged"
	newSuffix      = ".new"
	refusedSuffix  = ".refused"
)

// Unfinished matches what a WriteFile that was cut short leaves behind in its folder.
const Unfinished = ".new-*"

// MaxSize is the largest size of a document, in bytes.
const MaxSize = 8 << 20

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// ErrUnreadable says that a document is there and can't be read now: the card fails, or the mode is
// wrong. That is not the same as no document, and nothing is written over it.
var ErrUnreadable = errors.New("there, but can't be read: nothing is written over it")

// Save writes a document. Once it has returned nil, the document outlives a power cut. After an
// error the old one is still there. A damaged one is renamed first. The error is ErrUnreadable where
// the old one can't be read.
func Save(path string, document []byte) error {
	if len(document) > MaxSize {
		return fmt.Errorf("safefile: %s: %d bytes: want %d or fewer", path, len(document), MaxSize)
	}
	head := fmt.Appendf(nil, "%s %d %08x\n", mark, len(document), crc32.Checksum(document, castagnoli))
	if err := writeSynced(path+newSuffix, append(head, document...)); err != nil {
		return fmt.Errorf("safefile: %w", errors.Join(err, remove(path+newSuffix)))
	}
	if err := makeWay(path); err != nil {
		return fmt.Errorf("safefile: %w", errors.Join(err, remove(path+newSuffix)))
	}
	if err := disk.Now().Rename(path+newSuffix, path); err != nil {
		return fmt.Errorf("safefile: %w", err)
	}
	return SyncDir(filepath.Dir(path))
}

// makeWay gives the document that is there another name. Only an undamaged one may become the second
// chance.
func makeWay(path string) error {
	_, err := read(path)
	switch {
	case err == nil:
		return disk.Now().Rename(path, path+previousSuffix)
	case errors.Is(err, errDamaged):
		return disk.Now().Rename(path, path+damagedSuffix)
	case errors.Is(err, fs.ErrNotExist):
		return nil
	}
	return fmt.Errorf("%w: %w", ErrUnreadable, err)
}

// WriteFile replaces a file in one step, readable for its owner alone. Whoever reads it has the
// whole old or the whole new one, and once WriteFile has returned nil, the new one outlives a power
// cut. It is for files that other programs read too, so they carry no checksum.
func WriteFile(path string, data []byte) error {
	return Replace(path, data, func(disk.File) error { return nil })
}

// Replace is WriteFile for a file of another owner or mode: prepare gives it to whom it belongs
// before it takes its place.
func Replace(path string, data []byte, prepare func(disk.File) error) (err error) {
	f, err := disk.Now().CreateTemp(filepath.Dir(path), Unfinished) // mode 0600
	if err != nil {
		return fmt.Errorf("safefile: %w", err)
	}
	_, err = f.Write(data)
	if err = errors.Join(err, prepare(f), f.Sync(), f.Close()); err == nil {
		err = disk.Now().Rename(f.Name(), path)
	}
	if err != nil {
		return fmt.Errorf("safefile: %w", errors.Join(err, disk.Now().Remove(f.Name())))
	}
	return SyncDir(filepath.Dir(path))
}

// Load returns the newest undamaged document, or nil without an error if none was ever saved. It
// renames a damaged file and reports it in err, which may come together with the document before
// it. The error is ErrUnreadable where a document is there that can't be read: the caller may try
// again, but must not take the one before it, or nothing, in its place.
func Load(path string) (document []byte, err error) {
	var errs []error
	for _, p := range []string{path, path + previousSuffix} {
		document, err := read(p)
		switch {
		case err == nil:
			return document, errors.Join(errs...)
		case errors.Is(err, errDamaged):
			errs = append(errs, err, disk.Now().Rename(p, p+damagedSuffix))
		case !errors.Is(err, fs.ErrNotExist):
			return nil, errors.Join(append(errs, fmt.Errorf("safefile: %w: %w", ErrUnreadable, err))...)
		}
	}
	return nil, errors.Join(errs...)
}

// Look returns the newest undamaged document as Load does, and changes nothing. A damaged one is in
// the error.
func Look(path string) (document []byte, err error) {
	var errs []error
	for _, p := range []string{path, path + previousSuffix} {
		document, err := read(p)
		switch {
		case err == nil:
			return document, errors.Join(errs...)
		case !errors.Is(err, fs.ErrNotExist):
			errs = append(errs, fmt.Errorf("safefile: %w", err))
		}
	}
	return nil, errors.Join(errs...)
}

// SetAside renames a document that is whole and of no use, and returns its new name. The one before
// it stays where it is.
func SetAside(path string) (to string, err error) {
	to = path + refusedSuffix
	if err := disk.Now().Rename(path, to); err != nil {
		return "", fmt.Errorf("safefile: %w", err)
	}
	return to, SyncDir(filepath.Dir(path))
}

var errDamaged = errors.New("damaged")

func read(path string) ([]byte, error) {
	f, err := disk.Now().Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.Size() > MaxSize+256 || !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: %d bytes, %v: %w", path, info.Size(), info.Mode(), errDamaged)
	}
	raw := make([]byte, info.Size())
	if _, err := io.ReadFull(f, raw); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	document, err := unwrap(raw)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return document, nil
}

// unwrap checks the first line against what follows it.
func unwrap(raw []byte) ([]byte, error) {
	line, document, ok := bytes.Cut(raw, []byte("\n"))
	if !ok {
		return nil, fmt.Errorf("no first line: %w", errDamaged)
	}
	want := fmt.Appendf(nil, "%s %d %08x", mark, len(document), crc32.Checksum(document, castagnoli))
	if !bytes.Equal(line, want) {
		return nil, fmt.Errorf("first line %.60q: want %q: %w", line, want, errDamaged)
	}
	return document, nil
}

func writeSynced(path string, data []byte) (err error) {
	f, err := disk.Now().OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err := f.Write(data); err != nil {
		return err
	}
	return f.Sync()
}

func remove(path string) error {
	if err := disk.Now().Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("safefile: %w", err)
	}
	return nil
}

// MakeDir makes a folder that outlives a power cut, if it isn't there.
func MakeDir(dir string, mode fs.FileMode) error {
	if _, err := disk.Now().Stat(dir); err == nil {
		return nil
	}
	if err := disk.Now().MkdirAll(dir, mode); err != nil {
		return fmt.Errorf("safefile: %w", err)
	}
	return SyncDir(filepath.Dir(dir))
}

// SyncDir makes the names in a folder outlive a power cut.
func SyncDir(dir string) error {
	d, err := disk.Now().Open(dir)
	if err != nil {
		return fmt.Errorf("safefile: %w", err)
	}
	return errors.Join(d.Sync(), d.Close())
}
