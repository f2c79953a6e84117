package contact_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"periph.io/x/conn/v3/gpio"

	"liftbank/sensors"
	"liftbank/sensors/contact"
	"liftbank/sim/board"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// bubbleClock is the fake time of a synctest bubble since the test's start.
type bubbleClock struct{ start time.Time }

func (c bubbleClock) Now() time.Duration { return time.Since(c.start) }

func (c bubbleClock) WaitUntil(ctx context.Context, at time.Duration) error {
	select {
	case <-time.After(at - c.Now()):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// watch runs a test in fake time with a watcher on inputs, and stops it at the end.
func watch(t *testing.T, inputs []contact.Input, test func(t *testing.T, w *contact.Watcher)) {
	t.Helper()
	w, err := contact.New(inputs, bubbleClock{time.Now()})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	stopped := make(chan error)
	go func() { stopped <- w.Run(ctx) }()
	synctest.Wait()
	test(t, w)
	cancel()
	assert.ErrorIs(t, <-stopped, context.Canceled)
}

func pin(name string) *board.Pin {
	return board.NewPin(name, -1, board.PinOptions{IoctlTimeouts: true})
}

// drive sets a pin at each of the times, beginning low and changing in turn; it returns at the
// last.
func drive(p *board.Pin, level gpio.Level, gaps ...time.Duration) {
	for _, gap := range gaps {
		time.Sleep(gap) // fake time
		p.Drive(level)
		level = !level
	}
}

func TestShortCommandIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pin("motor")
		watch(t, []contact.Input{{Name: "motor", Pin: p}}, func(t *testing.T, w *contact.Watcher) {
			drive(p, gpio.High, 10*time.Second, 300*ms)
			time.Sleep(50 * ms)
			assert.Equal(t, []sensors.Edge{{On: true, At: 10 * time.Second}, {On: false, At: 10300 * ms}}, w.Take(nil))
			assert.Empty(t, w.Take(nil), "taken once")
		})
	})
}

// The board is woken by the first touch, not by the end of debouncing; the edge is of the first
// touch.
func TestWakesAtTheFirstTouch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pin("motor")
		watch(t, []contact.Input{{Name: "motor", Pin: p}}, func(t *testing.T, w *contact.Watcher) {
			start := time.Now()
			go drive(p, gpio.High, time.Second, 3*ms, 2*ms, 4*ms, 1*ms)
			<-w.Wake()
			assert.Equal(t, time.Second, time.Since(start))
			assert.Empty(t, w.Take(nil))
			<-w.Wake()
			assert.InDelta(t, 1.030, time.Since(start).Seconds(), 0.003)
			assert.Equal(t, []sensors.Edge{{On: true, At: time.Second}}, w.Take(nil))
			on, known := w.Level(0)
			assert.True(t, on && known)
		})
	})
}

func TestActiveLow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pin("wake")
		inputs := []contact.Input{{Name: "wake", Pin: p, ActiveLow: true, Pull: gpio.PullUp, Debounce: 5 * ms}}
		watch(t, inputs, func(t *testing.T, w *contact.Watcher) {
			assert.Equal(t, gpio.PullUp, p.Pull())
			on, known := w.Level(0)
			assert.False(t, on, "open, pulled up")
			assert.True(t, known)
			drive(p, gpio.Low, time.Second)
			time.Sleep(10 * ms)
			on, _ = w.Level(0)
			assert.True(t, on)
			assert.Equal(t, []sensors.Edge{{On: true, At: time.Second}}, w.Take(nil))
		})
	})
}

func TestStateAtTheStartIsNoEdge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pin("disconnect")
		p.Drive(gpio.High)
		watch(t, []contact.Input{{Name: "disconnect", Pin: p}}, func(t *testing.T, w *contact.Watcher) {
			time.Sleep(time.Minute)
			on, known := w.Level(0)
			assert.True(t, on && known)
			assert.Empty(t, w.Take(nil))
		})
	})
}

// The slower contact changed first and is certain last.
func TestEdgesOfSeveralContactsAreInTimeOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow, quick := pin("slow"), pin("quick")
		inputs := []contact.Input{
			{Name: "slow", Pin: slow, Debounce: 100 * ms},
			{Name: "quick", Pin: quick, Debounce: 2 * ms},
		}
		watch(t, inputs, func(t *testing.T, w *contact.Watcher) {
			drive(slow, gpio.High, time.Second)
			drive(quick, gpio.High, 10*ms, 10*ms)
			time.Sleep(200 * ms)
			assert.Equal(t, []sensors.Edge{
				{Contact: 0, On: true, At: 1000 * ms},
				{Contact: 1, On: true, At: 1010 * ms},
				{Contact: 1, On: false, At: 1020 * ms},
			}, w.Take(nil))
		})
	})
}

// oddPin is a pin of a driver that does not do what the interface says.
type oddPin struct {
	*board.Pin
	looks    atomic.Int64
	deaf     bool // edges do not work: waits out the time
	returns  bool // edges do not work: returns at once
	unhalted bool // a wait cannot be interrupted
}

func (p *oddPin) Read() gpio.Level {
	p.looks.Add(1)
	return p.Pin.Read()
}

func (p *oddPin) WaitForEdge(timeout time.Duration) bool {
	switch {
	case timeout <= 0:
		panic("drivers disagree about this timeout")
	case p.returns:
		return false
	case p.deaf:
		time.Sleep(timeout)
		return false
	}
	return p.Pin.WaitForEdge(timeout)
}

func (p *oddPin) Halt() error {
	if p.unhalted {
		return errors.New("not supported")
	}
	return p.Pin.Halt()
}

// At rest a contact costs one look in five seconds.
func TestQuietContactIsCheap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &oddPin{Pin: pin("quiet")}
		watch(t, []contact.Input{{Name: "quiet", Pin: p}}, func(t *testing.T, _ *contact.Watcher) {
			time.Sleep(time.Minute)
			assert.LessOrEqual(t, p.looks.Load(), int64(13))
		})
	})
}

func TestLostEdgeIsFoundByReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &oddPin{Pin: pin("deaf"), deaf: true}
		watch(t, []contact.Input{{Name: "deaf", Pin: p}}, func(t *testing.T, w *contact.Watcher) {
			drive(p.Pin, gpio.High, 10*time.Second)
			time.Sleep(5100 * ms)
			edges := w.Take(nil)
			require.Len(t, edges, 1)
			assert.InDelta(t, 12.5, edges[0].At.Seconds(), 2.51)
		})
	})
}

// A driver that returns at once, as one does for a pin without edges, must not become a busy loop,
// and a command of 0.3 s is seen even so.
func TestPinWithoutEdgesIsPolled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &oddPin{Pin: pin("no edges"), returns: true}
		watch(t, []contact.Input{{Name: "no edges", Pin: p}}, func(t *testing.T, w *contact.Watcher) {
			drive(p.Pin, gpio.High, 10*time.Second+3*ms, 300*ms)
			time.Sleep(100 * ms)
			edges := w.Take(nil)
			require.Len(t, edges, 2)
			assert.InDelta(t, 10.008, edges[0].At.Seconds(), 0.0051)
			assert.InDelta(t, 0.3, (edges[1].At - edges[0].At).Seconds(), 0.011)
			assert.LessOrEqual(t, p.looks.Load(), int64(1100), "in 10.4 s")
		})
	})
}

// An input that chatters wakes the watcher a thousand times a second at most.
func TestChatterIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &oddPin{Pin: pin("loose")}
		watch(t, []contact.Input{{Name: "loose", Pin: p}}, func(t *testing.T, w *contact.Watcher) {
			level := gpio.High
			for range 50_000 {
				time.Sleep(100 * time.Microsecond)
				p.Drive(level)
				level = !level
			}
			assert.LessOrEqual(t, p.looks.Load(), int64(5100), "in 5 s")
			_ = w.Take(nil)
		})
	})
}

func TestStopsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &oddPin{Pin: pin("stop")}
		var before time.Time
		watch(t, []contact.Input{{Name: "stop", Pin: p}}, func(*testing.T, *contact.Watcher) { before = time.Now() })
		assert.Less(t, time.Since(before), 20*ms)
	})
}

func TestStopsThoughADriverCannotBeInterrupted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &oddPin{Pin: pin("stubborn"), unhalted: true}
		var before time.Time
		watch(
			t,
			[]contact.Input{{Name: "stubborn", Pin: p}},
			func(*testing.T, *contact.Watcher) { before = time.Now() },
		)
		assert.LessOrEqual(t, time.Since(before), 5*time.Second+10*ms)
	})
}

// The newest edges are kept when nobody takes them.
func TestEdgesNobodyTakes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pin("busy")
		watch(t, []contact.Input{{Name: "busy", Pin: p, Debounce: ms}}, func(t *testing.T, w *contact.Watcher) {
			level := gpio.High
			for range 600 {
				drive(p, level, 10*ms)
				level = !level
			}
			time.Sleep(10 * ms)
			edges := w.Take(nil)
			require.Len(t, edges, 512)
			assert.Equal(t, 6*time.Second, edges[511].At)
			assert.Equal(t, uint64(88), w.Dropped())
		})
	})
}

type refusingPin struct{ *board.Pin }

func (refusingPin) In(gpio.Pull, gpio.Edge) error {
	return errors.New("doesn't support pull-up/pull-down")
}

func TestInputsThatCannotBe(t *testing.T) {
	_, err := contact.New([]contact.Input{
		{Name: "motor", Pin: refusingPin{pin("GPIO17")}, Pull: gpio.PullUp},
		{Name: "wake", Pin: pin("GPIO18"), Debounce: 2 * time.Second},
	}, bubbleClock{time.Now()})
	assert.EqualError(
		t,
		err,
		"contact motor: set up pin GPIO17 as input: pull PullUp: doesn't support pull-up/pull-down\n"+
			"contact wake: debounce: 2s: want 0 to 1s",
	)
}
