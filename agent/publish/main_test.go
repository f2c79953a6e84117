package publish

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/agent/outlet"
	"liftbank/agent/readings"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/store/outbox"
	"liftbank/rules"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a test waits for what should come at once.
const patience = 20 * time.Second

var realClock = outlet.Clock{Now: time.Now, After: time.After}

func sample(t testing.TB, name string) *snapshot.Snapshot {
	b, err := os.ReadFile(filepath.Join("..", "snapshot", "testdata", name+".json"))
	require.NoError(t, err)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(b, &s))
	return &s
}

// options are those of a unit with an interval that no test reaches and pauses that none notices.
func options(t testing.TB, broker string) Options {
	return Options{
		Options: outlet.Options{
			Unit: "t-1042", Session: "5f0c2a9e", Hub: snapshot.NewHub(time.Now), Outbox: openOutbox(t), Clock: realClock,
			Rand: func() float64 { return 0.5 },
		},
		Broker: broker, Prefix: "fleet", SnapshotEvery: time.Hour,
		Limits: Limits{BackoffMin: time.Millisecond, BackoffMax: 4 * time.Millisecond},
	}
}

// start runs a publisher until the test ends or stop is called, which waits for Run to return.
func start(t *testing.T, opts Options) (p *Publisher, stop func()) {
	t.Helper()
	p, err := New(opts)
	require.NoError(t, err)
	return p, run(t, p)
}

// run runs a publisher until the test ends or stop is called, which waits for Run to return.
func run(t *testing.T, p *Publisher) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		require.NoError(t, receive(t, ended, "Run to return"))
	}
	t.Cleanup(stop)
	return stop
}

// receive waits for a value with patience.
func receive[T any](t testing.TB, from <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-from:
		return v
	case <-time.After(patience):
		t.Fatalf("waited %v for %s", patience, what)
		panic("unreachable")
	}
}

// stores has the store of each outlet that openOutbox made.
var stores sync.Map

// openOutbox returns the place of MQTT in a store in memory that runs until the test ends.
func openOutbox(t testing.TB) *outbox.Outlet { return openOutboxAt(t, time.Now) }

// openOutboxAt is openOutbox with a clock.
func openOutboxAt(t testing.TB, now func() time.Time) *outbox.Outlet {
	t.Helper()
	s, err := store.Open(store.Options{
		Session: "5f0c2a9e", Layout: readings.LayoutOf([]string{"a"}), Outlets: []string{name}, Now: now,
	})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	stores.Store(s.Outlet(name), s)
	return s.Outlet(name)
}

func storeOf(opts Options) *store.Store {
	s, _ := stores.Load(opts.Outbox)
	return s.(*store.Store)
}

// now is a moment of a unit whose clock is set.
var now = rules.Moment{Mono: time.Hour, Wall: time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC), WallTrusted: true}

func addRun(t testing.TB, opts Options, r snapshot.Run) {
	t.Helper()
	add(t, opts, outbox.Runs, r)
}

func addFinding(t testing.TB, opts Options, f snapshot.Finding) {
	t.Helper()
	add(t, opts, outbox.Findings, f)
}

func add(t testing.TB, opts Options, to outbox.Stream, v any) {
	t.Helper()
	body, err := json.Marshal(v)
	require.NoError(t, err)
	s := storeOf(opts)
	s.AddRecord(now, to, body)
	require.NoError(t, s.Flush(t.Context()))
}

// waiting returns how many records of a stream wait for a broker.
func waiting(opts Options, of outbox.Stream) int64 {
	return storeOf(opts).Health().Outlets[0].Waiting[of]
}
