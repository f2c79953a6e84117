package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/page/listen"
)

type runCmd struct {
	Config  string `required:"" placeholder:"FILE" help:"Configuration file of the unit."`
	Verbose bool   `short:"v" help:"Log more."`
}

// Help returns an example.
func (runCmd) Help() string {
	return "Stops on SIGTERM or SIGINT: scanning stops, the last snapshot is sent, the broker is told.\n\n" +
		"Exit code 2: the configuration is wrong and nothing was started. 1: it ran and failed.\n\nExample: " +
		"liftbank run --config /etc/liftbank/unit.yaml"
}

// Run watches the real board until told to stop.
func (c runCmd) Run(s streams) error {
	cfg, err := config.Load(c.Config)
	if err != nil {
		return loadError(err)
	}
	log := newLog(s.err, c.Verbose)
	hw, err := openBoard(&cfg)
	if err != nil {
		return err
	}
	defer func() {
		if err := hw.Close(); err != nil {
			log.Warn("close board", "err", err)
		}
	}()
	for _, remark := range hw.Remarks {
		log.Debug("driver not loaded", "why", remark)
	}
	l, err := listen.Open(s.ctx, cfg.HTTP.Listen)
	if err != nil {
		return err
	}
	secured, err := agent.Secured(l, cfg.HTTP)
	if err != nil {
		return errors.Join(usageError{err}, l.Close())
	}
	l = secured
	session := newSession()
	dir := cfg.Store.Dir
	if dir == "" {
		dir = os.Getenv("STATE_DIRECTORY") // of the service manager
	}
	if dir == "" {
		log.Warn("no state is kept across restarts: no store.dir and no state folder from the service manager")
	}
	kept, err := agent.OpenStore(cfg, dir, session, time.Now, log)
	if err != nil {
		return errors.Join(err, l.Close())
	}
	var a *agent.Agent
	manager := newService(func() string { return inOneLine(a) }, log)
	a, err = agent.New(agent.Options{
		Config: cfg, Parts: partsOf(hw), Listener: l, Session: session, Store: kept, StateFile: stateFile(dir),
		Alive: manager.alive, Version: version, Revision: revision(), Log: log, Now: time.Now,
	})
	if err != nil {
		return errors.Join(err, l.Close())
	}
	log.Info("started", "unit", cfg.Unit.ID, "page", "http://"+l.Addr().String())

	ctx, cancel := context.WithCancel(s.ctx)
	defer cancel()
	var contacts sync.WaitGroup
	var contactsErr error
	contacts.Go(func() {
		if err := hw.Run(ctx); err != nil && ctx.Err() == nil {
			contactsErr = fmt.Errorf("contacts: %w", err)
			cancel()
		}
	})
	context.AfterFunc(s.ctx, manager.stopping)
	err = a.Run(ctx)
	cancel()
	contacts.Wait()
	log.Info("stopped", "unit", cfg.Unit.ID)
	return errors.Join(err, contactsErr)
}

// stateFile is where what was learned is kept; nowhere without a folder.
func stateFile(dir string) string {
	if dir == "" {
		return ""
	}
	return filepath.Join(dir, "learned")
}

// inOneLine says how the agent is, for the service manager.
func inOneLine(a *agent.Agent) string {
	text := "measuring"
	if p := a.Store().Health().Problem; p != "" {
		text += ", store: " + p
	}
	for _, o := range a.Outlets() {
		if o.Problem != "" {
			text += ", " + o.Name + ": " + o.Problem
		}
	}
	return text
}

// loadError marks a configuration that can't be read as a usage error.
func loadError(err error) error {
	if _, bad := errors.AsType[config.Errors](err); bad {
		return err
	}
	return usageError{err}
}

func newLog(w io.Writer, verbose bool) *slog.Logger {
	level := slog.LevelInfo
	if verbose {
		level = slog.LevelDebug
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level}))
}

// newSession returns a name for this start that no other has.
func newSession() string {
	b := make([]byte, 6)
	rand.Read(b) // never fails
	return hex.EncodeToString(b)
}
