package agent_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
)

// A board without a battery-backed clock starts with a wall time nobody can trust: the gap is made
// up for in the middle of the run.
func TestTheGapIsMadeUpForWhenTheClockIsSet(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		trusted := true
		wall := func() (time.Time, bool) { return now, trusted }
		core := func() *agent.Core {
			a := newBench(t, w.listen, func(o *agent.Options) { o.Parts.Wall = wall }).agent
			t.Cleanup(func() { // it closes its files when it ends
				ctx, cancel := context.WithCancel(context.Background())
				cancel()
				assert.NoError(t, a.Store().Run(ctx))
			})
			return a.Core()
		}
		a := core()
		_, err := a.Next(t.Context())
		require.NoError(t, err)
		saved := a.State()

		now, trusted = now.Add(-1e6*time.Hour), false
		b := core()
		require.NoError(t, b.Restore(saved))
		out, err := b.Next(t.Context())
		require.NoError(t, err)
		assert.Less(t, out.At.Mono-saved.At.Mono, time.Minute)
		begun := out.At.Mono

		now, trusted = saved.At.Wall.Add(30*time.Hour), true
		out, err = b.Next(t.Context())
		require.NoError(t, err)
		assert.InDelta(t, 30*time.Hour, out.At.Mono-saved.At.Mono, float64(time.Minute))

		out, err = b.Next(t.Context())
		require.NoError(t, err)
		assert.Less(t, out.At.Mono-begun, 31*time.Hour, "once")
	})
}
