package sensors

import (
	"context"
	"time"
)

// Clock is the board's time.
type Clock interface {
	// Now returns the time since the clock's start. It never goes back.
	Now() time.Duration
	// WaitUntil returns at the given time, or with the context's error when ctx ends first.
	WaitUntil(ctx context.Context, at time.Duration) error
	// WaitUntilOrEdge is like WaitUntil, but returns earlier, with edge true, when a contact
	// changes. It returns at once for a change since the last wait that reported one.
	WaitUntilOrEdge(ctx context.Context, at time.Duration) (edge bool, err error)
}

var _ Clock = (*RealClock)(nil)

// RealClock is the time of this machine since NewRealClock, on the monotonic clock: setting the
// wall clock does not move it. Any goroutine may call Now and WaitUntil, one at a time
// WaitUntilOrEdge.
type RealClock struct {
	start time.Time
	wake  <-chan struct{}
	sleep func(time.Duration) // for short waits
}

// NewRealClock returns a clock that starts at zero.
func NewRealClock() *RealClock {
	return &RealClock{start: time.Now(), sleep: shortSleep}
}

// Listen sets the channel that ends WaitUntilOrEdge early, that of contact.Watcher. Call it before
// the first wait; without it only time ends a wait.
func (c *RealClock) Listen(wake <-chan struct{}) { c.wake = wake }

// Now returns the time since NewRealClock.
func (c *RealClock) Now() time.Duration { return time.Since(c.start) }

// shortWait is the longest wait that sleeps in the kernel. A timer of the Go runtime rounds up to
// whole milliseconds on an idle Linux machine (measured: 2.1 ms for a wait of 1.3 ms, compared with
// 1.4 ms), which would cost 40 % of the scan rate during a motor run. A request to stop may be
// delayed by this long.
const shortWait = 5 * time.Millisecond

// WaitUntil returns at the given time, or with the error of ctx if that ends first.
func (c *RealClock) WaitUntil(ctx context.Context, at time.Duration) error {
	for {
		d := at - c.Now()
		if err := ctx.Err(); err != nil || d <= 0 {
			return err
		}
		if d <= shortWait {
			c.sleep(d)
			continue
		}
		if _, err := c.timer(ctx, d, nil); err != nil {
			return err
		}
	}
}

// WaitUntilOrEdge returns at the given time, earlier with true when woken, or with the error of ctx
// if that ends first.
func (c *RealClock) WaitUntilOrEdge(ctx context.Context, at time.Duration) (edge bool, err error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	return c.timer(ctx, at-c.Now(), c.wake)
}

// timer waits for d, a wake-up or the end of ctx. A pending wake-up wins over a time that has
// passed.
func (c *RealClock) timer(ctx context.Context, d time.Duration, wake <-chan struct{}) (woken bool, err error) {
	select {
	case <-wake:
		return true, nil
	default:
	}
	if d <= 0 {
		return false, ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-wake:
		return true, nil
	case <-t.C:
		return false, nil
	case <-ctx.Done():
		return false, ctx.Err()
	}
}
