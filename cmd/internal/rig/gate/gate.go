// Package gate, for tests only, is a simulated unit's clock that goes on only as far as a test lets it.
package gate

import (
	"context"
	"sync/atomic"
	"time"

	"liftbank/cmd/internal/rig"
	"liftbank/sensors"
)

// Clock is the clock of a rig behind a gate.
type Clock struct {
	*rig.Clock
	until, asked atomic.Int64 // ns: it may go on to, and the loop waits for
	within       bool         // holds the loop within a scan, too
	over         atomic.Bool
}

var _ sensors.Clock = (*Clock)(nil)

// look is how often whoever waits at the gate looks whether it has moved; our choice.
const look = 50 * time.Microsecond

// New returns a clock that stands where the rig's is, and holds the loop between its scans.
func New(c *rig.Clock) *Clock {
	g := &Clock{Clock: c}
	g.until.Store(int64(c.Now()))
	return g
}

// NewWithin returns one that holds it within a scan, too: a board whose reads block scans a run without waiting
// for anything else.
func NewWithin(c *rig.Clock) *Clock {
	g := New(c)
	g.within = true
	return g
}

// Until returns how far the clock may go.
func (g *Clock) Until() time.Duration { return time.Duration(g.until.Load()) }

// Move lets the clock go on by a span.
func (g *Clock) Move(span time.Duration) { g.until.Add(int64(span)) }

// Came reports whether the unit has come as far as the clock may go, and waits.
func (g *Clock) Came() bool { return g.asked.Load() > g.until.Load() }

// Open lets whoever asks for the time have it: nobody waits any more.
func (g *Clock) Open() { g.over.Store(true) }

// Now returns the time, and waits at the gate first where it holds the loop within a scan.
func (g *Clock) Now() time.Duration {
	at := g.Clock.Now()
	for g.within && int64(at) > g.until.Load() && !g.over.Load() {
		g.asked.Store(int64(at))
		time.Sleep(look)
	}
	return at
}

func (g *Clock) hold(ctx context.Context, at time.Duration) error {
	g.asked.Store(int64(at))
	for int64(at) > g.until.Load() {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(look):
		}
	}
	return nil
}

// WaitUntil waits at the gate first.
func (g *Clock) WaitUntil(ctx context.Context, at time.Duration) error {
	if err := g.hold(ctx, at); err != nil {
		return err
	}
	return g.Clock.WaitUntil(ctx, at)
}

// WaitUntilOrEdge waits at the gate first.
func (g *Clock) WaitUntilOrEdge(ctx context.Context, at time.Duration) (bool, error) {
	if err := g.hold(ctx, at); err != nil {
		return false, err
	}
	return g.Clock.WaitUntilOrEdge(ctx, at)
}
