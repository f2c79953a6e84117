package contact

import "time"

// Debouncer turns the level of a bouncing contact into edges. It is pure: levels and times are handed in.
//
// A change counts once the level has held for the debounce time, and is then dated back to the first change. What returns to
// the old state within that time was a bounce or a disturbance and leaves no edge.
type Debouncer struct {
	hold    time.Duration
	known   bool
	settled bool // level that counts
	level   bool // level seen last
	moving  bool // the level changed and has not held yet
	since   time.Duration
	first   time.Duration
}

// restlessAfter is how many debounce times a contact may go on changing before its state is unknown.
const restlessAfter = 50

// NewDebouncer wants the time for which a level must hold, 0 or more. The state is unknown until the first sample.
func NewDebouncer(hold time.Duration) Debouncer { return Debouncer{hold: hold} }

// Sample takes the level seen at a time, which must not go back. If that makes a change certain, edge is true, and the
// change is to on and of the time at. The first sample sets the state and is no edge.
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

// State gives the debounced state at a time. known is false before the first sample, and while the contact has been changing for
// longer than any bouncing lasts.
func (d *Debouncer) State(now time.Duration) (on, known bool) {
	restless := d.moving && now-d.first > restlessAfter*max(d.hold, time.Millisecond)
	return d.settled, d.known && !restless
}

// Due gives the time at which to sample again although nothing changes; pending is false when there is none.
func (d *Debouncer) Due() (at time.Duration, pending bool) { return d.since + d.hold, d.moving }
