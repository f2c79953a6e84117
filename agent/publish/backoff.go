package publish

import "time"

// backoff is the pause between connections. It doubles with each failure, and half of it is random
// so that the units of a fleet don't all come back at once after the broker was away.
type backoff struct {
	limits   Limits
	rand     func() float64
	failures int // one after the other
}

// next returns the pause after a connection that lasted for up, the attempt included.
func (b *backoff) next(up time.Duration) time.Duration {
	if up >= b.limits.BackoffKept {
		b.failures = 0
	}
	pause := b.limits.BackoffMin
	for range b.failures {
		pause = min(2*pause, b.limits.BackoffMax)
		if pause == b.limits.BackoffMax {
			break
		}
	}
	b.failures++
	return pause/2 + time.Duration(b.rand()*float64(pause/2))
}
