package main

import (
	"fmt"
	"io"
	"os"
)

// openInput opens a file to read, standard input for "-", and gives the name that errors call it
// by.
func openInput(name string, stdin io.Reader) (io.ReadCloser, string, error) {
	if name == "-" {
		return io.NopCloser(stdin), "standard input", nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, "", usageError{fmt.Errorf("read curve: %w", err)}
	}
	return f, name, nil
}

type nopCloser struct{ io.Writer }

func (nopCloser) Close() error { return nil }

// createOutput creates a file to write, standard output for "-".
func createOutput(name string, stdout io.Writer) (io.WriteCloser, error) {
	if name == "-" {
		return nopCloser{stdout}, nil
	}
	f, err := os.Create(name)
	if err != nil {
		return nil, usageError{fmt.Errorf("create output: %w", err)}
	}
	return f, nil
}
