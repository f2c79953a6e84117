package main

import (
	"bufio"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"liftbank/agent"
	"liftbank/agent/config"
)

// openInput opens a file to read, standard input for "-", and gives the name that errors call it
// by. One that begins as gzip does is read through it.
func openInput(name string, stdin io.Reader) (io.ReadCloser, string, error) {
	in, shown := io.NopCloser(stdin), "standard input"
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, "", usageError{fmt.Errorf("read curve: %w", err)}
		}
		if info, err := f.Stat(); err == nil && info.IsDir() {
			return nil, "", errors.Join(usageError{fmt.Errorf("read curve: %s: is a folder: want a file", name)}, f.Close())
		}
		in, shown = f, name
	}
	b := bufio.NewReaderSize(in, 64<<10)
	if magic, err := b.Peek(2); err != nil || magic[0] != 0x1f || magic[1] != 0x8b {
		return readCloser{b, in}, shown, nil
	}
	z, err := gzip.NewReader(b)
	if err != nil {
		return nil, "", errors.Join(usageError{fmt.Errorf("read %s: %w", shown, err)}, in.Close())
	}
	return readCloser{z, in}, shown, nil
}

// readAll reads a small file whole, standard input for "-", and gives the name that errors call it
// by.
func readAll(name string, stdin io.Reader) (data []byte, shown string, err error) {
	const most = 1 << 20 // bytes: more than the reader of any such file takes
	if name == "-" {
		data, err = io.ReadAll(io.LimitReader(stdin, most))
		return data, "standard input", err
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, name, err
	}
	data, err = io.ReadAll(io.LimitReader(f, most))
	return data, name, errors.Join(err, f.Close())
}

// loadConfig reads a unit's configuration, from standard input for "-". An error that lasts until
// somebody does something about it is a configError; one of a card that fails to read is not.
func loadConfig(name string, stdin io.Reader) (config.Config, error) {
	return readConfig(name, stdin, config.Parse)
}

// readConfig is loadConfig for one of the ways to read a configuration.
func readConfig(name string, stdin io.Reader, parse configReader) (config.Config, error) {
	cfg, _, err := readUnit(name, stdin, parse)
	return cfg, err
}

// loadUnit reads a unit's configuration as loadConfig does, and returns its text, too.
func loadUnit(name string, stdin io.Reader) (config.Config, []byte, error) {
	return readUnit(name, stdin, config.Parse)
}

func readUnit(name string, stdin io.Reader, parse configReader) (config.Config, []byte, error) {
	data, shown, err := readAll(name, stdin)
	if err != nil {
		err = fmt.Errorf("read config: %w", err)
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EISDIR) ||
			errors.Is(err, syscall.ENOTDIR) {
			err = configError{err}
		}
		return config.Config{}, nil, err
	}
	cfg, err := parse.valid(shown, data)
	if err != nil {
		return config.Config{}, nil, configError{err}
	}
	return cfg, data, nil
}

// configReader is config.Parse, or config.Check for who writes a file.
type configReader func(file string, data []byte) (config.Config, error)

// parseConfig reads a unit's configuration from data.
func parseConfig(shown string, data []byte) (config.Config, error) {
	return configReader(config.Parse).valid(shown, data)
}

// valid reads a configuration that the rules take, too.
func (parse configReader) valid(shown string, data []byte) (config.Config, error) {
	cfg, err := parse(shown, data)
	if err != nil {
		return config.Config{}, err
	}
	if _, err := agent.RulesConfig(&cfg); err != nil {
		return config.Config{}, fmt.Errorf("%s: %w", shown, err)
	}
	return cfg, nil
}

// writeJSON writes v as indented JSON.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// readCloser reads from one and closes the other.
type readCloser struct {
	io.Reader
	io.Closer
}

// output is a file under way. It is written beside its place and put there when all went well, so
// that nothing is lost of a file of that name until then.
type output struct {
	io.Writer
	file *os.File // nil: standard output
	path string   // where it goes; empty: it is written in place, as devices are
}

// createOutput begins a file, standard output for "-". It must be ended by finish. inputs are the
// files that are read; writing over one is refused.
func createOutput(name string, stdout io.Writer, inputs ...string) (*output, error) {
	if name == "-" {
		return &output{Writer: stdout}, nil
	}
	there, err := os.Stat(name)
	for _, in := range inputs {
		if i, inErr := os.Stat(in); err == nil && inErr == nil && os.SameFile(there, i) {
			return nil, usageError{fmt.Errorf("create output: %s: is also what is read (%s): want another file", name, in)}
		}
	}
	if err == nil && !there.Mode().IsRegular() && !there.IsDir() {
		f, err := os.OpenFile(name, os.O_WRONLY, 0)
		if err != nil {
			return nil, usageError{fmt.Errorf("create output: %w", err)}
		}
		return &output{Writer: f, file: f}, nil
	}
	if target, err := filepath.EvalSymlinks(name); err == nil {
		name = target
	}
	if err == nil && there.IsDir() {
		return nil, usageError{fmt.Errorf("create output: %s: is a folder: want a file", name)}
	}
	mode := os.FileMode(0o666)
	if err == nil {
		mode = there.Mode().Perm()
	}
	f, err := os.OpenFile(fmt.Sprintf("%s.%d.new", name, os.Getpid()), os.O_CREATE|os.O_TRUNC|os.O_WRONLY, mode)
	if err != nil {
		return nil, usageError{fmt.Errorf("create output: %w", err)}
	}
	return &output{Writer: f, file: f, path: name}, nil
}

// finish ends a file: it is put in its place if err, what became of the command, is nil, and
// removed otherwise. It returns err with what went wrong here.
func (o *output) finish(err error) error {
	if o.file == nil {
		return err
	}
	if closeErr := o.file.Close(); closeErr != nil {
		err = errors.Join(err, fmt.Errorf("write output: %w", closeErr))
	}
	switch {
	case o.path == "":
		return err
	case err != nil:
		return errors.Join(err, os.Remove(o.file.Name()))
	}
	if err := os.Rename(o.file.Name(), o.path); err != nil {
		return fmt.Errorf("write output: %w", err)
	}
	return nil
}
