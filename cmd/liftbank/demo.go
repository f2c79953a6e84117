//go:build !board

package main

import (
	"context"
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
	"liftbank/agent/recording"
	"liftbank/agent/snapshot"
	"liftbank/cmd/internal/access"
	"liftbank/cmd/internal/playback"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/sim/scenario"
)

type demoCmd struct {
	Listen     string         `default:"127.0.0.1:8480" placeholder:"ADDR" help:"Address of the page (default ${default})."`
	MQTTListen string         `name:"mqtt-listen" default:"127.0.0.1:0" placeholder:"ADDR" help:"Address of the built-in broker; port 0 picks a free one (default ${default})."`
	Broker     brokerFlags    `embed:""`
	Unit       string         `default:"demo" placeholder:"ID" help:"Name of the unit, which a fleet's broker may know by its certificate (default ${default})."`
	Speed      float64        `default:"60" placeholder:"N" help:"Simulated seconds per second, 0.1 to 50000 (default ${default})."`
	Past       *time.Duration `placeholder:"DURATION" help:"Past that is played first, as fast as it goes, 0s to 1440h (default 336h, more for a longer story, none with --broker)."`
	Scenario   string         `default:"battery-tired" placeholder:"FILE|NAME" help:"Scenario name or file; - is standard input; liftbank simulate --list lists the names (default ${default})."`
	Data       string         `placeholder:"DIR" help:"Write the history, a recording of every scan, and beside that the unit's configuration and the truth of its batteries to this directory. Without it, history stays in memory."`
	PINFile    string         `name:"pin-file" placeholder:"FILE" help:"PIN for changes, as liftbank pin writes it. Without it, each start makes a new one and prints it."`
	For        time.Duration  `placeholder:"DURATION" help:"Stop this long after the page has opened. Without it, stop on Ctrl-C."`
	Verbose    bool           `short:"v" help:"Log more."`
}

// brokerFlags are a broker of one's own and how it knows the unit.
type brokerFlags struct {
	URL          string `name:"broker" placeholder:"URL" help:"Publish to this broker instead of the built-in one: mqtt://HOST, or mqtts://HOST with TLS."`
	User         string `name:"broker-user" placeholder:"NAME" help:"With --broker: name at the broker."`
	PasswordFile string `name:"broker-password-file" placeholder:"FILE" help:"With --broker-user: file with the password in its first line."`
	CA           string `name:"broker-ca" placeholder:"FILE.pem" help:"With --broker mqtts://...: authorities to trust (default: the system's)."`
	Cert         string `name:"broker-cert" placeholder:"FILE.pem" help:"With --broker mqtts://...: the unit's certificate."`
	Key          string `name:"broker-key" placeholder:"FILE.pem" help:"With --broker-cert: its key."`
}

// account returns how the broker knows the unit, with absolute names of files.
func (b brokerFlags) account() (a refboard.Account, err error) {
	a = refboard.Account{Username: b.User, PasswordFile: b.PasswordFile, CAFile: b.CA, CertFile: b.Cert, KeyFile: b.Key}
	if b.URL == "" && a != (refboard.Account{}) {
		return a, usageError{errors.New("--broker-...: want --broker with it: the built-in broker takes anybody")}
	}
	for _, name := range []*string{&a.PasswordFile, &a.CAFile, &a.CertFile, &a.KeyFile} {
		if *name == "" {
			continue
		}
		if *name, err = filepath.Abs(*name); err != nil {
			return a, err
		}
		if err := access.Self().Read(*name); err != nil {
			return a, usageError{fmt.Errorf("--broker-...: %s: %w", *name, err)}
		}
	}
	return a, nil
}

// Help returns an example.
func (demoCmd) Help() string {
	return "A simulated bank and a trailer's working day behind emulated input-chip registers, the whole agent, an " +
		"MQTT broker and the page in one " +
		"process. Needs no hardware, no network and no other program.\n\n" +
		"Its last two weeks are played first, some seconds (all of a longer story that something is found in), and the page opens shortly before a lift, with a history, a " +
		"service visit in it and verdicts. Where a scenario's story has work under way, its technician presses the switch. The dates are of the last weeks, the season is the scenario's; what goes " +
		"wrong in a scenario of a few days goes wrong in the last of them. --past 0s begins at the " +
		"scenario's own start, with nothing known.\n\n" +
		"With --broker it tries a fleet's broker without a board: what the broker refuses is in the log and on the page.\n\n" +
		"Example: liftbank demo --speed 600 --for 60s\n\n" +
		"Example: liftbank demo --unit lift-1 --broker mqtts://broker.example --broker-ca ca.pem --broker-cert lift-1.pem " +
		"--broker-key lift-1.key"
}

// scenario checks the flags and loads what is to be shown.
func (c demoCmd) scenario(stdin io.Reader) (scenario.Scenario, error) {
	if !(c.Speed >= 0.1 && c.Speed <= 50000) {
		return scenario.Scenario{}, usageError{fmt.Errorf("--speed %g: want 0.1 to 50000", c.Speed)}
	}
	if c.For < 0 {
		return scenario.Scenario{}, usageError{fmt.Errorf("--for %v: want a positive time such as 60s", c.For)}
	}
	if c.Past != nil && (*c.Past < 0 || *c.Past > mostPast) {
		return scenario.Scenario{}, usageError{fmt.Errorf("--past %v: want 0s to %v", *c.Past, mostPast)}
	}
	return loadScenario(c.Scenario, stdin)
}

// board returns what the unit's configuration says of page and broker. Without a broker of one's own it
// starts one, which stop stops.
func (c demoCmd) board() (o refboard.Options, stop func() error, err error) {
	o = refboard.Options{Listen: c.Listen, Broker: c.Broker.URL}
	stop = func() error { return nil }
	if o.Account, err = c.Broker.account(); err != nil || o.Broker != "" {
		return o, stop, err
	}
	address, stop, err := startBroker(c.MQTTListen)
	o.Broker = "mqtt://" + address
	return o, stop, err
}

// Run shows the demonstration.
func (c demoCmd) Run(s streams) (err error) {
	sc, err := c.scenario(s.in)
	if err != nil {
		return err
	}
	board, stop, err := c.board()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stop()) }()
	var later time.Duration
	shown := c.past(&sc)
	if shown > 0 {
		sc, later = recent(sc, shown, time.Now())
	}
	text := refboard.YAML(&sc, c.Unit, board)
	cfg, err := config.Parse("demo.yaml", []byte(text))
	if err != nil {
		return usageError{err}
	}
	code, forget, err := demoVisits(&cfg, c.Data, c.PINFile)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, forget()) }()
	unit, err := rig.New(sc, cfg, true)
	if err != nil {
		return err
	}
	l, err := listen.Open(s.ctx, c.Listen)
	if err != nil {
		return fmt.Errorf("%w (choose another address with --listen)", err)
	}
	session, log := newSession(), newLog(s.err, c.Verbose)
	kept, err := agent.OpenStore(cfg, c.Data, session, time.Now, log)
	if err != nil {
		return errors.Join(err, l.Close())
	}
	rec, endScans, err := c.scans(&cfg, unit, session, text, log)
	if err != nil {
		return errors.Join(err, kept.Close(), l.Close())
	}
	defer func() { err = errors.Join(err, endScans()) }()
	past := newPlayed(unit, shown, c.Speed, s.out)
	past.work = sc.Work
	a, err := agent.New(agent.Options{
		Recorder: rec,
		Config:   cfg, File: agent.File{Text: []byte(text)}, Parts: unit.Parts(), Open: past.listener(l), Session: session, Version: version, Revision: revision(),
		Store: kept, TriesFile: c.triesFile(), Log: log, Now: time.Now,
	})
	if err != nil {
		return errors.Join(err, kept.Close(), l.Close())
	}
	past.agent = a
	fmt.Fprintf(s.out, "scenario  %s: %s\n", sc.Name, sc.Description)
	if later > 0 {
		fmt.Fprintf(s.out, "          That begins after %s of ordinary work.\n", days(later))
	}
	return c.show(s, a, past, fmt.Sprintf("page      http://%s/   PIN for changes: %s\nmetrics   http://%s/metrics\n"+
		"mqtt      %s   topic liftbank/v1/%s/#\nspeed     %g simulated seconds per second; the unit's clock ",
		l.Addr(), code, l.Addr(), board.Broker, c.Unit, c.Speed))
}

// triesFile is where tries of a PIN are kept that outlives this start.
func (c demoCmd) triesFile() string {
	if c.Data == "" || c.PINFile == "" {
		return ""
	}
	return filepath.Join(c.Data, "tries.json")
}

// scans returns what keeps all scans with the truth beside them, nil without --data. end is called once
// the unit has stopped.
func (c demoCmd) scans(cfg *config.Config, unit *rig.Rig, session, text string, log *slog.Logger) (
	rec *recording.Recorder, end func() error, err error) {
	if c.Data == "" {
		return nil, func() error { return nil }, nil
	}
	name := filepath.Join(c.Data, "recording")
	failed := func(err error) error { return usageError{fmt.Errorf("--data: %w", err)} }
	if err := os.MkdirAll(c.Data, 0o755); err != nil {
		return nil, nil, failed(err)
	}
	if err := os.WriteFile(playback.Beside(name, playback.UnitEnd), []byte(text), 0o644); err != nil {
		return nil, nil, failed(err)
	}
	f, err := os.Create(playback.Beside(name, playback.TruthEnd))
	if err != nil {
		return nil, nil, failed(err)
	}
	truth, err := playback.NewTruth(f, session, unit.Unit)
	if err != nil {
		return nil, nil, errors.Join(failed(err), f.Close())
	}
	var stepErr error
	beside := func(at time.Duration) {
		if stepErr == nil {
			stepErr = truth.Step(at)
		}
	}
	const most = 2 << 30 // bytes: years of this unit's days
	rec, err = recording.NewRecorder(recording.RecorderOptions{
		Dir: name, MaxBytes: most, Config: cfg, Session: session, Zone: "UTC",
		Beside: beside, Wait: true, Now: time.Now, Log: log,
	})
	if err != nil {
		return nil, nil, errors.Join(failed(err), f.Close())
	}
	return rec, func() error { return errors.Join(stepErr, truth.Flush(), f.Close()) }, nil
}

// show runs the agent until the time is up or it is told to stop. where says where everything is, once it
// can be looked at.
func (c demoCmd) show(s streams, a *agent.Agent, past *played, where string) error {
	ctx, cancel := context.WithCancel(s.ctx)
	defer cancel()
	var told sync.WaitGroup
	told.Go(func() {
		select {
		case <-past.open:
		case <-ctx.Done():
			return
		}
		fmt.Fprintf(s.out, "%sshows %s\n", where, past.at().Format(time.RFC3339))
		if c.For > 0 {
			select {
			case <-time.After(c.For):
				cancel()
			case <-ctx.Done():
			}
		}
	})
	err := a.Run(ctx)
	cancel()
	told.Wait()
	if snap := a.Hub().Current(); snap != nil {
		fmt.Fprintln(s.out, farewell(snap))
	}
	return err
}

// farewell says in one line how far the demonstration came.
func farewell(s *snapshot.Snapshot) string {
	soc := "charge unknown"
	if s.Bank.SoCPct.Value != nil {
		soc = fmt.Sprintf("charge %.0f ± %.1f %%", *s.Bank.SoCPct.Value, *s.Bank.SoCPct.Sigma)
	}
	text := fmt.Sprintf("stopped   after %.1f h of unit time: %d motor runs, %s, feed %s", s.UptimeS/3600, s.Motor.Runs,
		soc, s.Feed.Status)
	for _, f := range s.Findings {
		text += ", " + f.Name
	}
	return text
}

// pacer lets real time pass at a fixed ratio to simulated time.
type pacer struct {
	speed float64
	begun time.Time
}

func newPacer(speed float64) *pacer { return &pacer{speed: speed} }

// slack is how far simulated time may run ahead before it is worth sleeping: nobody sees it, and
// each sleep costs a wake-up.
const slack = 40 * time.Millisecond

func (p *pacer) wait(ctx context.Context, now time.Duration) error {
	if p.begun.IsZero() {
		p.begun = time.Now().Add(-time.Duration(float64(now) / p.speed))
	}
	ahead := time.Duration(float64(now)/p.speed) - time.Since(p.begun)
	if ahead < slack {
		if ahead < -time.Second {
			p.begun = p.begun.Add(-ahead - time.Second) // too slow a machine: no catching up in a rush
		}
		return ctx.Err()
	}
	t := time.NewTimer(ahead)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
