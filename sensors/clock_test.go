package sensors_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"periph.io/x/conn/v3/gpio"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/contact"
	"liftbank/sim/board"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestClockWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := sensors.NewBubbleClock()
		for _, at := range []time.Duration{
			ms, 3 * ms, time.Second, time.Second, 0, time.Hour, time.Hour + 5500*time.Microsecond,
		} {
			before := c.Now()
			require.NoError(t, c.WaitUntil(t.Context(), at))
			assert.Equal(t, max(at, before), c.Now())
		}
	})
}

func TestClockStopsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := sensors.NewBubbleClock()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		assert.ErrorIs(t, c.WaitUntil(ctx, time.Hour), context.DeadlineExceeded)
		assert.Equal(t, time.Second, c.Now())
		assert.ErrorIs(t, c.WaitUntil(ctx, time.Hour), context.DeadlineExceeded)
		_, err := c.WaitUntilOrEdge(ctx, time.Hour)
		assert.ErrorIs(t, err, context.DeadlineExceeded)
		assert.ErrorIs(t, c.WaitUntil(ctx, 0), context.DeadlineExceeded, "also when there is nothing to wait for")
		assert.Equal(t, time.Second, c.Now())
	})
}

func TestClockIsWoken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := sensors.NewBubbleClock()
		edge, err := c.WaitUntilOrEdge(t.Context(), 10*ms)
		require.NoError(t, err)
		assert.False(t, edge, "without anybody to wake it")
		wake := make(chan struct{}, 1)
		c.Listen(wake)

		wake <- struct{}{} // before the wait, and although its time is over
		edge, err = c.WaitUntilOrEdge(t.Context(), 0)
		require.NoError(t, err)
		assert.True(t, edge)
		assert.Equal(t, 10*ms, c.Now())

		time.AfterFunc(time.Minute, func() { wake <- struct{}{} })
		edge, err = c.WaitUntilOrEdge(t.Context(), time.Hour)
		require.NoError(t, err)
		assert.True(t, edge)
		assert.Equal(t, time.Minute+10*ms, c.Now())

		edge, err = c.WaitUntilOrEdge(t.Context(), time.Hour)
		require.NoError(t, err)
		assert.False(t, edge)
		assert.Equal(t, time.Hour, c.Now())
	})
}

// The real short sleep comes back, not early by the caller's reckoning; how late is the machine's
// affair.
func TestClockInRealTime(t *testing.T) {
	c := sensors.NewRealClock()
	at := c.Now() + 300*time.Microsecond
	require.NoError(t, c.WaitUntil(t.Context(), at))
	assert.GreaterOrEqual(t, c.Now(), at)
}

// Pins, debouncing, clock, schedule, driver and chips together: a bouncing command of 0.3 s, in the
// middle of a second.
func TestShortRunThroughPinAndRegisters(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := sensors.NewBubbleClock()
		pin := board.NewPin("coil", 17, board.PinOptions{IoctlTimeouts: true})
		watcher, err := contact.New([]contact.Input{{Name: "motor", Pin: pin}}, clock)
		require.NoError(t, err)
		clock.Listen(watcher.Wake())
		chip := board.NewChip(0x48, clock, board.Options{})
		chip.Connect(0, func(time.Duration) float64 { return 1.5 })
		cfg := sensors.Config{Channels: rigConfig().Channels[:1], Contacts: 1, Schedule: sensors.DefaultSchedule()}
		cfg.Schedule.RunContact = 0
		b, err := sensors.New(cfg, []sensors.Chip{ads1115.New(board.NewBus(clock, chip), 0x48, clock)}, watcher, clock)
		require.NoError(t, err)

		ctx, cancel := context.WithCancel(t.Context())
		stopped := make(chan error)
		go func() { stopped <- watcher.Run(ctx) }()
		go func() {
			level := gpio.High
			// On at 2.5 s, off at 2.8 s.
			for _, gap := range []time.Duration{2500 * ms, 2 * ms, 3 * ms, 295 * ms, ms, ms} {
				time.Sleep(gap)
				pin.Drive(level)
				level = !level
			}
		}()

		var edges []sensors.Edge
		var firstFast time.Duration
		for clock.Now() < 8*time.Second {
			s, err := b.Next(ctx)
			require.NoError(t, err)
			edges = append(edges, s.Edges...)
			if s.Fast && firstFast == 0 {
				firstFast = s.At - s.Took
			}
		}
		cancel()
		<-stopped
		assert.Equal(t, []sensors.Edge{{On: true, At: 2500 * ms}, {At: 2800 * ms}}, edges)
		assert.Equal(t, 2500*ms, firstFast, "before debouncing is over")
		// 0.3 s and two of tail, at one conversion of 1.342 ms each; the tail begins when the end is
		// certain.
		assert.InDelta(t, 2320/1.342, b.Stats().FastScans, 20)
		assert.InDelta(t, 8, b.Stats().Scans-b.Stats().FastScans, 2)
	})
}
