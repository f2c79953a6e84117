package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/fleet"
	"liftbank/agent/fleet/intake"
	"liftbank/agent/fleet/setup"
)

// rig is broker, database and collectors.
type rig struct {
	o          options
	brokerURL  string
	broker     *server
	postgres   *server // nil: SQLite
	url        string  // of the database
	collectors []*server
	pages      []string
	clock      string // file of a clock that is ahead; "": the machine's
}

// short is for collectors of which the broker or the database is killed: with a pause of up to 30 s
// before each new connection, as they have by themselves, a thousand kills take a day.
const short = "short"

// startRig starts all but the collectors.
func startRig(ctx context.Context, o options) (r *rig, err error) {
	r = &rig{o: o}
	defer func() {
		if err != nil {
			r.close()
		}
	}()
	port, err := freePort()
	if err != nil {
		return r, err
	}
	r.brokerURL = "mqtt://127.0.0.1:" + strconv.Itoa(port)
	if r.broker, err = newBroker(o.dir, port, max(o.saves, 1)); err != nil {
		return r, err
	}
	if err := r.broker.start(ctx); err != nil {
		return r, err
	}
	if o.database == "postgres" {
		if r.postgres, r.url, err = newPostgres(o.dir); err != nil {
			return r, err
		}
		return r, r.postgres.start(ctx)
	}
	if err := os.MkdirAll(filepath.Join(o.dir, "db"), 0o700); err != nil {
		return r, err
	}
	r.url = "sqlite://" + filepath.Join(o.dir, "db", "fleet.db")
	return r, nil
}

func (r *rig) close() {
	for _, s := range append(append([]*server{}, r.collectors...), r.broker) {
		if s != nil {
			s.kill()
		}
	}
	if r.postgres != nil {
		r.postgres.stop() // killed, it would leave its shared memory
	}
}

// addCollector makes a collector's process: liftbank fleet run, or this program with short pauses.
func (r *rig) addCollector(ctx context.Context, pauses, broker string, more ...string) (*server, error) {
	k := len(r.collectors)
	port, err := freePort()
	if err != nil {
		return nil, err
	}
	listen := "127.0.0.1:" + strconv.Itoa(port)
	config := filepath.Join(r.o.dir, "fleet-"+strconv.Itoa(k)+".yaml")
	text := fmt.Sprintf("mqtt: {broker: %q, answer_every: 1s%s}\ndatabase: {url: %q}\nhttp: {listen: %q}\n",
		broker, strings.Join(append([]string{""}, more...), ", "), r.url, listen)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		return nil, err
	}
	program, args := r.o.program, []string{"fleet", "run", "--config", config}
	switch {
	case pauses == short:
		if program, err = os.Executable(); err != nil {
			return nil, err
		}
		args = []string{"collect", "-config", config, "-clock", r.clock}
	case program == "":
		if program, err = r.build(ctx); err != nil {
			return nil, err
		}
	}
	s := &server{
		name: "collector", output: filepath.Join(r.o.dir, "fleet-"+strconv.Itoa(k)+".log"),
		make: func() (*exec.Cmd, error) {
			cmd := exec.Command(program, args...)
			cmd.Env = append(os.Environ(), asProgram+"=1")
			return cmd, nil
		},
	}
	r.collectors, r.pages = append(r.collectors, s), append(r.pages, "http://"+listen)
	return s, nil
}

// asProgram has a test's own program be this command.
const asProgram = "FLEETTEST_AS_PROGRAM"

func (r *rig) build(ctx context.Context) (string, error) {
	program := filepath.Join(r.o.dir, "liftbank")
	cmd := exec.CommandContext(ctx, "go", "build", "-o", program, "liftbank/cmd/liftbank")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build: %w: %s", err, out)
	}
	r.o.program = program
	return program, nil
}

// collect is a collector as liftbank fleet run makes it, without the desk's pages and with short pauses.
func collect(ctx context.Context, config, clock string) error {
	cfg, err := setup.Load(config)
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", cfg.HTTP.Listen)
	if err != nil {
		return err
	}
	const soon, later = 10 * time.Millisecond, 50 * time.Millisecond
	c, err := fleet.New(ctx, fleet.Options{
		Config: cfg, Now: clockOf(clock), Log: slog.New(slog.NewTextHandler(os.Stderr, nil)), LeadEvery: later,
		Limits: intake.Limits{BackoffMin: soon, BackoffMax: later, AnswerSoon: 4 * later},
	})
	if err != nil {
		return errors.Join(err, l.Close())
	}
	return c.Run(ctx, l)
}
