// Command fieldtest does to store and publishing what the field does: kills, broker restarts, a
// month without coverage, a month with a broker that restarts daily; and measures what a day costs on the link and on the card. It needs
// mosquitto (Debian package) and prints tables. It also attacks an agent that is running, as a stranger in reach of its
// page and as its broker.
//
//	go run ./cmd/internal/fieldtest kill -kills 1000 -restarts 100
//	go run ./cmd/internal/fieldtest outage -days 30
//	go run ./cmd/internal/fieldtest card -days 3
//	go run ./cmd/internal/fieldtest soak -days 30 -speed 20000
//	go run ./cmd/internal/fieldtest fill -days 365 -dir DIR
//	go build -o ./fieldtest ./cmd/internal/fieldtest && unshare -n sh -c 'ip link set lo up; ./fieldtest wire'
//	go run ./cmd/internal/fieldtest attack -at 127.0.0.1:8480 -pin PIN forms guesses idle broker
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "fieldtest:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string) error {
	if len(args) == 0 {
		return fmt.Errorf("want kill, outage, card, soak, fill, wire or attack")
	}
	if args[0] == "attack" {
		return attackTest(ctx, args[1:])
	}
	flags := flag.NewFlagSet(args[0], flag.ContinueOnError)
	kills := flags.Int("kills", 100, "processes killed")
	restarts := flags.Int("restarts", 10, "broker restarts, spread over the kills")
	days := flags.Int("days", 30, "days without a broker; days of writing")
	seed := flags.Uint64("seed", 1, "of the instants of killing")
	dir := flags.String("dir", "", "folder to work in; a temporary one without")
	broker := flags.String("broker", "", "of the child process")
	drain := flags.Bool("drain", false, "child process: add nothing, end when all is confirmed")
	scenario := flags.String("scenario", "healthy-day", "of the day whose cost on the link is measured")
	speed := flags.Float64("speed", 1440, "simulated seconds a second")
	deflate := flags.Bool("deflate", false, "pack payloads")
	if err := flags.Parse(args[1:]); err != nil {
		return err
	}
	if *dir == "" {
		d, err := os.MkdirTemp("", "fieldtest")
		if err != nil {
			return err
		}
		defer os.RemoveAll(d)
		*dir = d
	}
	switch args[0] {
	case "kill":
		return killTest(ctx, *dir, *kills, *restarts, *seed)
	case "child":
		return child(ctx, *dir, *broker, *drain)
	case "outage":
		return outageTest(ctx, *dir, *days)
	case "soak":
		return soakTest(ctx, *dir, *scenario, *days, *speed)
	case "fill":
		return fillTest(ctx, *dir, *days)
	case "card":
		return cardTest(ctx, *dir, *days)
	case "wire":
		return wireTest(ctx, *dir, *scenario, *speed, *deflate)
	}
	return fmt.Errorf("%q: want kill, outage, card, soak, fill, wire or attack", args[0])
}
