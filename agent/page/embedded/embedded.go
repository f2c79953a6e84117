// Package embedded reads the files that are in the program itself.
package embedded

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"io"
	"io/fs"
	"sync"
)

// unpackers are kept for the next file: most are read one after the other at the start.
var unpackers = sync.Pool{New: func() any { return new(gzip.Reader) }}

// Read returns what a file holds. The board's program has its files packed with gzip, so that it is
// smaller; other programs have them as they are.
func Read(files fs.FS, name string) ([]byte, error) {
	content, err := fs.ReadFile(files, name)
	if err != nil || !bytes.HasPrefix(content, []byte("\x1f\x8b")) { // RFC 1952: no text and no PNG begins so
		return content, err
	}
	plain, err := unpack(content)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return plain, nil
}

func unpack(content []byte) ([]byte, error) {
	z := unpackers.Get().(*gzip.Reader)
	defer unpackers.Put(z)
	if err := z.Reset(bytes.NewReader(content)); err != nil {
		return nil, err
	}
	size := binary.LittleEndian.Uint32(content[len(content)-4:]) // the format ends so
	if size > mostBytes {
		return nil, fmt.Errorf("%d bytes unpacked: want at most %d", size, mostBytes)
	}
	b := bytes.NewBuffer(make([]byte, 0, size+bytes.MinRead))
	_, err := io.Copy(b, z)
	return b.Bytes(), err
}

const mostBytes = 16 << 20 // of one file; our choice
