package main

import (
	"bufio"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"math/big"
	"os"
	"path/filepath"
	"strings"

	"liftbank/agent/config"
	"liftbank/agent/pin"
)

type pinCmd struct {
	File string `required:"" placeholder:"FILE" help:"File to write; visits.pin_file in the configuration."`
	Make bool   `help:"Generate a six-digit PIN and print it instead of reading one from standard input."`
}

// Help returns an example.
func (pinCmd) Help() string {
	return "The file holds a salted hash, not the PIN. A new PIN ends all sessions. The agent reads the file when " +
		"it starts.\n\n" +
		"Example: liftbank pin --file /etc/liftbank/pin"
}

// Run sets the PIN.
func (c pinCmd) Run(s streams) error {
	code, err := c.code(s)
	if err != nil {
		return usageError{err}
	}
	secret, err := pin.Make(code)
	if err != nil {
		return usageError{err}
	}
	if err := secret.Save(c.File); err != nil {
		return err
	}
	if c.Make {
		_, err = fmt.Fprintln(s.out, code)
	}
	return err
}

func (c pinCmd) code(s streams) (string, error) {
	if c.Make {
		return newPIN(), nil
	}
	fmt.Fprintf(s.err, "PIN of %d to %d digits: ", pin.Shortest, pin.Longest)
	line, err := bufio.NewReader(io.LimitReader(s.in, 1000)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read PIN: %w", err)
	}
	return strings.TrimSpace(line), nil
}

// newPIN returns six random digits that pass the check.
func newPIN() string {
	for {
		n, err := rand.Int(rand.Reader, big.NewInt(1_000_000))
		if err != nil {
			panic("bug: " + err.Error()) // the system's random source never fails
		}
		if code := fmt.Sprintf("%06d", n); pin.Check(code) == nil {
			return code
		}
	}
}

// demoVisits returns a demonstration a folder for visits and a PIN of its own. Without a folder for
// data it is taken away again.
func demoVisits(cfg *config.Config, data string) (code string, forget func() error, err error) {
	forget = func() error { return nil }
	dir := data
	if dir == "" {
		if dir, err = os.MkdirTemp("", "liftbank-demo-"); err != nil {
			return "", forget, err
		}
		forget = func() error { return os.RemoveAll(dir) }
	} else if err = os.MkdirAll(dir, 0o755); err != nil {
		return "", forget, usageError{fmt.Errorf("--data: %w", err)}
	}
	code = newPIN()
	secret, err := pin.Make(code)
	if err == nil {
		cfg.Visits.Dir, cfg.Visits.PINFile = filepath.Join(dir, "visits"), filepath.Join(dir, "pin")
		err = secret.Save(cfg.Visits.PINFile)
	}
	if err != nil {
		return "", forget, errors.Join(err, forget())
	}
	return code, forget, nil
}
