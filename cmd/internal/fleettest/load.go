package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"liftbank/cmd/internal/fleetload"
)

// loadTest plays liftbank fleet load against a collector, and measures what a record costs.
func loadTest(ctx context.Context, o options) error {
	o.saves = 60 // as deploy/mosquitto has it
	r, err := startRig(ctx, o)
	if err != nil {
		return err
	}
	defer r.close()
	collector, err := r.addCollector(ctx, "", r.brokerURL)
	if err != nil {
		return err
	}
	address, more := r.brokerURL, []string{"--connections", strconv.Itoa(o.connections)}
	o.tls = o.tls || o.backlog > 0
	if o.tls {
		if address, more, err = r.addTLS(ctx); err != nil {
			return err
		}
	}
	if err := collector.start(ctx); err != nil {
		return err
	}
	if o.rate > 0 && o.messages == 0 { // a load that is stopped by time leaves numbers that were never sent
		o.messages = int(o.rate * o.lasting.Seconds())
	}
	args := append([]string{"fleet", "load", "--json", "--broker", address, "--units", strconv.Itoa(o.units),
		"--confirmed", "10m"}, more...)
	if o.backlog > 0 {
		args = append(args, "--backlog", o.backlog.String())
	} else {
		args = append(args, "--rate", fmt.Sprint(o.rate), "--messages", strconv.Itoa(o.messages))
	}
	cmd := exec.CommandContext(ctx, r.o.program, args...)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	var out, said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &said
	if err := cmd.Start(); err != nil {
		return err
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	d, err := r.open()
	if err != nil {
		return err
	}
	defer d.Close()
	watched := newWatch(r)
	const look = 100 * time.Millisecond
	online, stopWatching, err := r.online()
	if err != nil {
		return err
	}
	defer stopWatching()
	cut := &outage{units: int64(o.units), stored: -1}
	var played error
	for running := true; running; {
		select {
		case played = <-ended:
			running = false
		case <-time.After(look):
		}
		watched.look(stored(ctx, d))
		if o.tls {
			if err := cut.step(ctx, r, online.Load(), watched.n); err != nil {
				return err
			}
		}
	}
	if played != nil {
		return fmt.Errorf("fleet load: %w: %s", played, said.String())
	}
	var result fleetload.Result
	if err := json.Unmarshal(out.Bytes(), &result); err != nil {
		return err
	}
	if err := result.Table(os.Stdout); err != nil {
		return err
	}
	watched.table()
	commits, err := metric(ctx, r.pages[0], "liftbank_fleet_commits_total")
	if err != nil {
		return err
	}
	fmt.Printf("commits: %.0f, of %.0f messages; a message has %.0f bytes\n", commits, float64(result.Messages)/max(commits, 1),
		float64(result.Bytes)/float64(max(result.Messages, 1)))
	cut.table(watched)
	if result.Unconfirmed+result.Missing > 0 {
		return errors.New("not all records are confirmed")
	}
	return nil
}

// watch is what the servers have spent.
type watch struct {
	r           *rig
	first, last time.Time // that something was stored
	began       time.Time
	n           int64
	cpu         [3]time.Duration // before: collector, database, broker
	loads       []string
}

func newWatch(r *rig) *watch {
	w := &watch{r: r, began: time.Now(), loads: []string{loadAverage()}}
	w.cpu = w.spent()
	return w
}

func (w *watch) spent() (t [3]time.Duration) {
	for i, s := range []*server{w.r.collectors[0], w.r.postgres, w.r.broker} {
		if s != nil && s.cmd != nil {
			t[i] = s.cpu()
		}
	}
	return t
}

func (w *watch) look(n int64) {
	if n > w.n {
		w.n, w.last = n, time.Now()
		if w.first.IsZero() {
			w.first = w.last
		}
	}
}

func (w *watch) table() {
	t := w.spent()
	var all time.Duration
	elapsed := time.Since(w.began)
	for i, name := range []string{"collector", "database", "broker"} {
		t[i] -= w.cpu[i]
		if t[i] > 0 {
			fmt.Printf("%s: %.2f s CPU, %.1f µs a record, %.2f %% of a core\n", name, t[i].Seconds(),
				float64(t[i].Microseconds())/float64(max(w.n, 1)), 100*t[i].Seconds()/elapsed.Seconds())
		}
	}
	all = t[0] + t[1]
	now, most := w.r.collectors[0].memoryMB()
	fmt.Printf("collector and database: %.1f µs CPU a record, %.2f %% of a core; collector resident %.0f MiB, at most %.0f MiB\n",
		float64(all.Microseconds())/float64(max(w.n, 1)), 100*all.Seconds()/elapsed.Seconds(), now, most)
	fmt.Printf("durable: %d records in %.1f s, %.0f a second; load average %s before, %s after\n", w.n,
		w.last.Sub(w.first).Seconds(), float64(w.n)/max(w.last.Sub(w.first).Seconds(), 1e-3), w.loads[0], loadAverage())
}

// outage stops the broker once all units are connected, and lets it lie for a while.
type outage struct {
	units          int64
	up, down, back time.Time
	stored         int64 // records before the broker was back; -1: not yet
}

// outageFor is how long units gather a backlog.
const outageFor = 30 * time.Second

func (u *outage) step(ctx context.Context, r *rig, online, stored int64) error {
	now := time.Now()
	switch {
	case u.up.IsZero():
		if online >= u.units {
			u.up = now
		}
	case u.down.IsZero():
		const settle = 10 * time.Second
		if now.Sub(u.up) > settle {
			r.broker.stop() // in order: what it acknowledged and a load would not send again is saved
			u.down = now
		}
	case r.broker.cmd == nil:
		if now.Sub(u.down) > outageFor {
			u.up, u.stored = now, stored
			return r.broker.start(ctx)
		}
	case u.back.IsZero() && online >= u.units && now.Sub(u.up) > 2*time.Second:
		u.back = now
	}
	return nil
}

func (u *outage) table(w *watch) {
	if u.stored >= 0 {
		fmt.Printf("after the broker was back %d records were stored within %.1f s\n", w.n-u.stored, w.last.Sub(u.up).Seconds())
	}
	if !u.back.IsZero() {
		fmt.Printf("broker away for %.0f s; all %d units connected again %.1f s after it was back\n", outageFor.Seconds(), u.units,
			u.back.Sub(u.up).Seconds())
	}
}

// online follows how many clients the broker has, itself and the collector not counted.
func (r *rig) online() (*atomic.Int64, func(), error) {
	n := new(atomic.Int64)
	o := mqtt.NewClientOptions().AddBroker(fleetload.URL(r.brokerURL)).SetClientID("watch").SetConnectRetry(true).
		SetConnectRetryInterval(time.Second).SetMaxReconnectInterval(time.Second)
	o.SetConnectionLostHandler(func(mqtt.Client, error) { n.Store(0) })
	o.SetOnConnectHandler(func(c mqtt.Client) {
		c.Subscribe("$SYS/broker/clients/connected", 0, func(_ mqtt.Client, m mqtt.Message) {
			if all, err := strconv.ParseInt(string(m.Payload()), 10, 64); err == nil {
				const others = 2 // collector and watch
				n.Store(all - others)
			}
		})
	})
	c := mqtt.NewClient(o)
	if t := c.Connect(); t.Wait() && t.Error() != nil {
		return nil, nil, t.Error()
	}
	return n, func() { c.Disconnect(0) }, nil
}

// addTLS gives the broker a second listener that wants certificates, and each unit one.
func (r *rig) addTLS(ctx context.Context) (address string, more []string, err error) {
	dir := r.o.dir
	at := filepath.Join(dir, "authority")
	liftbank := func(stdin string, args ...string) (string, error) {
		cmd := exec.CommandContext(ctx, r.o.program, append([]string{"fleet"}, args...)...)
		cmd.Stdin = strings.NewReader(stdin)
		out, err := cmd.CombinedOutput()
		if err != nil {
			err = fmt.Errorf("fleet %s: %w: %.2000s", args[0], err, out)
		}
		return string(out), err
	}
	names, err := liftbank("", "load", "--names", "--units", strconv.Itoa(r.o.units), "--broker", "mqtt://127.0.0.1")
	if err != nil {
		return "", nil, err
	}
	if _, err := liftbank("", "authority", "init", "--dir", at); err != nil {
		return "", nil, err
	}
	if _, err := liftbank("", append([]string{"enrol", "--dir", at}, strings.Fields(names)...)...); err != nil {
		return "", nil, err
	}
	if _, err := liftbank("", "enrol", "--dir", at, "--server", "broker,127.0.0.1"); err != nil {
		return "", nil, err
	}
	port, err := freePort()
	if err != nil {
		return "", nil, err
	}
	issued := filepath.Join(at, "issued")
	r.broker.kill()
	plain := r.brokerURL[strings.LastIndexByte(r.brokerURL, ':')+1:]
	first, err := strconv.Atoi(plain)
	if err != nil {
		return "", nil, err
	}
	b, err := newBroker(dir, first, max(r.o.saves, 1), "sys_interval 1", "listener "+strconv.Itoa(port)+" 127.0.0.1", "cafile "+filepath.Join(at, "ca.pem"),
		"certfile "+filepath.Join(issued, "broker", "broker.pem"), "keyfile "+filepath.Join(issued, "broker", "broker.key"),
		"require_certificate true")
	if err != nil {
		return "", nil, err
	}
	r.broker = b
	return "mqtts://127.0.0.1:" + strconv.Itoa(port), []string{"--broker-ca", filepath.Join(at, "ca.pem"), "--certs", issued},
		b.start(ctx)
}
