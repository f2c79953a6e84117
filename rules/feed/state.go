package feed

import (
	"fmt"
	"time"
)

// State is what a judge knows, to be saved and restored.
type State struct {
	Status             Status
	Since              time.Duration // monotonic, of Status
	Last               time.Duration // monotonic, of the last reading
	Wake               bool
	WakeAt             time.Duration // monotonic, of the wake line's last change
	Begun              bool
	SmoothA            float64
	HaveA              bool
	WakeTime, FeedTime time.Duration
}

// State gives what is known.
func (j *Judge) State() State {
	return State{
		Status: j.status, Since: j.since, Last: j.last, Wake: j.wake, WakeAt: j.wakeAt, Begun: j.begun,
		SmoothA: j.smoothA, HaveA: j.haveA, WakeTime: j.wakeTime, FeedTime: j.feedTime,
	}
}

// Restore takes a saved state over; one that can't be is refused and changes nothing.
func (j *Judge) Restore(s State) error {
	switch {
	case s.Status > Unasked:
		return fmt.Errorf("feed: state: status %d: want 0 to %d", s.Status, Unasked)
	case s.Since > s.Last || s.WakeAt > s.Last:
		return fmt.Errorf("feed: state: status since %v, wake line since %v: want not after the last reading, %v", s.Since, s.WakeAt, s.Last)
	case s.WakeTime < 0 || s.FeedTime < 0:
		return fmt.Errorf("feed: state: summed times %v and %v: want 0 or more", s.WakeTime, s.FeedTime)
	case !(s.SmoothA > -1e4 && s.SmoothA < 1e4):
		return fmt.Errorf("feed: state: current %g A: want one that can be", s.SmoothA)
	}
	*j = Judge{
		set: j.set, status: s.Status, since: s.Since, last: s.Last, wake: s.Wake, wakeAt: s.WakeAt, begun: s.Begun,
		smoothA: s.SmoothA, haveA: s.HaveA, wakeTime: s.WakeTime, feedTime: s.FeedTime,
	}
	return nil
}
