package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/page/listen"
	"liftbank/agent/recording"
	"liftbank/agent/safefile"
	"liftbank/agent/trouble"
)

type runCmd struct {
	Config   string `required:"" placeholder:"FILE" help:"Configuration file of the unit; - is standard input."`
	Record   string `placeholder:"DIR" help:"Keep the last days at full rate in this folder, for liftbank replay. On SIGUSR1, or from the page, copy them to one file to take along."`
	RecordMB int    `name:"record-mb" default:"500" placeholder:"MB" help:"Most that --record keeps; the oldest goes first. The copy takes as much again (default ${default})."`
	Verbose  bool   `short:"v" help:"Log more."`
}

// Help returns an example.
func (runCmd) Help() string {
	return "Stops on SIGTERM, SIGINT or SIGHUP: scanning stops, the last snapshot is sent, the broker is told.\n\n" +
		"A working day takes some 4 MB of --record. A card that is full or fails stops the recording, not the measuring: " +
		"the log and the service's status say so, and it is tried again.\n\n" +
		"Exit code 78: the configuration can't be used and nothing was started. 1: it ran and failed.\n\nExample: " +
		"liftbank run --config /etc/liftbank/unit.yaml --record /var/lib/liftbank/record"
}

// Run watches the real board until told to stop.
func (c runCmd) Run(s streams) error {
	if err := c.check(); err != nil {
		return err
	}
	keepSmall()
	cfg, text, err := loadUnit(c.Config, s.in)
	if err != nil {
		return err
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
	session := newSession()
	rec, recordErr := c.recorder(&cfg, session, log)
	dir := stateDir(&cfg)
	if dir == "" {
		log.Warn("no state is kept across restarts: no store.dir and no state folder from the service manager")
	}
	if cfg.Visits.Dir == "" && dir != "" {
		cfg.Visits.Dir = filepath.Join(dir, "visits")
	}
	kept, err := agent.OpenStore(cfg, dir, session, time.Now, log)
	if err != nil {
		return err
	}
	var a *agent.Agent
	manager := newService(func() string { return inOneLine(a) }, log)
	a, err = agent.New(agent.Options{
		Config: cfg, File: configFile(c.Config, text, log), Parts: partsOf(hw), Open: openPage(&cfg.HTTP), Session: session, Store: kept,
		StateFile: stateFile(dir), RuntimeDir: os.Getenv("RUNTIME_DIRECTORY"), // of the service manager
		Recorder: rec, Alive: manager.alive, Version: version, Revision: revision(), Log: log, Now: time.Now,
	})
	if err != nil {
		return errors.Join(err, kept.Close())
	}
	a.Trouble(trouble.Recording, recordErr)
	log.Info("started", "unit", cfg.Unit.ID)

	ctx, cancel := context.WithCancel(s.ctx)
	defer cancel()
	defer copyOnSignal(ctx, rec, log)()
	var contacts sync.WaitGroup
	var contactsErr error
	contacts.Go(func() {
		if err := hw.Run(ctx); err != nil && ctx.Err() == nil {
			contactsErr = fmt.Errorf("contacts: %w", err)
			cancel()
		}
	})
	context.AfterFunc(s.ctx, manager.stopping)
	contacts.Go(func() { staySmall(ctx, log) })
	err = a.Run(ctx)
	cancel()
	contacts.Wait()
	log.Info("stopped", "unit", cfg.Unit.ID)
	return errors.Join(err, contactsErr)
}

// configFile returns the configuration's file, as the fitting on the page may write it.
func configFile(name string, text []byte, log *slog.Logger) agent.File {
	f := agent.File{Text: text}
	if name == "-" {
		return f
	}
	path, err := filepath.EvalSymlinks(name) // the link stays
	if err == nil {
		path, err = filepath.Abs(path)
	}
	belongs := belongsTo{}
	if err == nil {
		belongs, err = existing(path)
	}
	if err != nil {
		log.Warn("configuration can't be written by the page", "err", err)
		return f
	}
	f.Restarts = os.Getenv("NOTIFY_SOCKET") != "" // a service manager, with Restart=always
	f.Path, f.Write = path, func(path string, data []byte) error { return safefile.Replace(path, data, belongs.give) }
	return f
}

// check accepts what the flags may be.
func (c runCmd) check() error {
	if c.RecordMB < recording.LeastBytes>>20 || c.RecordMB > mostRecordMB {
		return usageError{fmt.Errorf("--record-mb %d: want %d to %d", c.RecordMB, recording.LeastBytes>>20, mostRecordMB)}
	}
	return nil
}

// openPage returns what opens the page's listener, with TLS where the configuration has it.
func openPage(h *config.HTTP) func(context.Context) (net.Listener, error) {
	return func(ctx context.Context) (net.Listener, error) {
		l, err := listen.Open(ctx, h.Listen)
		if err != nil {
			return nil, err
		}
		secured, err := agent.Secured(l, *h)
		if err != nil {
			return nil, errors.Join(err, l.Close())
		}
		return secured, nil
	}
}

// recorder returns what keeps all scans, nil where that is not asked for or can't be.
func (c runCmd) recorder(cfg *config.Config, session string, log *slog.Logger) (*recording.Recorder, error) {
	if c.Record == "" {
		return nil, nil
	}
	rec, err := recording.NewRecorder(recording.RecorderOptions{
		Dir: c.Record, MaxBytes: int64(c.RecordMB) << 20, Config: cfg, Session: session, Zone: zoneName(), Now: time.Now,
		Log: log,
	})
	if err != nil {
		log.Error("nothing is recorded", "err", err)
		return nil, fmt.Errorf("--record: %w", err)
	}
	return rec, nil
}

const mostRecordMB = 1 << 20

const (
	startsFor = 5 * time.Second  // when nothing of the start is under way any more, on the slowest board
	givesBack = 20 * time.Second // how often what was used once, as by a phone, is given back
)

// staySmall gives memory back until ctx ends: what the start needed, and then what was used once.
func staySmall(ctx context.Context, log *slog.Logger) {
	for wait := startsFor; ; wait = givesBack {
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		if wait == startsFor {
			debug.FreeOSMemory()
		}
		if err := giveBack(); err != nil {
			log.Debug("memory kept", "err", err)
			return
		}
	}
}

// zoneName returns the name of this machine's time zone, as in Europe/Paris; empty where it has
// none.
func zoneName() string {
	if name := time.Local.String(); name != "Local" {
		return name
	}
	target, err := filepath.EvalSymlinks("/etc/localtime")
	if err != nil {
		return ""
	}
	_, name, _ := strings.Cut(target, "/zoneinfo/")
	return name
}

// copyOnSignal copies the recording whenever the process is asked to, until the function that it
// returns is called.
func copyOnSignal(ctx context.Context, rec *recording.Recorder, log *slog.Logger) (stop func()) {
	if copySignal == nil {
		return func() {}
	}
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, copySignal)
	ctx, cancel := context.WithCancel(ctx)
	var copying sync.WaitGroup
	copying.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-asked:
			}
			if rec == nil { // the signal must not end the agent either
				log.Warn("recording not copied: nothing is recorded without --record")
				continue
			}
			path, err := rec.Copy(ctx)
			switch {
			case err == nil:
				log.Info("recording copied", "file", path)
			case ctx.Err() == nil:
				log.Warn("recording not copied", "err", err)
			}
		}
	})
	return func() { signal.Stop(asked); cancel(); copying.Wait() }
}

// stateDir returns the folder where a unit keeps its state; empty for none.
func stateDir(cfg *config.Config) string {
	if cfg.Store.Dir != "" {
		return cfg.Store.Dir
	}
	return os.Getenv("STATE_DIRECTORY") // of the service manager
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
	for _, t := range a.Troubles() {
		text += ", " + t.Part + ": " + t.Problem
	}
	for _, o := range a.Outlets() {
		if o.Problem != "" {
			text += ", " + o.Name + ": " + o.Problem
		}
	}
	return text
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
