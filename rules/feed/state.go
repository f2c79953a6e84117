package feed

import (
	"fmt"
	"time"

	"liftbank/rules/unit"
)

// State is all that a judge knows, to be saved and restored.
type State struct {
	Status             Status
	Since              time.Duration // monotonic, of Status
	Last               time.Duration // monotonic, of the last scan
	Wake               bool
	WakeAt             time.Duration // monotonic, of the wake line's last change
	Begun              bool
	SmoothA            float64 // smoothed current into the bank
	HaveA              bool
	WakeTime, FeedTime time.Duration // totals
}

// State returns what is known.
func (j *Judge) State() State { return j.state }

// Restore replaces what is known. An impossible state is refused and changes nothing.
func (j *Judge) Restore(s State) error {
	var c unit.Check
	if s.Status > Unasked {
		c.Wrong("status %d: want 0 to %d", s.Status, Unasked)
	}
	if s.Since > s.Last || s.WakeAt > s.Last {
		c.Wrong("status since %v, wake line since %v: want not after the last reading, %v", s.Since, s.WakeAt, s.Last)
	}
	c.Time("total times", s.WakeTime, s.FeedTime)
	c.Finite("current", s.SmoothA)
	if err := c.Err(); err != nil {
		return fmt.Errorf("feed: state: %w", err)
	}
	j.state = s
	return nil
}
