//go:build !board

package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/desk"
	"liftbank/agent/fleet/setup"
	"liftbank/cmd/internal/crowd"
)

type fleetDemoCmd struct {
	Units      int           `default:"50" placeholder:"N" help:"Simulated units, 1 to 500 (default ${default})."`
	Listen     string        `default:"127.0.0.1:8490" placeholder:"ADDR" help:"Address of the desk's pages (default ${default})."`
	MQTTListen string        `name:"mqtt-listen" default:"127.0.0.1:0" placeholder:"ADDR" help:"Address of the built-in broker; port 0 picks a free one (default ${default})."`
	Past       time.Duration `default:"80h" placeholder:"DURATION" help:"Past of the units that is played first, at full speed, 1h to 720h (default ${default})."`
	Data       string        `placeholder:"DIR" help:"Keep the collector's database in this directory. Without it, it is gone in the end."`
	For        time.Duration `placeholder:"DURATION" help:"Stop after this time. Without it, stop on Ctrl-C."`
	Seed       uint64        `default:"1" placeholder:"S" help:"Seed for the units (default ${default})."`
	Verbose    bool          `short:"v" help:"Log more."`
}

// Help says what is shown.
func (fleetDemoCmd) Help() string {
	return "Everything in one process: simulated units with their whole agents, an MQTT broker, the collector with its " +
		"database, the worklist, and a sink that prints the alerts. Every third unit has something wrong. Their last days are " +
		"played first, which takes about a minute; after that they live with the clock on the wall. Places and names are " +
		"invented.\n\nExample: liftbank fleet demo --units 50"
}

// Run shows the demonstration.
func (c fleetDemoCmd) Run(s streams) (err error) {
	switch {
	case c.Units < 1 || c.Units > 500:
		return usageError{fmt.Errorf("--units %d: want 1 to 500", c.Units)}
	case c.Past < time.Hour || c.Past > 720*time.Hour:
		return usageError{fmt.Errorf("--past %v: want 1h to 720h", c.Past)}
	}
	broker, stop, err := startBroker(c.MQTTListen)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stop()) }()
	sink, err := newAlertSink(s.out)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, sink.close()) }()
	dir := c.Data
	if dir == "" {
		if dir, err = os.MkdirTemp("", "liftbank-fleet-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	} else if err = os.MkdirAll(dir, 0o755); err != nil {
		return usageError{fmt.Errorf("--data: %w", err)}
	}
	cfg, err := setup.Parse(filepath.Join(dir, "fleet.yaml"), []byte(fmt.Sprintf(demoFleet, broker, sink.url())))
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("listen: %w; choose another address with --listen", err)
	}
	log := newLog(s.err, c.Verbose)
	collector, err := newCollector(s.ctx, cfg, log)
	if err != nil {
		return errors.Join(err, l.Close())
	}
	units, err := crowd.New(crowd.Options{
		Units: c.Units, Broker: "mqtt://" + broker, Past: c.Past, Seed: c.Seed, Now: time.Now, Log: quietLog(s.err, c.Verbose),
	})
	if err != nil {
		return errors.Join(err, l.Close(), collector.Close())
	}
	word, err := c.prepare(s.ctx, collector.DB(), units)
	if err != nil {
		return errors.Join(err, l.Close(), collector.Close())
	}
	fmt.Fprintf(s.out, "desk      http://%s/   name desk, password %s\nmetrics   http://%s/metrics\nmqtt      mqtt://%s   topic liftbank/v1/#\n"+
		"units     %d, whose last %v are being played\n", l.Addr(), word, l.Addr(), broker, c.Units, c.Past)
	ctx, cancel := s.ctx, context.CancelFunc(func() {})
	if c.For > 0 {
		ctx, cancel = context.WithTimeout(ctx, c.For)
	}
	defer cancel()
	g, gctx := errgroup.WithContext(ctx)
	g.Go(func() error { return collector.Run(gctx, l) })
	g.Go(func() error { return units.Run(gctx) })
	g.Go(func() error {
		began := time.Now()
		select {
		case <-units.CaughtUp():
		case <-gctx.Done():
			return nil
		}
		if gctx.Err() == nil {
			fmt.Fprintf(s.out, "units     have played their past, in %.0f s\n", time.Since(began).Seconds())
		}
		return nil
	})
	return g.Wait()
}

// demoFleet is the configuration of the demonstration's collector.
const demoFleet = `mqtt: {broker: "mqtt://%s"}
database: {url: "sqlite://fleet.db"}
alerts: {alertmanagers: [{url: "%s"}]}
`

// prepare notes what a desk knows of the units, and makes its account.
func (c fleetDemoCmd) prepare(ctx context.Context, d *db.DB, units *crowd.Crowd) (password string, err error) {
	for _, p := range units.Places() {
		about := db.About{Place: p.Place, Group: p.Group, Model: p.Model, Contact: p.Contact}
		if err := d.SetAbout(ctx, p.Unit, about); err != nil {
			return "", err
		}
	}
	password = rand.Text()[:12]
	account, err := desk.NewAccount("desk", desk.RoleAdmin, password)
	if err != nil {
		return "", err
	}
	now := time.Now()
	return password, desk.Stored(d, time.Now).SetAccount(ctx, "the demonstration", now, account)
}

// quietLog is the log of fifty units, of which a line for each thing that they find would be too much.
func quietLog(w io.Writer, verbose bool) *slog.Logger {
	if verbose {
		return newLog(w, true)
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: slog.LevelWarn}))
}
