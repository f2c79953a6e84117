//go:build !board

package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/fleet/db"
	"liftbank/agent/history"
	"liftbank/agent/outlet"
	"liftbank/agent/publish"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/past"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/outside"
	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
)

// asProgram has the test's own program be liftbank: a process to kill.
const asProgram = "LIFTBANK_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) == "" {
		os.Exit(m.Run())
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(streams{ctx, os.Stdin, os.Stdout, os.Stderr}, os.Args[1:])
	stop()
	os.Exit(code)
}

func collectorProcess(t *testing.T, config string, out io.Writer) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self, "fleet", "run", "--config", config)
	cmd.Env = append(os.Environ(), asProgram+"=1")
	cmd.Stdout, cmd.Stderr = out, out
	require.NoError(t, cmd.Start())
	return cmd
}

func fleetBroker(t *testing.T) string {
	t.Helper()
	return outside.Mosquitto(t, "max_inflight_messages 1000\nmax_queued_messages 0\nset_tcp_nodelay true\n")
}

// sender is a unit's store and outlet, with records that come fast.
type sender struct {
	name  string
	store *store.Store
}

func startSender(t *testing.T, name, broker string) *sender {
	t.Helper()
	session := fmt.Sprintf("%012x", rand.Uint64N(1<<48))
	s, err := store.Open(store.Options{
		Outlets: []string{publish.Kind.Name}, Dir: t.TempDir(), Session: session, Layout: readings.LayoutOf([]string{"a", "b"}),
		Now: time.Now, Limits: store.Limits{CommitEvery: 20 * time.Millisecond}, Log: slog.New(slog.DiscardHandler),
	})
	require.NoError(t, err)
	p, err := publish.New(publish.Options{
		Options: outlet.Options{
			Unit: name, Session: session, Hub: snapshot.NewHub(time.Now), Outbox: s.Outlet(publish.Kind.Name),
			Clock: outlet.Clock{Now: time.Now, After: time.After}, Rand: rand.Float64, Log: slog.New(slog.DiscardHandler),
		},
		Broker: broker, Prefix: "liftbank",
		Limits: publish.Limits{BackoffMin: 10 * time.Millisecond, BackoffMax: 100 * time.Millisecond, Pace: 2 * time.Millisecond, Confirm: time.Second},
	})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { _ = s.Run(ctx) }) // returns nil
	running.Go(func() { _ = p.Run(ctx) }) // returns nil
	t.Cleanup(func() { cancel(); running.Wait() })
	return &sender{name, s}
}

// send adds a run, and now and then a finding and a batch of readings.
func (s *sender) send(t *testing.T, n int) {
	t.Helper()
	now := rules.Moment{Mono: time.Duration(n) * time.Minute, Wall: time.Now().Add(-24*time.Hour + time.Duration(n)*time.Minute), WallTrusted: true}
	row := readings.Row{Start: now.Mono, Stats: make([]readings.Stat, 13)}
	row.Stats[0] = readings.Stat{Min: 12000, Mean: 12000 + int32(n%500), Max: 12600, Known: true}
	s.store.AddRow(now, row)
	body, err := records.RunBody(snapshot.Run{Number: uint64(n), Start: now.Wall})
	require.NoError(t, err)
	s.store.AddRun(now, now.Mono, history.Run{DurationS: 12}, make([]byte, 800), body)
	if n%5 == 0 {
		raised := now.Wall
		body, err := records.FindingBody(snapshot.Finding{Name: "feed-lost", Severity: "urgent", State: "unacknowledged", Since: now.Wall,
			RaisedAt: &raised, Active: true, Seq: uint64(n), Evidence: []snapshot.Evidence{}, Causes: []snapshot.Cause{}, NextCheck: []string{}})
		require.NoError(t, err)
		s.store.RaiseFinding(now, "feed-lost", "", "urgent", body)
	}
	if n%10 == 9 {
		s.store.BatchReadings(now, func(b past.Batch) ([]byte, error) { return records.ReadingsBody(b, readings.DefaultBounds()) })
	}
}

func left(ctx context.Context, s *store.Store) (n int, err error) {
	for i := range outbox.Streams {
		list, err := s.Outlet(publish.Kind.Name).After(ctx, outbox.Stream(i), 0, 10_000)
		if err != nil {
			return n, err
		}
		n += len(list)
	}
	return n, nil
}

// fleetYAML writes a configuration with a database beside it.
func fleetYAML(t *testing.T, broker string) (dir, file, page string) {
	t.Helper()
	dir = t.TempDir()
	page = "http://127.0.0.1:" + strconv.Itoa(outside.FreePort(t))
	file = filepath.Join(dir, "fleet.yaml")
	require.NoError(t, os.WriteFile(file, []byte("mqtt: {broker: \""+broker+"\", answer_every: 1s}\ndatabase: {url: \"sqlite://fleet.db\"}\n"+
		"http: {listen: \""+page[len("http://"):]+"\"}\n"), 0o600))
	return dir, file, page
}

// awaitEmpty waits for an outbox to be empty: the collector has said that it has all.
func awaitEmpty(t *testing.T, s *store.Store, said fmt.Stringer) {
	t.Helper()
	require.Eventually(t, func() bool {
		n, err := left(t.Context(), s)
		return err == nil && n == 0
	}, 90*time.Second, 50*time.Millisecond, "an outbox is not empty: %s", said)
}

// A whole agent with a simulated bank: a day of it is in the database, and its outbox gets empty. Its
// store writes what was confirmed after half a minute.
func TestFleetRunEmptiesAnAgentsOutbox(t *testing.T) {
	slowtest.Long(t)
	broker := fleetBroker(t)
	dir, cfg, page := fleetYAML(t, broker)
	var out bytes.Buffer
	c := collectorProcess(t, cfg, &out)
	awaitReady(t, page) // a broker keeps nothing for one that it has never seen
	kept := startAgent(t, broker)
	d := openFleet(t, dir)
	require.Eventually(t, func() bool { // two-thirds of a day's runs: the rest may wait on the card
		list, err := d.UnitRecords(t.Context(), "lift-1", "runs", 0, 100)
		return err == nil && len(list) >= 20
	}, 90*time.Second, 100*time.Millisecond)
	awaitEmpty(t, kept, &out)
	minutes, err := d.UnitRecords(t.Context(), "lift-1", "readings", 0, 100)
	require.NoError(t, err)
	assert.NotEmpty(t, minutes)
	t.Log("batches of minutes:", len(minutes))
	require.NoError(t, c.Process.Signal(syscall.SIGTERM))
	require.NoError(t, c.Wait(), out.String())
	lift, err := d.Unit(t.Context(), "lift-1")
	require.NoError(t, err)
	assert.NotEmpty(t, lift.Snapshot)
	assert.Contains(t, []string{records.Online, records.Stalled}, lift.Status, "its clock stands still")
	aside, err := d.Quarantined(t.Context(), db.QuarantineQuery{})
	require.NoError(t, err)
	assert.Empty(t, aside)
}

func openFleet(t *testing.T, dir string) *db.DB {
	t.Helper()
	d, err := db.Open(t.Context(), "sqlite://"+filepath.Join(dir, "fleet.db"), db.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, d.Close()) })
	return d
}

// ready reports whether a collector says that it works.
func ready(page string) bool {
	answer, err := http.Get(page + "/readyz")
	return err == nil && answer.Body.Close() == nil && answer.StatusCode == http.StatusOK
}

func awaitReady(t *testing.T, page string) {
	t.Helper()
	require.Eventually(t, func() bool { return ready(page) }, 90*time.Second, 20*time.Millisecond)
}

// The collector is killed again and again while units send: what they had is in the database, each
// record once, and their outboxes are empty, because it told them so.
func TestFleetRunSurvivesKills(t *testing.T) {
	broker := fleetBroker(t)
	dir, cfg, page := fleetYAML(t, broker)
	var units []*sender
	for i := range 3 {
		units = append(units, startSender(t, fmt.Sprint("u-", i), broker))
	}
	const kills, perLife = 24, 15
	rng := rand.New(rand.NewPCG(1, 2))
	var out bytes.Buffer
	sent := 0
	for life := range kills {
		c := collectorProcess(t, cfg, &out)
		if life == 0 { // a broker keeps nothing for one that it has never seen
			awaitReady(t, page)
		}
		for range perLife {
			for _, u := range units {
				u.send(t, sent)
			}
			sent++
			time.Sleep(time.Duration(rng.IntN(20)) * time.Millisecond)
		}
		require.NoError(t, c.Process.Kill())
		_ = c.Wait() // says that it was killed
	}
	c := collectorProcess(t, cfg, &out)
	for _, u := range units {
		awaitEmpty(t, u.store, &out)
	}
	assert.True(t, ready(page))
	require.NoError(t, c.Process.Signal(syscall.SIGTERM))
	require.NoError(t, c.Wait(), out.String())

	d := openFleet(t, dir)
	for _, u := range units {
		for stream, want := range map[string]int{"runs": sent, "findings": (sent + 4) / 5} {
			list, err := d.UnitRecords(t.Context(), u.name, stream, 0, 10_000)
			require.NoError(t, err)
			once := map[uint64]bool{}
			for _, r := range list {
				assert.False(t, once[r.Seq], "%s %s %d twice", u.name, stream, r.Seq)
				once[r.Seq] = true
			}
			assert.Len(t, list, want, "%s %s", u.name, stream)
		}
		gaps, err := d.Gaps(t.Context(), u.name, 10)
		require.NoError(t, err)
		assert.Empty(t, gaps)
	}
	aside, err := d.Quarantined(t.Context(), db.QuarantineQuery{})
	require.NoError(t, err)
	assert.Empty(t, aside)
}

// startAgent starts a whole agent on a simulated unit, which plays a day in a few seconds and then
// stands still.
func startAgent(t *testing.T, broker string) *store.Store {
	t.Helper()
	sc, err := scenariofile.Load("healthy-day")
	require.NoError(t, err)
	cfg, err := config.Parse("unit.yaml", []byte(refboard.YAML(&sc, "lift-1", refboard.Options{Listen: "127.0.0.1:0", Broker: broker})))
	require.NoError(t, err)
	r, err := rig.New(sc, cfg, false)
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	const day = 20 * time.Hour
	r.Clock.Pace = func(ctx context.Context, now time.Duration) error {
		if now < day {
			return ctx.Err()
		}
		<-ctx.Done()
		return ctx.Err()
	}
	log := slog.New(slog.DiscardHandler)
	kept, err := agent.OpenStore(cfg, t.TempDir(), "rigged", time.Now, log)
	require.NoError(t, err)
	a, err := agent.New(agent.Options{Config: cfg, Parts: r.Parts(), Listener: l, Session: "rigged", Store: kept,
		StateFile: filepath.Join(t.TempDir(), "learned"), Log: log, Now: time.Now})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { _ = a.Run(ctx) })
	t.Cleanup(func() { cancel(); running.Wait() })
	return kept
}
