package agent

import (
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/outlet"
	"liftbank/agent/snapshot"
	"liftbank/agent/trouble"
)

// wakened is an outlet that counts how often it was woken.
type wakened struct {
	outlet.Outlet
	n int
}

func (w *wakened) Wake() { w.n++ }

// State says nothing.
func (*wakened) State() outlet.State { return outlet.State{} }

// watched returns an agent whose loop a test plays.
func watched() (a *Agent, out *wakened) {
	out = &wakened{}
	a = &Agent{hub: snapshot.NewHub(time.Now), outlets: outlets{out}}
	a.opts.Now, a.opts.Log = time.Now, slog.New(slog.DiscardHandler)
	a.opts.Config.Board.Scan.RestEvery = time.Second
	a.scanned.Store(time.Now().UnixNano())
	return a, out
}

// A loop that hangs in a transfer is said within seconds, to the outlets too, and ends the agent, so
// that the service manager starts it again.
func TestALoopThatHangsIsSaidAndEndsTheAgent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, out := watched()
		ended := make(chan error, 1)
		begun := time.Now()
		go func() { ended <- a.watchLoop(make(chan error), make(chan struct{})) }()
		time.Sleep(10 * time.Second)
		assert.False(t, a.hub.Stalled())
		time.Sleep(3 * time.Second)
		synctest.Wait()
		assert.True(t, a.hub.Stalled())
		assert.Equal(t, trouble.Bus, a.Troubles()[0].Part)
		assert.Equal(t, 1, out.n)
		require.ErrorIs(t, <-ended, ErrLoopHangs)
		assert.LessOrEqual(t, time.Since(begun), 35*time.Second)
	})
}

// A loop that goes on after all takes the word back; one that scans slowly is not said to hang.
func TestALoopThatGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, out := watched()
		a.opts.Config.Board.Scan.RestEvery = time.Minute
		result, stopping := make(chan error), make(chan struct{})
		ended := make(chan error, 1)
		go func() { ended <- a.watchLoop(result, stopping) }()
		for range 10 {
			time.Sleep(time.Minute)
			assert.False(t, a.hub.Stalled())
			a.scanned.Store(time.Now().UnixNano())
		}
		time.Sleep(75 * time.Second)
		synctest.Wait()
		assert.True(t, a.hub.Stalled())
		a.scanned.Store(time.Now().UnixNano())
		time.Sleep(2 * time.Second)
		synctest.Wait()
		assert.False(t, a.hub.Stalled())
		assert.Empty(t, a.Troubles())
		assert.Equal(t, 2, out.n)
		result <- nil
		assert.NoError(t, <-ended)
	})
}

// A stop is obeyed within seconds although the loop hangs.
func TestAStopIsObeyedWhileTheLoopHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, _ := watched()
		stopping := make(chan struct{})
		ended := make(chan error, 1)
		go func() { ended <- a.watchLoop(make(chan error), stopping) }()
		time.Sleep(2 * time.Second)
		begun := time.Now()
		close(stopping)
		require.NoError(t, <-ended)
		assert.LessOrEqual(t, time.Since(begun), 5*time.Second)
	})
}
