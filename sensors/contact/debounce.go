package contact

import "time"

// Debouncer turns the level of a bouncing contact into edges. It is pure: it gets levels and times.
//
// A change counts once the level has held for the debounce time, and then has the time of the first
// change. A level that returns within that time was a bounce or a disturbance and leaves no edge.
type Debouncer struct {
	hold    time.Duration
	known   bool
	settled bool // the level that counts
	level   bool // the last level
	moving  bool // the level has changed and not held yet
	since   time.Duration
	first   time.Duration
}

// restlessAfter is the number of debounce times after which the state of a contact that keeps
// changing is unknown.
const restlessAfter = 50

// NewDebouncer returns a debouncer with the time that a level must hold, 0 or more. The state is
// unknown until the first sample.
func NewDebouncer(hold time.Duration) Debouncer { return Debouncer{hold: hold} }

// Sample applies the level at a time, which must not go back. If that makes a change certain, edge
// is true, with the new state and the time of the change. The first sample sets the state and is
// not an edge.
func (d *Debouncer) Sample(level bool, now time.Duration) (edge, on bool, at time.Duration) {
	if !d.known {
		d.known, d.settled, d.level = true, level, level
		return false, level, now
	}
	if level != d.level {
		d.level = level
		if !d.moving {
			d.moving, d.first = true, now
		}
		d.since = now
	}
	if !d.moving || now-d.since < d.hold {
		return false, d.settled, now
	}
	d.moving = false
	if d.level == d.settled {
		return false, d.settled, now
	}
	d.settled = d.level
	return true, d.settled, d.first
}

// State returns the debounced state at a time. known is false before the first sample, and while
// the contact keeps changing for longer than it can bounce.
func (d *Debouncer) State(now time.Duration) (on, known bool) {
	restless := d.moving && now-d.first > restlessAfter*max(d.hold, time.Millisecond)
	return d.settled, d.known && !restless
}

// Due returns when to sample again even if nothing changes; pending is false if that is not needed.
func (d *Debouncer) Due() (at time.Duration, pending bool) { return d.since + d.hold, d.moving }
