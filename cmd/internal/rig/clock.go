package rig

import (
	"context"
	"time"

	"liftbank/sensors"
	"liftbank/sim"
)

// Clock is time that passes only by being waited for: a wait moves the simulated unit on and
// returns. With Pace it also lets real time pass, so that the same code serves a day in a second
// and a demo.
//
// It stops at every change of a contact exactly, whoever waits, so a run is the same however it is
// watched.
type Clock struct {
	// Pace, if set, is called after each move with the time reached; it may wait, and returns ctx's
	// error when told to stop.
	Pace func(ctx context.Context, now time.Duration) error
	// At, if set, is called when the unit has been moved to a new time.
	At func(now time.Duration)

	unit     *sim.Unit
	contacts []func(*sim.Signals) bool
	levels   []bool
	polled   []int // contacts whose changes are seen at the next move, not at an edge
	edges    []sensors.Edge
	stirred  bool // an edge came since the last wait that reported one
	now      time.Duration
	nextEdge time.Duration
	lastEdge time.Duration
	noEdge   bool          // no edge up to nextEdge
	coarse   time.Duration // added to a wait for the next scan while nothing happens
	sparse   bool          // scans of a motor run are thinned out
	tookAt   time.Duration // of the last look at the edges
}

var (
	_ sensors.Clock    = (*Clock)(nil)
	_ sensors.Contacts = (*Clock)(nil)
)

// edgeHorizon is how far ahead edges are looked for at once.
const edgeHorizon = time.Hour

func newClock(unit *sim.Unit, contacts []func(*sim.Signals) bool) *Clock {
	c := &Clock{unit: unit, contacts: contacts, levels: make([]bool, len(contacts))}
	for i, of := range contacts {
		c.levels[i] = of(unit.Signals())
	}
	c.lookAhead()
	return c
}

func (c *Clock) lookAhead() {
	c.nextEdge = c.now + edgeHorizon
	at, found := c.unit.NextEdge(c.nextEdge)
	c.noEdge = !found
	if found {
		c.nextEdge = at
	}
}

// Now returns the time since the scenario's start.
func (c *Clock) Now() time.Duration { return c.now }

// WaitUntil moves the unit to at.
func (c *Clock) WaitUntil(ctx context.Context, at time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	for c.now < at {
		c.move(min(at, c.nextEdge))
	}
	return c.paced(ctx)
}

// WaitUntilOrEdge moves the unit to at or to the next change of a contact, whichever is first.
func (c *Clock) WaitUntilOrEdge(ctx context.Context, at time.Duration) (edge bool, err error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	at = c.stretched(at)
	for c.now < at && !c.stirred {
		c.move(min(at, c.nextEdge))
	}
	edge, c.stirred = c.stirred, false
	return edge, c.paced(ctx)
}

// A stretched wait keeps clear of edges: the rules look at what was just before and after.
const (
	beforeEdge = 45 * time.Second
	afterEdge  = 2 * time.Minute
)

// Coarsen adds to the time between scans while nothing happens and the ignition is off. Ticks of
// the unit become as long. It serves to play years; 0 undoes it.
func (c *Clock) Coarsen(by time.Duration) {
	c.coarse = by
	c.unit.Coarsen(by)
}

// A run is thinned out away from what happens in it. The rules take readings of a run that are 20 ms apart
// (loadtest.LongestScan), and look at 200 ms after its start and 120 ms about its stop most closely.
const (
	runPause    = 13 * time.Millisecond // between two scans; a scan takes 6
	afterStart  = 600 * time.Millisecond
	beforeStop  = 200 * time.Millisecond
	afterStop   = 300 * time.Millisecond
	longestTail = 5 * time.Second // after a stop that scans stay fast
)

// Sparse thins out the scans of motor runs, where the contactor coil is on, and those after the stop. It serves to play
// weeks in seconds; false undoes it.
func (c *Clock) Sparse(on bool) { c.sparse = on }

// pause lets time pass between two scans of a run.
func (c *Clock) pause() {
	since := c.now - c.lastEdge
	switch running := c.unit.Signals().MotorCommand; {
	case !c.sparse || c.stirred || c.nextEdge-c.now < runPause+beforeStop:
	case running && since > afterStart, !running && since > afterStop && since < longestTail:
		c.move(c.now + runPause)
	}
}

// stretched postpones a wait for the next scan if nothing happens.
func (c *Clock) stretched(at time.Duration) time.Duration {
	if c.coarse == 0 || c.now-c.lastEdge < afterEdge || c.unit.Charging() {
		return at
	}
	return max(at, min(at+c.coarse, c.nextEdge-beforeEdge))
}

func (c *Clock) paced(ctx context.Context) error {
	if c.Pace == nil {
		return nil
	}
	return c.Pace(ctx, c.now)
}

// move goes to a time not after the next edge.
func (c *Clock) move(to time.Duration) {
	c.unit.AdvanceTo(to)
	c.now = to
	for _, i := range c.polled {
		c.levels[i] = c.contacts[i](c.unit.Signals())
	}
	if to == c.nextEdge {
		if !c.noEdge {
			c.noteEdges()
			c.lastEdge = to
		}
		c.lookAhead()
	}
	if c.At != nil {
		c.At(to)
	}
}

func (c *Clock) noteEdges() {
	s := c.unit.Signals()
	for i, of := range c.contacts {
		if on := of(s); on != c.levels[i] {
			c.levels[i] = on
			c.edges = append(c.edges, sensors.Edge{Contact: i, On: on, At: c.now})
			c.stirred = true
		}
	}
}

// Level returns the state of contact i.
func (c *Clock) Level(i int) (on, known bool) { return c.levels[i], true }

// Take appends the edges since the last call to buf. The board looks twice between two scans that follow each other
// without a wait, at the end of one and before the next.
func (c *Clock) Take(buf []sensors.Edge) []sensors.Edge {
	if c.now == c.tookAt && c.sparse {
		c.pause()
	}
	c.tookAt = c.now
	buf = append(buf, c.edges...)
	c.edges = c.edges[:0]
	return buf
}
