package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

// traffic is what has gone over the loopback interface: the kernel counts IP packets there without
// link headers.
type traffic struct{ packets, bytes uint64 }

func loopback() (traffic, error) {
	text, err := os.ReadFile("/proc/self/net/dev")
	if err != nil {
		return traffic{}, err
	}
	for line := range strings.Lines(string(text)) {
		rest, ok := strings.CutPrefix(strings.TrimSpace(line), "lo:")
		f := strings.Fields(rest)
		if !ok || len(f) < 2 {
			continue
		}
		var t traffic
		if t.bytes, err = strconv.ParseUint(f[0], 10, 64); err == nil {
			t.packets, err = strconv.ParseUint(f[1], 10, 64)
		}
		return t, err
	}
	return traffic{}, errors.New("no loopback interface")
}

func (t traffic) since(before traffic) traffic {
	return traffic{t.packets - before.packets, t.bytes - before.bytes}
}

// wireTest runs a whole agent over a simulated day against Mosquitto and counts IP packets. Pings
// and the snapshots and births between are counted apart, as they live by real time, and put on for
// a day. It wants a network namespace of its own.
func wireTest(ctx context.Context, dir, name string, speed float64, deflate bool) error {
	before, err := loopback()
	if err != nil {
		return err
	}
	if before.packets != 0 {
		fmt.Println("the loopback interface has carried other traffic: " +
			"run this in a network namespace of its own (unshare -n)")
	}
	logFile := filepath.Join(dir, "mosquitto.log")
	b, err := startBroker(dir, "log_dest file "+logFile, "log_type debug", "user root") // so that it may write there
	if err != nil {
		return err
	}
	defer b.kill()
	ping, err := pingCost(ctx, b.url())
	if err != nil {
		return err
	}
	sc, err := scenariofile.Load(name)
	if err != nil {
		return err
	}
	text := refboard.YAML(&sc, unit, refboard.Options{Listen: "127.0.0.1:0", Broker: b.url()})
	// Else the defaults; the budget lives by real time.
	text = strings.ReplaceAll(text, "snapshot_every: 1s, daily_kb: 0", fmt.Sprintf("daily_kb: 0, deflate: %v", deflate))
	cfg, err := config.Parse("wire.yaml", []byte(text))
	if err != nil {
		return err
	}
	day, state, err := oneDay(ctx, dir, sc, cfg, speed)
	if err != nil {
		return err
	}
	counts, err := messages(logFile)
	if err != nil {
		return err
	}
	const pings = 86400 / 240
	extra := 3 * (counts.bytes["snapshot"] / max(counts.n["snapshot"], 1)) // one each 6 h: the first was counted
	perDay := day.bytes + pings*ping.bytes + uint64(extra)
	fmt.Printf("scenario %s, a day at %g simulated seconds a second, deflate %v\n", name, speed, deflate)
	for _, leaf := range []string{"status", "snapshot", "readings", "runs", "findings"} {
		fmt.Printf("  %-9s %4d messages, payload %6d B\n", leaf, counts.n[leaf], counts.bytes[leaf])
	}
	fmt.Printf("messages of the day                 %5d packets %7d B\n", day.packets, day.bytes)
	fmt.Printf("pings, one each 240 s of silence    %5d packets %7d B (at most; each %d packets, %d B)\n",
		pings*ping.packets, pings*ping.bytes, ping.packets, ping.bytes)
	fmt.Printf("snapshots each 6 h                              %7d B\n", extra)
	fmt.Printf("IP bytes a unit and day, both ways  %.1f kB; the agent's own count of the messages %.1f kB\n",
		float64(perDay)/1000, float64(state)/1000)
	return nil
}

// pingCost measures a ping and its answer on a connection like the agent's.
func pingCost(ctx context.Context, url string) (traffic, error) {
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID("ping").SetAutoReconnect(false).SetKeepAlive(2 * time.Second)
	o.SetDialer(&net.Dialer{KeepAlive: -1})
	client := mqtt.NewClient(o)
	if t := client.Connect(); !t.WaitTimeout(5*time.Second) || t.Error() != nil {
		return traffic{}, errors.Join(errors.New("ping: no connection"), t.Error())
	}
	defer client.Disconnect(100)
	if err := pause(ctx, time.Second); err != nil {
		return traffic{}, err
	}
	before, err := loopback()
	if err != nil {
		return traffic{}, err
	}
	for range 200 { // until at least one ping has gone and all of it has arrived
		if err := pause(ctx, 50*time.Millisecond); err != nil {
			return traffic{}, err
		}
		now, err := loopback()
		if err != nil {
			return traffic{}, err
		}
		if now.packets > before.packets {
			if err := pause(ctx, 300*time.Millisecond); err != nil {
				return traffic{}, err
			}
			now, err = loopback()
			return now.since(before), err
		}
	}
	return traffic{}, errors.New("no ping seen")
}

// tally is what the broker was given, by topic.
type tally struct{ n, bytes map[string]int }

// oneDay runs an agent for a simulated day and gives what crossed the loopback interface meanwhile.
func oneDay(ctx context.Context, dir string, sc scenario.Scenario, cfg config.Config, speed float64,
) (traffic, uint64, error) {
	r, err := rig.New(sc, cfg, false)
	if err != nil {
		return traffic{}, 0, err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	begun := time.Now()
	r.Clock.Pace = func(ctx context.Context, now time.Duration) error {
		if now >= 24*time.Hour {
			stop()
		}
		if ahead := time.Duration(float64(now)/speed) - time.Since(begun); ahead > 20*time.Millisecond {
			return pause(ctx, ahead)
		}
		return ctx.Err()
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return traffic{}, 0, err
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	kept, err := agent.OpenStore(cfg, dir, "wire", time.Now, log)
	if err != nil {
		return traffic{}, 0, err
	}
	a, err := agent.New(agent.Options{Config: cfg, Parts: r.Parts(), Listener: l, Session: "wire", Store: kept, Log: log,
		Now: time.Now})
	if err != nil {
		return traffic{}, 0, err
	}
	before, err := loopback()
	if err != nil {
		return traffic{}, 0, err
	}
	if err := a.Run(ctx); err != nil {
		return traffic{}, 0, err
	}
	time.Sleep(300 * time.Millisecond) // the last acknowledgement
	after, err := loopback()
	return after.since(before), a.Outlets()[0].Bytes, err
}

// messages reads from the broker's log what it was given.
func messages(file string) (tally, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return tally{}, err
	}
	t := tally{map[string]int{}, map[string]int{}}
	received := regexp.MustCompile(`Received PUBLISH from liftbank-\S+ .*'[^']*/([a-z]+)', \.\.\. \((\d+) bytes\)`)
	for _, m := range received.FindAllStringSubmatch(string(text), -1) {
		n, err := strconv.Atoi(m[2])
		if err != nil {
			return t, err
		}
		t.n[m[1]]++
		t.bytes[m[1]] += n
	}
	return t, nil
}
