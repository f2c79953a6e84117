//go:build !board

package main

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"liftbank/cmd/internal/fleetload"
)

type fleetLoadCmd struct {
	Units       int           `default:"100" placeholder:"N" help:"Units to play (default ${default})."`
	Broker      string        `required:"" placeholder:"URL" help:"Broker: mqtt://HOST[:PORT], or mqtts://HOST[:PORT] with TLS."`
	Prefix      string        `default:"liftbank" placeholder:"TEXT" help:"First levels of the topics (default ${default})."`
	Connections int           `placeholder:"N" help:"Connections; fewer than units share them, which only an open broker lets them (default: one a unit)."`
	Rate        float64       `placeholder:"N" help:"Messages a second, all units together (default: as fast as the broker takes them)."`
	Messages    int           `placeholder:"N" help:"Messages in all; without it, --for says when to stop."`
	For         time.Duration `placeholder:"DURATION" help:"Stop after this time."`
	OutageEvery time.Duration `placeholder:"DURATION" help:"Cut all connections once in this time."`
	OutageFor   time.Duration `placeholder:"DURATION" help:"With --outage-every: for so long."`
	Backlog     time.Duration `placeholder:"DURATION" help:"Instead of --messages: each unit sends one message, waits until the broker is away and back, and sends what it makes in this time."`
	Confirmed   time.Duration `default:"2m" placeholder:"DURATION" help:"Wait so long in the end for the collector to confirm all (default ${default}); 0: not at all."`
	CA          string        `name:"broker-ca" placeholder:"FILE.pem" help:"With mqtts://...: authorities to trust (default: the system's)."`
	Certs       string        `name:"certs" placeholder:"DIR" help:"With mqtts://...: folder that has a folder for each unit with UNIT.pem and UNIT.key, as fleet enrol writes them (default: none)."`
	Names       bool          `help:"Print the names of the units, for fleet enrol, and exit."`
	JSON        bool          `name:"json" help:"Print JSON instead of a table."`
}

// Help says what is played.
func (fleetLoadCmd) Help() string {
	return "Plays what units send, as measured: three simulated units are run over some days, and all units send what these " +
		"sent, each under its own name and with its own numbers. A connection that is lost is made again and what was not " +
		"acknowledged is sent again. In the end it waits for the collector to confirm every record.\n\n" +
		"Only for a broker and a collector of a test: the records look like real ones.\n\n" +
		"Example: liftbank fleet load --units 1000 --broker mqtt://127.0.0.1 --connections 20 --messages 100000"
}

// Run plays the load.
func (c fleetLoadCmd) Run(s streams) error {
	if err := c.check(); err != nil {
		return usageError{err}
	}
	if c.Names {
		for k := range c.Units {
			if _, err := fmt.Fprintln(s.out, fleetload.Name(k)); err != nil {
				return err
			}
		}
		return nil
	}
	fmt.Fprintln(s.err, "load: playing three units to have something to send")
	const units, past, seed = 3, 80 * time.Hour, 1
	mix, err := fleetload.Collect(s.ctx, units, past, seed, time.Now)
	if err != nil {
		return err
	}
	o := fleetload.Options{
		Broker: fleetload.URL(c.Broker), Prefix: c.Prefix, Units: c.Units, Connections: c.Connections, Rate: c.Rate,
		Messages: c.Messages, For: c.For, Backlog: c.Backlog, OutageEvery: c.OutageEvery, OutageFor: c.OutageFor, Confirmed: c.Confirmed,
		Session: fmt.Sprint(time.Now().UnixMilli()), Start: time.Now().Add(-past), Mix: mix,
	}
	// Played faster than time passes, it must not come into the future: a clock that is ahead is a fault.
	o.Start = o.Start.Add(-time.Duration(c.Messages/c.Units/len(mix[0].Messages))*past - 3*c.Backlog)
	if strings.HasPrefix(c.Broker, "mqtts://") {
		if o.TLS, err = c.tls(); err != nil {
			return usageError{err}
		}
	}
	fmt.Fprintf(s.err, "load: %d units\n", c.Units)
	r, err := fleetload.Run(s.ctx, o)
	if err != nil {
		return fmt.Errorf("load: %w", err)
	}
	if c.JSON {
		return writeJSON(s.out, r)
	}
	return r.Table(s.out)
}

func (c fleetLoadCmd) check() error {
	switch {
	case c.Units < 1 || c.Units > 1_000_000:
		return fmt.Errorf("--units %d: want 1 to 1000000", c.Units)
	case !strings.HasPrefix(c.Broker, "mqtt://") && !strings.HasPrefix(c.Broker, "mqtts://"):
		return fmt.Errorf("--broker %s: want mqtt://HOST[:PORT] or mqtts://HOST[:PORT]", c.Broker)
	case c.Connections < 0 || c.Connections > c.Units:
		return fmt.Errorf("--connections %d: want 0 to the number of units", c.Connections)
	case c.Rate < 0 || c.Messages < 0:
		return errors.New("--rate, --messages: want 0 or more")
	case c.Messages == 0 && c.For == 0 && c.Backlog == 0 && !c.Names:
		return errors.New("--messages, --for, --backlog: want one of them: else it would never end")
	case c.Backlog < 0 || c.Backlog > 0 && (c.Messages > 0 || c.For > 0 || c.Rate > 0 || c.OutageEvery > 0):
		return errors.New("--backlog: want none of --messages, --for, --rate, --outage-every with it: it says how much is sent")
	case (c.OutageEvery > 0) != (c.OutageFor > 0) || c.OutageFor < 0 || c.OutageFor >= c.OutageEvery && c.OutageEvery > 0:
		return errors.New("--outage-every, --outage-for: want both, the second shorter")
	case (c.CA != "" || c.Certs != "") && !strings.HasPrefix(c.Broker, "mqtts://"):
		return errors.New("--broker-ca, --certs: want --broker mqtts://... with them")
	}
	return nil
}

// tls returns what makes the TLS configuration of a unit.
func (c fleetLoadCmd) tls() (func(string) (*tls.Config, error), error) {
	var roots *x509.CertPool
	if c.CA != "" {
		pem, err := os.ReadFile(c.CA)
		if err != nil {
			return nil, fmt.Errorf("--broker-ca: %w", err)
		}
		roots = x509.NewCertPool()
		if !roots.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("--broker-ca %s: no certificate in it: want PEM", c.CA)
		}
	}
	return func(unit string) (*tls.Config, error) {
		conf := &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}
		if c.Certs == "" {
			return conf, nil
		}
		cert, err := tls.LoadX509KeyPair(filepath.Join(c.Certs, unit, unit+".pem"), filepath.Join(c.Certs, unit, unit+".key"))
		if err != nil {
			return nil, fmt.Errorf("--certs: %w", err)
		}
		conf.Certificates = []tls.Certificate{cert}
		return conf, nil
	}, nil
}
