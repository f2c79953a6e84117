package main

import (
	"bufio"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/big"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/term"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/pin"
	"liftbank/agent/safefile"
	"liftbank/cmd/internal/access"
)

type pinCmd struct {
	File  string `required:"" placeholder:"FILE" help:"File to write; visits.pin_file in the configuration."`
	Make  bool   `help:"Generate a six-digit PIN and print it instead of reading one from standard input."`
	Group string `placeholder:"GROUP" help:"Let this group read the file. Without it, the owner, group and mode of an existing file are kept, and root gives a new one to liftbank-secrets, where the service is, if this machine has that group."`
}

// Help returns an example.
func (pinCmd) Help() string {
	return "The file holds a salted hash, not the PIN. A new PIN ends all sessions. The agent reads the file when " +
		"it starts; one that it can't use then it tries again every half minute. On a terminal the PIN is not shown, and asked for twice.\n\n" +
		"Example: liftbank pin --file /etc/liftbank/pin"
}

// Run sets the PIN.
func (c pinCmd) Run(s streams) error {
	belongs, err := c.owner()
	if err != nil {
		return usageError{err}
	}
	code, err := c.code(s)
	if err != nil {
		return usageError{err}
	}
	secret, err := pin.Make(code)
	if err != nil {
		return usageError{err}
	}
	path := c.File
	if target, err := filepath.EvalSymlinks(path); err == nil {
		path = target // the link stays
	}
	if err := safefile.Replace(path, []byte(secret.Text()), belongs.give); err != nil {
		return fmt.Errorf("PIN: %w", err)
	}
	if c.Make {
		_, err = fmt.Fprintln(s.out, code)
	}
	return errors.Join(err, c.sayWhoReads(s))
}

// sayWhoReads says whose the file is now, and what lets the service read it where this machine has
// the service's group.
func (c pinCmd) sayWhoReads(s streams) error {
	info, err := os.Stat(c.File)
	if err != nil {
		return fmt.Errorf("PIN: %w", err)
	}
	fmt.Fprintf(s.err, "%s written: %s\n", c.File, access.Owner(info))
	if _, err := user.LookupGroup(access.Secrets); err != nil {
		return nil
	}
	service, err := access.Lookup(access.Service)
	if err == nil {
		err = service.Read(c.File)
	}
	if err != nil {
		fmt.Fprintf(s.err, "the service can't read it: %v: want --group %s\n", err, access.Secrets)
	}
	return nil
}

// owner returns whom the file is to belong to.
func (c pinCmd) owner() (belongsTo, error) {
	b, err := existing(c.File)
	if err != nil {
		return b, fmt.Errorf("PIN: %w", err)
	}
	name := c.Group
	if name == "" && !b.there && os.Geteuid() == 0 {
		name = access.Secrets
	}
	if name == "" {
		return b, nil
	}
	g, err := user.LookupGroup(name)
	if err != nil {
		if c.Group == "" {
			return b, nil // not a machine with the service
		}
		return b, fmt.Errorf("--group %s: not on this machine: want one of its groups", name)
	}
	gid, err := strconv.Atoi(g.Gid)
	if err != nil {
		return b, fmt.Errorf("--group %s: id %s: want a number", name, g.Gid)
	}
	b.gid, b.mode = gid, b.mode|0o040
	return b, nil
}

// belongsTo is whom a file belongs to, and what they may do with it.
type belongsTo struct {
	there    bool // the file is there already
	uid, gid int  // -1: as the system makes it
	mode     fs.FileMode
}

// give gives a file to whom it is to belong to.
func (b belongsTo) give(f disk.File) error {
	file, ok := f.(*os.File)
	if !ok {
		return fmt.Errorf("%s: not a file of this system", f.Name())
	}
	if err := b.chown(file); err != nil {
		return err
	}
	return file.Chmod(b.mode)
}

// share gives a file that is there to whom it is to belong to.
func (b belongsTo) share(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(b.give(f), f.Close())
}

func (c pinCmd) code(s streams) (string, error) {
	if c.Make {
		return newPIN(), nil
	}
	prompt := fmt.Sprintf("PIN of %d to %d digits: ", pin.Shortest, pin.Longest)
	if f, ok := s.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return hiddenPIN(s, int(f.Fd()), prompt)
	}
	fmt.Fprint(s.err, prompt)
	line, err := bufio.NewReader(io.LimitReader(s.in, 1000)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read PIN: %w", err)
	}
	return strings.TrimSpace(line), nil
}

// hiddenPIN asks for a PIN on a terminal twice, without showing it.
func hiddenPIN(s streams, terminal int, prompt string) (string, error) {
	code, err := hiddenLine(s, terminal, prompt)
	if err != nil {
		return "", err
	}
	if err := pin.Check(code); err != nil {
		return "", err
	}
	again, err := hiddenLine(s, terminal, "the same again: ")
	if err != nil {
		return "", err
	}
	if again != code {
		return "", errors.New("PIN: not the same twice: nothing was changed")
	}
	return code, nil
}

// hiddenLine reads a line from a terminal, without showing it. Nothing can end a read of a terminal:
// after Ctrl-C it is left behind, and the process ends.
func hiddenLine(s streams, terminal int, prompt string) (string, error) {
	before, err := term.GetState(terminal)
	if err != nil {
		return "", fmt.Errorf("read from the terminal: %w", err)
	}
	type result struct {
		line []byte
		err  error
	}
	fmt.Fprint(s.err, prompt)
	read := make(chan result, 1)
	go func() {
		line, err := term.ReadPassword(terminal)
		read <- result{line, err}
	}()
	select {
	case r := <-read:
		fmt.Fprintln(s.err) // the terminal didn't show the end of the line either
		if r.err != nil {
			return "", fmt.Errorf("read from the terminal: %w", r.err)
		}
		return strings.TrimSpace(string(r.line)), nil
	case <-s.ctx.Done():
		return "", errors.Join(errors.New("read from the terminal: interrupted"), term.Restore(terminal, before))
	}
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

// demoVisits gives a demonstration a folder for visits, and a PIN of its own where none is given.
// Without a folder for data it is taken away again. code is the PIN in words.
func demoVisits(cfg *config.Config, data, pinFile string) (code string, forget func() error, err error) {
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
	cfg.Visits.Dir = filepath.Join(dir, "visits")
	if pinFile != "" {
		cfg.Visits.PINFile = pinFile
		return "that of " + pinFile, forget, nil
	}
	code = newPIN()
	secret, err := pin.Make(code)
	if err == nil {
		cfg.Visits.PINFile = filepath.Join(dir, "pin")
		err = secret.Save(cfg.Visits.PINFile)
	}
	if err != nil {
		return "", forget, errors.Join(err, forget())
	}
	return code, forget, nil
}
