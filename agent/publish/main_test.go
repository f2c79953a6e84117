package publish

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/agent/snapshot"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a test waits for what should come at once.
const patience = 10 * time.Second

var realClock = Clock{Now: time.Now, After: time.After}

func sample(t testing.TB, name string) *snapshot.Snapshot {
	b, err := os.ReadFile(filepath.Join("..", "snapshot", "testdata", name+".json"))
	require.NoError(t, err)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(b, &s))
	return &s
}

// options are those of a unit with an interval that no test reaches and pauses that none notices.
func options(broker string) Options {
	return Options{
		Broker: broker, Prefix: "fleet", Unit: "t-1042", Session: "5f0c2a9e",
		Hub: snapshot.NewHub(time.Now), Clock: realClock, Rand: func() float64 { return 0.5 },
		Every: time.Hour, Limits: Limits{BackoffMin: time.Millisecond, BackoffMax: 4 * time.Millisecond},
	}
}

// start runs a publisher until the test ends or stop is called, which waits for Run to return.
func start(t *testing.T, opts Options) (p *Publisher, stop func()) {
	t.Helper()
	p, err := New(opts)
	require.NoError(t, err)
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
	return p, stop
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
