package feed

import (
	"fmt"
	"time"
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

const maxSmoothA = 1e4 // A: bound of a saved current; our choice

// State returns what is known.
func (j *Judge) State() State { return j.state }

// Restore replaces what is known. An impossible state is refused and changes nothing.
func (j *Judge) Restore(s State) error {
	switch {
	case s.Status > Unasked:
		return fmt.Errorf("feed: state: status %d: want 0 to %d", s.Status, Unasked)
	case s.Since > s.Last || s.WakeAt > s.Last:
		return fmt.Errorf("feed: state: status since %v, wake line since %v: want not after the last reading, %v",
			s.Since, s.WakeAt, s.Last)
	case s.WakeTime < 0 || s.FeedTime < 0:
		return fmt.Errorf("feed: state: total times %v and %v: want 0 or more", s.WakeTime, s.FeedTime)
	case !(s.SmoothA > -maxSmoothA && s.SmoothA < maxSmoothA):
		return fmt.Errorf("feed: state: current %g A: want a finite one", s.SmoothA)
	}
	j.state = s
	return nil
}
