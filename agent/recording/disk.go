package recording

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// copyDir is the folder of the copy to take along, in the recorder's.
const copyDir = "copy"

// disk is the files of a recorder. All but copy belongs to one goroutine.
type disk struct {
	dir, unit string
	most      int64
	now       func() time.Time

	file     *os.File // nil: none is being written
	path     string   // without the ending of one that is being written
	gz       *gzip.Writer
	size     int64 // of it, compressed
	begunAt  time.Time
	flushed  time.Time
	failedAt time.Time

	copying sync.Mutex
}

func (d *disk) open() bool { return d.file != nil }

// Write counts what goes to the file, for gzip.
func (d *disk) Write(p []byte) (int, error) {
	n, err := d.file.Write(p)
	d.size += int64(n)
	return n, err
}

// begin completes the file under way, makes room and begins another.
func (d *disk) begin() error {
	if err := d.close(); err != nil {
		return err
	}
	all, err := d.list()
	if err != nil {
		return err
	}
	if err := d.makeRoom(all); err != nil {
		return err
	}
	number := 1
	if len(all) > 0 {
		number = all[len(all)-1].number + 1
	}
	d.path = filepath.Join(d.dir, fmt.Sprintf("%s-%08d%s", d.unit, number, Suffix))
	f, err := os.OpenFile(d.path+partialEnd, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err != nil {
		return fmt.Errorf("begin file: %w", err)
	}
	d.file, d.size, d.begunAt, d.flushed = f, 0, d.now(), d.now()
	if d.gz == nil {
		d.gz, _ = gzip.NewWriterLevel(d, gzip.BestSpeed) // an error means a wrong level only
	} else {
		d.gz.Reset(d)
	}
	return nil
}

var partialEnd = strings.TrimPrefix(Partial, Suffix)

func (d *disk) write(b []byte) error {
	if _, err := d.gz.Write(b); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	if now := d.now(); now.Sub(d.flushed) >= flushEvery {
		d.flushed = now
		if err := d.gz.Flush(); err != nil {
			return fmt.Errorf("write: %w", err)
		}
	}
	return nil
}

// full reports whether another file should begin.
func (d *disk) full() bool {
	return d.size >= d.most/segments || d.now().Sub(d.begunAt) >= segmentTime
}

// close completes the file under way and gives it its name.
func (d *disk) close() error {
	if d.file == nil {
		return nil
	}
	f := d.file
	err := errors.Join(d.gz.Close(), f.Sync())
	d.file = nil
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("complete file: %w", err)
	}
	if err := os.Rename(d.path+partialEnd, d.path); err != nil {
		return fmt.Errorf("complete file: %w", err)
	}
	return nil
}

// abandon leaves the file under way as it is.
func (d *disk) abandon() {
	d.failedAt = d.now()
	if d.file != nil {
		_ = d.file.Close() // the failure before it is the one to tell
		d.file = nil
	}
}

// segment is one file of the recording.
type segment struct {
	path    string
	number  int
	partial bool
	size    int64
}

// list returns the files of this unit in order.
func (d *disk) list() ([]segment, error) {
	entries, err := os.ReadDir(d.dir)
	if err != nil {
		return nil, fmt.Errorf("list files: %w", err)
	}
	var all []segment
	for _, e := range entries {
		s := segment{path: filepath.Join(d.dir, e.Name())}
		rest, ok := strings.CutPrefix(e.Name(), d.unit+"-")
		if rest, s.partial = strings.CutSuffix(rest, partialEnd); !ok {
			continue
		}
		digits, ok := strings.CutSuffix(rest, Suffix)
		if s.number, err = strconv.Atoi(digits); err != nil || !ok {
			continue
		}
		if info, err := e.Info(); err == nil {
			s.size = info.Size()
		}
		all = append(all, s)
	}
	slices.SortStableFunc(all, func(a, b segment) int { return a.number - b.number })
	return all, nil
}

// makeRoom removes the oldest files until another one fits into the bound.
func (d *disk) makeRoom(all []segment) error {
	total := d.most / segments
	for _, s := range all {
		total += s.size
	}
	for _, s := range all {
		if total <= d.most {
			break
		}
		if err := os.Remove(s.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("make room: %w", err)
		}
		total -= s.size
	}
	return nil
}

// recover completes the files that an earlier start could not, up to where they were cut.
func (d *disk) recover() error {
	all, err := d.list()
	if err != nil {
		return err
	}
	var errs []error
	for _, s := range all {
		if s.partial {
			errs = append(errs, complete(s.path))
		}
	}
	return errors.Join(errs...)
}

// complete writes the whole rows of a torn file to one of its final name.
func complete(path string) error {
	in, err := os.Open(path)
	if err != nil {
		return err
	}
	defer in.Close()
	final := strings.TrimSuffix(path, partialEnd)
	whole, err := replaceFile(final, func(w io.Writer) (any bool, err error) {
		z, err := gzip.NewReader(bufio.NewReader(in))
		if errors.Is(err, io.EOF) || damaged(err) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		out := gzip.NewWriter(w)
		any, err = copyLines(out, z)
		return any, errors.Join(err, out.Close())
	})
	if err != nil {
		return fmt.Errorf("complete %s: %w", path, err)
	}
	if !whole {
		err = os.Remove(final)
	}
	return errors.Join(err, os.Remove(path))
}

// copyLines copies whole lines up to the end, or to where the data are damaged.
func copyLines(w io.Writer, r io.Reader) (any bool, err error) {
	buf, kept := make([]byte, 64<<10), 0
	for {
		n, err := r.Read(buf[kept:])
		n += kept
		end := bytes.LastIndexByte(buf[:n], '\n') + 1
		if end > 0 {
			any = true
			if _, err := w.Write(buf[:end]); err != nil {
				return any, err
			}
		}
		kept = copy(buf, buf[end:n])
		switch {
		case err == io.EOF || damaged(err):
			return any, nil
		case err != nil:
			return any, err
		case kept == len(buf):
			return any, errors.New("line too long")
		}
	}
}

// replaceFile writes a file beside its place and then puts it there.
func replaceFile(path string, write func(io.Writer) (bool, error)) (any bool, err error) {
	temp := path + ".new"
	f, err := os.Create(temp)
	if err != nil {
		return false, err
	}
	any, err = write(f)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(temp, path)
	}
	if err != nil {
		return any, errors.Join(err, os.Remove(temp))
	}
	return any, nil
}

// copy puts all complete files one after the other into one. Other goroutines may call it.
func (d *disk) copy() copied {
	d.copying.Lock()
	defer d.copying.Unlock()
	path, err := d.concatenate()
	if err != nil {
		return copied{err: fmt.Errorf("copy recording: %w", err)}
	}
	return copied{path: path}
}

func (d *disk) concatenate() (string, error) {
	all, err := d.list()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(d.dir, copyDir)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	path := filepath.Join(dir, d.unit+"-"+d.now().UTC().Format("20060102T150405Z")+Suffix)
	any, err := replaceFile(path, func(w io.Writer) (any bool, err error) {
		for _, s := range all {
			if s.partial {
				continue
			}
			f, err := os.Open(s.path)
			if errors.Is(err, fs.ErrNotExist) {
				continue // it made room meanwhile
			}
			if err != nil {
				return any, err
			}
			any = true
			_, err = io.Copy(w, f)
			if err = errors.Join(err, f.Close()); err != nil {
				return any, err
			}
		}
		return any, nil
	})
	if err != nil {
		return "", err
	}
	if !any {
		return "", errors.Join(errNothing, os.Remove(path))
	}
	older, err := filepath.Glob(filepath.Join(dir, "*"+Suffix))
	for _, o := range older {
		if o != path {
			err = errors.Join(err, os.Remove(o))
		}
	}
	return path, err
}
