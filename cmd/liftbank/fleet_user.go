//go:build !board

package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/desk"
)

// fleetConfig is the flag of all commands that open the fleet's database.
type fleetConfig struct {
	Config string `required:"" placeholder:"FLEET.yaml" help:"Configuration file of the collector."`
}

// open opens the database. The collector may run meanwhile.
func (c fleetConfig) open(ctx context.Context) (*db.DB, desk.Store, error) {
	cfg, err := loadFleet(c.Config)
	if err != nil {
		return nil, nil, err
	}
	address, err := cfg.Database.Address()
	if err != nil {
		return nil, nil, err
	}
	d, err := db.Open(ctx, address, db.Options{})
	if err != nil {
		return nil, nil, err
	}
	return d, desk.Stored(d, time.Now), nil
}

// with runs something on the database.
func (c fleetConfig) with(ctx context.Context, do func(desk.Store) error) error {
	d, store, err := c.open(ctx)
	if err != nil {
		return err
	}
	return errors.Join(do(store), d.Close())
}

// whoRuns names who runs this command, for the audit trail.
func whoRuns() string {
	name := ""
	if u, err := user.Current(); err == nil {
		name = u.Username
	}
	return "command line, " + cmp.Or(name, "unknown")
}

type fleetUserCmd struct {
	Add      userAddCmd      `cmd:"" help:"Add an account, with its password from standard input."`
	List     userListCmd     `cmd:"" help:"List accounts and their roles."`
	Remove   userRemoveCmd   `cmd:"" help:"Remove an account; its sessions end."`
	Password userPasswordCmd `cmd:"" help:"Set an account's password, from standard input; its sessions end."`
}

// Help says what roles there are.
func (fleetUserCmd) Help() string {
	return "Roles: read sees all pages; desk also changes units' data and states of work; admin also accounts, and reads the " +
		"audit trail.\n\nExample: liftbank fleet user add kim --role desk --config /etc/liftbank/fleet.yaml"
}

type userAddCmd struct {
	Name string `arg:"" help:"Name to sign in with."`
	Role string `default:"read" enum:"read,desk,admin" help:"What the account may do: ${enum}."`
	fleetConfig
}

// Help gives an example.
func (userAddCmd) Help() string {
	return "On a terminal the password is not shown, and asked for twice.\n\n" +
		"Example: liftbank fleet user add kim --role desk --config /etc/liftbank/fleet.yaml"
}

// Run adds the account.
func (c userAddCmd) Run(s streams) error {
	if err := desk.CheckName(c.Name); err != nil {
		return usageError{err}
	}
	return c.with(s.ctx, func(store desk.Store) error {
		_, err := store.Account(s.ctx, c.Name)
		switch {
		case err == nil:
			return fmt.Errorf("account %s is there already: set its password with liftbank fleet user password", c.Name)
		case !errors.Is(err, desk.ErrUnknown):
			return err
		}
		password, err := readPassword(s)
		if err != nil {
			return err
		}
		a, err := desk.NewAccount(c.Name, desk.Role(c.Role), password)
		if err != nil {
			return usageError{err}
		}
		if err := store.SetAccount(s.ctx, whoRuns(), time.Now(), a); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.out, "%s: %s\n", a.Name, a.Role)
		return err
	})
}

type userListCmd struct{ fleetConfig }

// Help gives an example.
func (userListCmd) Help() string {
	return "Example: liftbank fleet user list --config /etc/liftbank/fleet.yaml"
}

// Run lists the accounts.
func (c userListCmd) Run(s streams) error {
	return c.with(s.ctx, func(store desk.Store) error {
		all, err := store.Accounts(s.ctx)
		if err != nil {
			return err
		}
		w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
		for _, a := range all {
			fmt.Fprintf(w, "%s\t%s\n", a.Name, a.Role)
		}
		return w.Flush()
	})
}

type userRemoveCmd struct {
	Name string `arg:"" help:"Name of the account."`
	fleetConfig
}

// Help gives an example.
func (userRemoveCmd) Help() string {
	return "Example: liftbank fleet user remove kim --config /etc/liftbank/fleet.yaml"
}

// Run removes the account.
func (c userRemoveCmd) Run(s streams) error {
	return c.with(s.ctx, func(store desk.Store) error {
		err := store.RemoveAccount(s.ctx, whoRuns(), time.Now(), c.Name)
		if errors.Is(err, desk.ErrUnknown) {
			return fmt.Errorf("account %s: not known: liftbank fleet user list shows those there are", c.Name)
		}
		return err
	})
}

type userPasswordCmd struct {
	Name string `arg:"" help:"Name of the account."`
	Role string `enum:",read,desk,admin" default:"" help:"Give it this role, too."`
	fleetConfig
}

// Help gives an example.
func (userPasswordCmd) Help() string {
	return "Example: liftbank fleet user password kim --config /etc/liftbank/fleet.yaml"
}

// Run sets the password.
func (c userPasswordCmd) Run(s streams) error {
	return c.with(s.ctx, func(store desk.Store) error {
		old, err := store.Account(s.ctx, c.Name)
		if errors.Is(err, desk.ErrUnknown) {
			return fmt.Errorf("account %s: not known: liftbank fleet user list shows those there are", c.Name)
		}
		if err != nil {
			return err
		}
		password, err := readPassword(s)
		if err != nil {
			return err
		}
		a, err := desk.NewAccount(c.Name, cmp.Or(desk.Role(c.Role), old.Role), password)
		if err != nil {
			return usageError{err}
		}
		return store.SetAccount(s.ctx, whoRuns(), time.Now(), a)
	})
}

// readPassword reads a password: on a terminal twice, without showing it.
func readPassword(s streams) (string, error) {
	prompt := fmt.Sprintf("password of %d characters or more: ", desk.MinPassword)
	f, ok := s.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		line, err := bufio.NewReader(io.LimitReader(s.in, 1000)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", fmt.Errorf("read password: %w", err)
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	password, err := hiddenLine(s, int(f.Fd()), prompt)
	if err != nil {
		return "", err
	}
	again, err := hiddenLine(s, int(f.Fd()), "the same again: ")
	if err == nil && again != password {
		err = errors.New("password: not the same twice: nothing was changed")
	}
	return password, err
}

type fleetUnitsCmd struct {
	Import unitsImportCmd `cmd:"" help:"Import units' data from CSV."`
	Export unitsExportCmd `cmd:"" help:"Export units' data as CSV."`
}

// Help gives an example.
func (fleetUnitsCmd) Help() string {
	return "Example: liftbank fleet units import units.csv --config /etc/liftbank/fleet.yaml"
}

type unitsImportCmd struct {
	File string `arg:"" help:"CSV file with a column unit, and any of place, group, model, contact, parked_from, parked_until, parked_reason, note; - is standard input."`
	fleetConfig
}

// Help gives an example.
func (unitsImportCmd) Help() string {
	return "A column that the file does not have stays as it is; a unit that is not known becomes known. Nothing is imported " +
		"unless every line is right.\n\nExample: liftbank fleet units import units.csv --config /etc/liftbank/fleet.yaml"
}

// Run imports.
func (c unitsImportCmd) Run(s streams) error {
	in := s.in
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return usageError{err}
		}
		defer f.Close() //nolint:errcheck // only read
		in = f
	}
	return c.with(s.ctx, func(store desk.Store) error {
		n, err := desk.Import(s.ctx, store, whoRuns(), time.Now(), in)
		if err != nil {
			return fmt.Errorf("%s: nothing was imported:\n%w", c.File, err)
		}
		_, err = fmt.Fprintf(s.out, "%d units imported\n", n)
		return err
	})
}

type unitsExportCmd struct{ fleetConfig }

// Help gives an example.
func (unitsExportCmd) Help() string {
	return "What it prints can be imported again.\n\nExample: liftbank fleet units export --config /etc/liftbank/fleet.yaml > units.csv"
}

// Run exports.
func (c unitsExportCmd) Run(s streams) error {
	return c.with(s.ctx, func(store desk.Store) error {
		return desk.WriteCSV(s.out, func(yield func(desk.Data) error) error { return store.AllData(s.ctx, yield) })
	})
}
