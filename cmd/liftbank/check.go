package main

import (
	"context"
	"fmt"
	"sync"
	"text/tabwriter"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/publish"
)

type checkCmd struct {
	Config string `required:"" placeholder:"FILE" help:"Configuration of the unit."`
	Probe  bool   `help:"Also read every channel and contact of the board once and print them."`
}

// Help returns an example.
func (checkCmd) Help() string {
	return "Prints every error with file, line, field and what is accepted; exit code 2. With --probe, exit code 1 " +
		"if a channel " +
		"can't be read.\n\nExample: liftbank check --config unit.yaml --probe"
}

// Run checks the configuration.
func (c checkCmd) Run(s streams) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return loadError(err)
	}
	if _, err := agent.RulesConfig(&cfg); err != nil {
		return usageError{fmt.Errorf("%s: %w", c.Config, err)}
	}
	fmt.Fprintf(s.out, "%s: OK: unit %s, %d batteries, %d input chips, %d channels, %d contacts\n", c.Config,
		cfg.Unit.ID,
		len(cfg.Bank.Batteries), len(cfg.Board.Chips), len(cfg.Board.Channels), len(cfg.Board.Contacts))
	if err := publish.CheckCertificate(&cfg); err != nil {
		return fmt.Errorf("%s: %w", c.Config, err)
	}
	if !c.Probe {
		return nil
	}
	return probe(s, cfg)
}

// probe reads the board once.
func probe(s streams, cfg config.Config) error {
	hw, err := openBoard(&cfg)
	if err != nil {
		return err
	}
	defer hw.Close()
	core, err := agent.NewCore(cfg, partsOf(hw))
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(s.ctx, 10*time.Second)
	var contacts sync.WaitGroup
	contacts.Go(func() { _ = hw.Run(ctx) }) // ends with ctx, whose end is no error here
	defer contacts.Wait()
	defer cancel()
	for range 2 { // contacts settle between the first scan and the second
		if _, err := core.Next(ctx); err != nil {
			return fmt.Errorf("read board: %w", err)
		}
	}
	return printProbe(s, core)
}

func printProbe(s streams, core *agent.Core) error {
	snap := core.Snapshot("probe", 1)
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	bad := 0
	for _, ch := range snap.Channels {
		value := "-"
		if ch.Value != nil {
			value = fmt.Sprintf("%g %s", *ch.Value, ch.Unit)
		} else {
			bad++
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", ch.Name, value, ch.Quality)
	}
	for _, contact := range []struct {
		name string
		on   *bool
	}{{"wake_line", snap.Feed.WakeLine}, {"motor_command", snap.Motor.Command}, {"disconnect",
		snap.Feed.DisconnectClosed}} {
		if contact.on != nil {
			fmt.Fprintf(w, "%s\t%s\t\n", contact.name, map[bool]string{true: "on", false: "off"}[*contact.on])
		}
	}
	for _, chip := range snap.Chips {
		state := "answers"
		if !chip.Answering {
			state = "does not answer"
		}
		fmt.Fprintf(w, "chip %s at 0x%02x\t%s\t%d errors\n", chip.Name, chip.Address, state, chip.Errors)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if bad > 0 {
		return fmt.Errorf("%d of %d channels can't be read", bad, len(snap.Channels))
	}
	return nil
}
