package sensors

import "time"

// NewBubbleClock gives a RealClock whose short waits go by the fake time of a synctest bubble.
func NewBubbleClock() *RealClock {
	c := NewRealClock()
	c.sleep = time.Sleep
	return c
}
