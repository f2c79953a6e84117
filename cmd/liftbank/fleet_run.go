//go:build !board

package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"runtime/debug"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"liftbank/agent/fleet"
	"liftbank/agent/fleet/desk"
	"liftbank/agent/fleet/setup"
)

type fleetRunCmd struct {
	Config  string `required:"" placeholder:"FLEET.yaml" help:"Configuration file of the collector."`
	Verbose bool   `short:"v" help:"Log more."`
}

// Help returns an example.
func (fleetRunCmd) Help() string {
	return "Takes what units send from an MQTT broker into a database, each record once, and answers them. /readyz says what " +
		"keeps it from that. Stops on SIGTERM, SIGINT or SIGHUP: what was taken is committed, acknowledged and answered; the " +
		"broker keeps the rest.\n\nTwo with the same client_id on one PostgreSQL database are active and standby: one works, the other takes over.\n\n" +
		"Exit code 78: the configuration can't be used and nothing was started. 1: it ran and failed.\n\nExample: " +
		"liftbank fleet run --config /etc/liftbank/fleet.yaml"
}

// Run collects until told to stop.
func (c fleetRunCmd) Run(s streams) error {
	cfg, err := loadFleet(c.Config)
	if err != nil {
		return err
	}
	// What lives is small beside what passes through, which was collected again and again: a tenth of all
	// time. GOMEMLIMIT bounds it all the same.
	const percent = 300
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(percent)
	}
	log := newLog(s.err, c.Verbose)
	l, err := net.Listen("tcp", cfg.HTTP.Listen)
	if err != nil {
		return fmt.Errorf("listen: %w; choose another address with http.listen", err)
	}
	collector, err := newCollector(s.ctx, cfg, log)
	if err != nil {
		_ = l.Close() // the other error is why
		return err
	}
	log.Info("collecting", "broker", cfg.MQTT.Broker, "page", "http://"+l.Addr().String()+"/")
	// Without a service manager there is nobody to tell.
	_, _ = daemon.SdNotify(false, daemon.SdNotifyReady)
	err = collector.Run(s.ctx, l)
	_, _ = daemon.SdNotify(false, daemon.SdNotifyStopping)
	return err
}

// loadFleet reads FLEET.yaml; an error means that nothing can be started with it.
func loadFleet(path string) (setup.Config, error) {
	cfg, err := setup.Load(path)
	if err == nil {
		err = cfg.Check()
	}
	if err != nil {
		return cfg, configError{err}
	}
	return cfg, nil
}

// newCollector returns a collector with all of its parts.
func newCollector(ctx context.Context, cfg setup.Config, log *slog.Logger) (*fleet.Collector, error) {
	c, err := fleet.New(ctx, fleet.Options{Config: cfg, Log: log})
	if err != nil {
		return nil, err
	}
	if err := addDesk(c, cfg.HTTP, log); err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return c, nil
}

// addDesk adds the desk's pages to a collector.
func addDesk(c *fleet.Collector, h setup.HTTP, log *slog.Logger) error {
	d, err := desk.New(desk.Options{
		Store: desk.Stored(c.DB(), time.Now), Now: time.Now, Log: log, Hosts: h.Hosts,
		Proxy: desk.Proxy{
			Trusted: h.Proxy.Trusted, Forwarded: h.Proxy.Forwarded, From: h.SignOn.From, Header: h.SignOn.Header, Role: desk.Role(h.SignOn.Role),
		},
	})
	if err != nil {
		return err
	}
	c.Handle("/", d.Handler())
	c.Add(d)
	return nil
}
