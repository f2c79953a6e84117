package recording

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Input is one file of a recording.
type Input struct {
	Name  string // for errors
	Bytes int64  // its size; 0 if that is not known
	Open  func() (io.ReadCloser, error)
}

// Names that files of a recording end with. One that is being written, or was when the power went,
// ends with Partial.
const (
	Suffix  = ".csv.gz"
	Partial = Suffix + ".part"
)

// Inputs returns the files of a recording: one, or all of a folder in the order of their names.
func Inputs(path string) ([]Input, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("read recording: %w", err)
	}
	if !info.IsDir() {
		return []Input{fileInput(path, info.Size())}, nil
	}
	entries, err := os.ReadDir(path)
	if err != nil {
		return nil, fmt.Errorf("read recording: %w", err)
	}
	var all []Input
	for _, e := range entries {
		name := e.Name()
		if e.IsDir() || !strings.HasSuffix(name, Suffix) && !strings.HasSuffix(name, Partial) &&
			!strings.HasSuffix(name, ".csv") {
			continue
		}
		size := int64(0)
		if info, err := e.Info(); err == nil {
			size = info.Size()
		}
		all = append(all, fileInput(filepath.Join(path, name), size))
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("read recording: %s: no file that ends in %s, %s or .csv", path, Suffix, Partial)
	}
	slices.SortStableFunc(all, func(a, b Input) int { return strings.Compare(a.Name, b.Name) })
	return all, nil
}

func fileInput(path string, size int64) Input {
	return Input{Name: path, Bytes: size, Open: func() (io.ReadCloser, error) {
		f, err := os.Open(path)
		if err != nil {
			return nil, fmt.Errorf("read recording: %w", err)
		}
		return f, nil
	}}
}
