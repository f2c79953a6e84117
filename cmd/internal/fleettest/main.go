// Command fleettest does to the fleet's collector what the field does: kills of the collector, the
// broker and the database, a full disk, a standby that takes over, a database from yesterday's backup;
// and measures what a record costs. Units are real stores and publishers, the broker is Mosquitto, the
// database SQLite or PostgreSQL (Debian packages), the collector is a process. It prints tables and fails if a
// record is missing or there twice.
//
//	go run ./cmd/internal/fleettest kill -what collector -n 1000
//	go run ./cmd/internal/fleettest kill -what broker -n 1000
//	go run ./cmd/internal/fleettest kill -what database -db postgres -n 1000
//	go run ./cmd/internal/fleettest full
//	go run ./cmd/internal/fleettest standby -n 20
//	go run ./cmd/internal/fleettest restore -db postgres
//	go run ./cmd/internal/fleettest away
//	go run ./cmd/internal/fleettest load -db postgres -messages 200000
//	go run ./cmd/internal/fleettest load -units 10000 -rate 6.8 -for 5m
//	go run ./cmd/internal/fleettest beside -agent PATH -n 100
//	go run ./cmd/internal/fleettest load -units 10000 -backlog 72h
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"
)

const commands = "kill, full, standby, restore, away, load, beside or collect"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "fleettest:", err)
		os.Exit(1)
	}
}

// options are those of all commands.
type options struct {
	dir, program, config, what, database, agent, only, clock string
	n, units, connections, messages                          int
	seed                                                     uint64
	rate                                                     float64
	lasting, backlog                                         time.Duration
	tls, short                                               bool
	saves                                                    int // seconds between two savings of the broker; 0: 1
}

func run(ctx context.Context, args []string) error {
	if len(args) == 0 {
		return fmt.Errorf("want %s", commands)
	}
	var o options
	flags := flag.NewFlagSet(args[0], flag.ContinueOnError)
	flags.StringVar(&o.what, "what", "collector", "what is killed: collector, broker or database")
	flags.StringVar(&o.database, "db", "sqlite", "sqlite or postgres")
	flags.IntVar(&o.n, "n", 100, "kills; takings over")
	flags.BoolVar(&o.short, "short", false, "of kill: the collector with pauses of 50 ms, which it has anyway where another one is killed")
	flags.Uint64Var(&o.seed, "seed", 1, "of the instants of killing")
	flags.StringVar(&o.dir, "dir", "", "folder to work in; a temporary one without")
	flags.StringVar(&o.program, "program", "", "a built liftbank; without, it is built")
	flags.StringVar(&o.config, "config", "", "of the collecting process")
	flags.StringVar(&o.clock, "clock", "", "of the collecting process: file that says by how much its clock is ahead")
	flags.StringVar(&o.agent, "agent", "", "of beside: the general-purpose agent's program")
	flags.StringVar(&o.only, "only", "", "of beside: regular expression of what is done, such as \"agent broker\"")
	flags.IntVar(&o.units, "units", 1000, "units of the load")
	flags.IntVar(&o.connections, "connections", 20, "connections that they share")
	flags.IntVar(&o.messages, "messages", 0, "messages in all")
	flags.Float64Var(&o.rate, "rate", 0, "messages a second; 0: as fast as the broker takes them")
	flags.DurationVar(&o.lasting, "for", 0, "with -rate instead of -messages: how long the load lasts")
	flags.BoolVar(&o.tls, "tls", false, "each unit with a certificate and a connection of its own, and the broker away for half a minute")
	flags.DurationVar(&o.backlog, "backlog", 0, "as -tls; instead of -messages each unit comes back with what it makes in this time")
	if err := flags.Parse(args[1:]); err != nil {
		return err
	}
	if o.database != "sqlite" && o.database != "postgres" {
		return fmt.Errorf("-db %s: want sqlite or postgres", o.database)
	}
	if args[0] == "collect" {
		return collect(ctx, o.config, o.clock)
	}
	if o.dir == "" {
		d, err := os.MkdirTemp("", "fleettest")
		if err != nil {
			return err
		}
		defer os.RemoveAll(d)
		o.dir = d
	}
	switch args[0] {
	case "kill":
		return killTest(ctx, o)
	case "full":
		return fullTest(ctx, o)
	case "standby":
		return standbyTest(ctx, o)
	case "restore":
		return restoreTest(ctx, o)
	case "load":
		return loadTest(ctx, o)
	case "away":
		return awayTest(ctx, o)
	case "beside":
		return besideTest(ctx, o)
	}
	return fmt.Errorf("%q: want %s", args[0], commands)
}
