package snapshot_test

import (
	"context"
	"encoding/json"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
)

func numbered(seq uint64) *snapshot.Snapshot {
	return &snapshot.Snapshot{Schema: snapshot.Schema, Seq: seq}
}

func TestHubHandsOnTheNewestOnly(t *testing.T) {
	hub := snapshot.NewHub(time.Now)
	assert.Nil(t, hub.Current(), "nothing before the first")

	for seq := range uint64(5) {
		hub.Publish(numbered(seq + 1))
	}
	got, err := hub.Next(t.Context(), 2)
	require.NoError(t, err)
	assert.Equal(t, uint64(5), got.Seq, "a reader that has seen 2 skips to the newest")
	assert.Same(t, hub.Current(), got)
}

func TestHubWakesEveryReaderThatWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hub := snapshot.NewHub(time.Now)
		const readers = 20
		got := make(chan uint64, readers)
		for range readers {
			go func() {
				s, err := hub.Next(t.Context(), 0)
				if assert.NoError(t, err) {
					got <- s.Seq
				}
			}()
		}
		synctest.Wait()
		assert.Empty(t, got, "nobody is served before the first snapshot")
		hub.Publish(numbered(1))
		synctest.Wait()
		assert.Len(t, got, readers)
	})
}

func TestHubReaderStopsWithItsContext(t *testing.T) {
	hub := snapshot.NewHub(time.Now)
	hub.Publish(numbered(7))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := hub.Next(ctx, 7)
	assert.ErrorIs(t, err, context.Canceled)
	_, err = hub.Next(ctx, 6)
	assert.NoError(t, err, "what is there already needs no waiting")
}

// The age runs on the process's clock, whatever the snapshot says its time is.
func TestHubAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hub := snapshot.NewHub(time.Now)
		time.Sleep(3 * time.Second) // of the bubble's clock
		assert.Equal(t, 3*time.Second, hub.Age(), "before the first: since the start")
		s := numbered(1)
		s.At = time.Date(1970, 1, 1, 0, 0, 5, 0, time.UTC)
		hub.Publish(s)
		assert.Zero(t, hub.Age())
		time.Sleep(time.Minute)
		assert.Equal(t, time.Minute, hub.Age())
	})
}

func TestHubEncodesOnce(t *testing.T) {
	hub := snapshot.NewHub(time.Now)
	first := numbered(1)
	hub.Publish(first)
	a, err := hub.JSON(first)
	require.NoError(t, err)
	b, err := hub.JSON(first)
	require.NoError(t, err)
	assert.Same(t, &a[0], &b[0], "the current one is encoded once")

	hub.Publish(numbered(2))
	late, err := hub.JSON(first)
	require.NoError(t, err)
	assert.Equal(t, a, late, "one that was overtaken has the same bytes")

	var back snapshot.Snapshot
	require.NoError(t, json.Unmarshal(a, &back))
	assert.Equal(t, *first, back)
}

func TestHubRefusesWhatJSONCantSay(t *testing.T) {
	hub := snapshot.NewHub(time.Now)
	s := numbered(1)
	s.UptimeS = math.NaN()
	hub.Publish(s)
	_, err := hub.JSON(s)
	assert.Error(t, err)
}

// One writer and many readers: each reader sees the numbers grow and ends at the last. Run with
// -race.
func TestHubUnderLoad(t *testing.T) {
	hub := snapshot.NewHub(time.Now)
	const last = 2000
	var readers sync.WaitGroup
	for range 8 {
		readers.Go(func() {
			for seq := uint64(0); seq < last; {
				s, err := hub.Next(t.Context(), seq)
				if !assert.NoError(t, err) || !assert.Greater(t, s.Seq, seq) {
					return
				}
				seq = s.Seq
				_, err = hub.JSON(s)
				assert.NoError(t, err)
			}
		})
	}
	for seq := range uint64(last) {
		hub.Publish(numbered(seq + 1))
	}
	readers.Wait()
}

func TestFindingAlarming(t *testing.T) {
	// State words: ANSI/ISA-18.2-2016 and IEC 62682.
	for state, want := range map[string]bool{
		"normal": false, "unacknowledged": true, "acknowledged": true,
		"returned to normal unacknowledged": false, "shelved": false, "out of service": false,
	} {
		f := snapshot.Finding{State: state, Active: true}
		assert.Equal(t, want, f.Alarming(), state)
	}
}
