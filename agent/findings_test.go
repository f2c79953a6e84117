package agent_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/rules"
	"liftbank/rules/finding"
)

func TestPeopleActThroughTheLoop(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		b := newBench(t, w.listen)
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		stop := b.start(t)
		var people sync.WaitGroup
		for range 4 {
			people.Go(func() {
				err := b.agent.Do(ctx, func(e *rules.Engine) error {
					return e.Findings().Shelve("bank-low", "", "kim", e.Now().Mono, time.Hour)
				})
				assert.NoError(t, err)
			})
		}
		people.Wait()
		snap := b.agent.Hub().Current()
		for snap == nil || len(snap.Findings) == 0 {
			var seq uint64
			if snap != nil {
				seq = snap.Seq
			}
			next, err := b.agent.Hub().Next(ctx, seq)
			require.NoError(t, err)
			snap = next
		}
		assert.Equal(t, "bank-low", snap.Findings[0].Name)
		assert.Equal(t, "shelved", snap.Findings[0].State)
		assert.False(t, snap.Findings[0].Alarming())
		assert.WithinDuration(t, snap.At.Add(time.Hour), *snap.Findings[0].ShelvedUntil, 10*time.Second)

		err := b.agent.Do(
			ctx,
			func(e *rules.Engine) error { return e.Findings().Acknowledge("feed-lost", "", "kim", e.Now().Mono) },
		)
		assert.ErrorIs(t, err, finding.ErrCleared)
		require.NoError(t, stop())
		assert.ErrorIs(t, b.agent.Do(ctx, func(*rules.Engine) error { return nil }), agent.ErrStopped)
	})
}

func TestWaitingForTheLoopEndsWithTheContext(t *testing.T) {
	b := newBench(t)
	ctx, cancel := context.WithCancelCause(t.Context())
	why := errors.New("gone home")
	cancel(why)
	assert.ErrorIs(t, b.agent.Do(ctx, func(*rules.Engine) error { return nil }), why)
	stop := b.start(t)
	require.NoError(t, stop())
}
