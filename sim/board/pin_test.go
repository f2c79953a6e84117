package board_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"

	"liftbank/sim/board"
)

const forever = -1

func newPin(t *testing.T, edge gpio.Edge, opt board.PinOptions) *board.Pin {
	p := board.NewPin("GPIO17", 17, opt)
	require.NoError(t, p.In(gpio.PullDown, edge))
	return p
}

// timed runs WaitForEdge and gives what it returned and how long it took.
func timed(p *board.Pin, timeout time.Duration) (edge bool, took time.Duration) {
	begin := time.Now()
	edge = p.WaitForEdge(timeout)
	return edge, time.Since(begin)
}

func TestPinLevel(t *testing.T) {
	p := board.NewPin("GPIO17", 17, board.PinOptions{})
	require.NoError(t, p.In(gpio.PullUp, gpio.NoEdge))
	assert.Equal(t, gpio.High, p.Read(), "pulled up, not driven")
	assert.Equal(t, gpio.PullUp, p.Pull())
	require.NoError(t, p.In(gpio.PullDown, gpio.NoEdge))
	assert.Equal(t, gpio.Low, p.Read())
	p.Drive(gpio.High)
	assert.Equal(t, gpio.High, p.Read(), "driven against the pull")
	assert.Equal(t, "GPIO17(17)", p.String())
	assert.Equal(t, "GPIO17", p.Name())
	assert.Equal(t, 17, p.Number())
	assert.Equal(t, "In/High", p.Function())
	assert.Equal(t, gpio.Float, p.DefaultPull())
}

func TestPinIsNoOutput(t *testing.T) {
	p := newPin(t, gpio.NoEdge, board.PinOptions{})
	assert.EqualError(t, p.Out(gpio.High), "GPIO17(17): set as output: it is an input only")
	assert.EqualError(t, p.PWM(gpio.DutyHalf, 0), "GPIO17(17): set PWM: it is an input only")
	assert.Equal(t, gpio.Low, p.Read())
}

// The contract of gpio.PinIn.WaitForEdge, periph.io/x/conn/v3 v3.7.3.
func TestWaitForEdge(t *testing.T) {
	t.Run("returns at once for an edge since the last call, once each", func(t *testing.T) {
		p := newPin(t, gpio.BothEdges, board.PinOptions{})
		p.Drive(gpio.High)
		p.Drive(gpio.High) // no change, no edge
		p.Drive(gpio.Low)
		assert.True(t, p.WaitForEdge(forever))
		assert.True(t, p.WaitForEdge(0))
		assert.False(t, p.WaitForEdge(0))
	})
	t.Run("waits for an edge", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := newPin(t, gpio.BothEdges, board.PinOptions{})
			time.AfterFunc(3*time.Second, func() { p.Drive(gpio.High) })
			edge, took := timed(p, time.Minute)
			assert.True(t, edge)
			assert.Equal(t, 3*time.Second, took)
			time.AfterFunc(time.Hour, func() { p.Drive(gpio.Low) })
			edge, took = timed(p, forever)
			assert.True(t, edge)
			assert.Equal(t, time.Hour, took)
		})
	})
	t.Run("gives up after the timeout", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := newPin(t, gpio.BothEdges, board.PinOptions{})
			edge, took := timed(p, time.Second)
			assert.False(t, edge)
			assert.Equal(t, time.Second, took)
		})
	})
	t.Run("sees only the edges asked for", func(t *testing.T) {
		for _, tt := range []struct {
			edge    gpio.Edge
			up, dwn bool
		}{{gpio.RisingEdge, true, false}, {gpio.FallingEdge, false, true}, {gpio.BothEdges, true, true},
			{gpio.NoEdge, false, false}} {
			p := newPin(t, tt.edge, board.PinOptions{})
			p.Drive(gpio.High)
			assert.Equal(t, tt.up, p.WaitForEdge(0), "%v, rising", tt.edge)
			p.Drive(gpio.Low)
			assert.Equal(t, tt.dwn, p.WaitForEdge(0), "%v, falling", tt.edge)
		}
	})
	t.Run("keeps sixteen edges", func(t *testing.T) {
		p := newPin(t, gpio.BothEdges, board.PinOptions{})
		for i := range 100 {
			p.Drive(gpio.Level(i%2 == 0))
		}
		for range 16 {
			assert.True(t, p.WaitForEdge(0))
		}
		assert.False(t, p.WaitForEdge(0))
	})
	t.Run("is ended by In and Halt", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := newPin(t, gpio.BothEdges, board.PinOptions{})
			time.AfterFunc(time.Second, func() { _ = p.In(gpio.PullUp, gpio.BothEdges) })
			edge, took := timed(p, forever)
			assert.False(t, edge)
			assert.Equal(t, time.Second, took)
			time.AfterFunc(time.Second, func() { _ = p.Halt() })
			edge, took = timed(p, time.Minute)
			assert.False(t, edge)
			assert.Equal(t, time.Second, took)
		})
	})
	t.Run("forgets edges at In", func(t *testing.T) {
		p := newPin(t, gpio.BothEdges, board.PinOptions{})
		p.Drive(gpio.High)
		require.NoError(t, p.In(gpio.PullUp, gpio.BothEdges))
		assert.False(t, p.WaitForEdge(0))
	})
	t.Run("serves two waiters one edge each", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := newPin(t, gpio.BothEdges, board.PinOptions{})
			got := make(chan bool, 2)
			for range 2 {
				go func() { got <- p.WaitForEdge(time.Minute) }()
			}
			synctest.Wait()
			p.Drive(gpio.High)
			assert.True(t, <-got)
			assert.False(t, <-got, "the other one times out")
		})
	})
}

// gpioioctl of periph.io/x/host/v3 v3.8.5: 0 waits for ever, -1 returns false at once.
func TestIoctlTimeouts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPin(t, gpio.BothEdges, board.PinOptions{IoctlTimeouts: true})
		edge, took := timed(p, forever)
		assert.False(t, edge)
		assert.Zero(t, took)
		time.AfterFunc(24*time.Hour, func() { p.Drive(gpio.High) })
		edge, took = timed(p, 0)
		assert.True(t, edge)
		assert.Equal(t, 24*time.Hour, took)
		edge, took = timed(p, time.Second)
		assert.False(t, edge)
		assert.Equal(t, time.Second, took)
	})
}

// A stepped clock: each Drive happens at an instant, and the watcher notes it at that instant
// without the clock moving on.
func TestDriveAndWaitHandsEdgesOver(t *testing.T) {
	p := newPin(t, gpio.BothEdges, board.PinOptions{})
	var now time.Duration // moved by this goroutine while the watcher waits
	var seen []time.Duration
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			if p.WaitForEdge(time.Minute) {
				seen = append(seen, now)
			}
			select {
			case <-stop:
				return
			default:
			}
		}
	}()
	var want []time.Duration
	for i := range 1000 {
		now += time.Second
		require.True(t, p.DriveAndWait(gpio.Level(i%2 == 0), time.Minute))
		want = append(want, now)
	}
	close(stop)
	require.NoError(t, p.Halt())
	<-done
	assert.Equal(t, want, seen)
}

func TestDriveAndWaitGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPin(t, gpio.RisingEdge, board.PinOptions{})
		begin := time.Now()
		assert.False(t, p.DriveAndWait(gpio.High, 50*time.Millisecond), "nobody watches")
		assert.Equal(t, 50*time.Millisecond, time.Since(begin))
		assert.Equal(t, gpio.High, p.Read(), "driven all the same")
		assert.True(t, p.DriveAndWait(gpio.Low, time.Hour), "a falling edge is none to hand over")
		assert.True(t, p.WaitForEdge(0), "the edge waits to be taken")

		done := make(chan struct{})
		go func() {
			defer close(done)
			p.WaitForEdge(forever) // takes the edge and never comes back
		}()
		synctest.Wait()
		assert.False(t, p.DriveAndWait(gpio.High, time.Second))
		<-done
	})
}

func BenchmarkDriveAndWait(b *testing.B) {
	p := board.NewPin("GPIO17", 17, board.PinOptions{})
	require.NoError(b, p.In(gpio.PullDown, gpio.BothEdges))
	done := make(chan struct{})
	go func() {
		defer close(done)
		for p.WaitForEdge(time.Minute) {
		}
	}()
	level := gpio.Low
	for b.Loop() {
		level = !level
		p.DriveAndWait(level, time.Second)
	}
	require.NoError(b, p.Halt())
	<-done
}
