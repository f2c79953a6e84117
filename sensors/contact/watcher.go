// Package contact watches digital inputs: the wake line, the coil of the motor contactor, the
// disconnect.
//
// A [Watcher] waits for edges of periph pins, reads the level after each, debounces it and keeps
// the edges until somebody takes them. An edge has the time of the first change, on the board's
// clock. A channel signals at once that a contact has stirred, so that a board can look before
// debouncing is over.
//
// While nothing changes it costs almost nothing: it reads each pin every five seconds, in case an
// edge was lost. If the edges of a pin do not work (as on some kernels) it reads the level 100
// times per second instead.
package contact

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"liftbank/sensors"
)

// DefaultDebounce is longer than an auxiliary contact of a relay or a contactor bounces (a few ms;
// common practice, no source), and short compared with the shortest motor command of 0.3 s.
const DefaultDebounce = 20 * time.Millisecond

// Input is one contact.
type Input struct {
	Name      string // for messages
	Pin       gpio.PinIn
	ActiveLow bool          // the contact is on when the pin is low
	Pull      gpio.Pull     // resistor of the pin; the zero value leaves it unchanged
	Debounce  time.Duration // how long a level must hold; 0 means DefaultDebounce
}

// Clock is the part of the board's clock that the watcher needs.
type Clock interface {
	Now() time.Duration
	WaitUntil(ctx context.Context, at time.Duration) error
}

const (
	// rereadEvery is the longest time between two looks at a pin.
	rereadEvery = 5 * time.Second
	// pollEvery is the time between two looks at a pin whose edges do not work.
	pollEvery = 10 * time.Millisecond
	// calmDown is the pause after each look: an input that chatters, or a driver that returns at
	// once, costs at most 1,000 looks per second. It delays the time of a bounce, never that of the
	// first change after rest.
	calmDown = time.Millisecond
	// haltEvery is how often a stop interrupts the waits again: it misses one that begins just
	// after.
	haltEvery = 10 * time.Millisecond
	// maxEdges is the number of edges kept for Take; a board takes them at least once per second,
	// and each input has at most 50 in that time.
	maxEdges = 512
)

// Watcher is a set of contacts. Any goroutine may call its methods except Run.
type Watcher struct {
	inputs []Input
	clock  Clock
	wake   chan struct{}

	mu      sync.Mutex
	state   []Debouncer
	edges   []sensors.Edge
	dropped uint64
}

var _ sensors.Contacts = (*Watcher)(nil)

// New sets up the pins as inputs and reads them once; their first state is not an edge. The error
// names each input that could not be set up.
func New(inputs []Input, clock Clock) (*Watcher, error) {
	w := &Watcher{inputs: slices.Clone(inputs), clock: clock, wake: make(chan struct{}, 1)}
	w.edges = make([]sensors.Edge, 0, maxEdges)
	var errs []error
	for i := range w.inputs {
		in := &w.inputs[i]
		if in.Debounce == 0 {
			in.Debounce = DefaultDebounce
		}
		if in.Debounce < 0 || in.Debounce > time.Second {
			errs = append(errs, fmt.Errorf("contact %s: debounce: %v: want 0 to 1s", in.Name, in.Debounce))
			continue
		}
		if err := in.Pin.In(in.Pull, gpio.BothEdges); err != nil {
			errs = append(errs, fmt.Errorf("contact %s: set up pin %s as input: pull %v: %w",
				in.Name, in.Pin.Name(), in.Pull, err))
			continue
		}
		d := NewDebouncer(in.Debounce)
		d.Sample(in.on(), clock.Now())
		w.state = append(w.state, d)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return w, nil
}

// on reads the pin.
func (in *Input) on() bool { return bool(in.Pin.Read()) != in.ActiveLow }

// Level returns the debounced state of contact i. known is false while the contact keeps changing
// for much longer than it can bounce.
func (w *Watcher) Level(i int) (on, known bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.state[i].State(w.clock.Now())
}

// Take appends the edges since the last call to buf, in time order. If nobody takes them, the
// oldest are dropped.
func (w *Watcher) Take(buf []sensors.Edge) []sensors.Edge {
	w.mu.Lock()
	defer w.mu.Unlock()
	buf = append(buf, w.edges...)
	w.edges = w.edges[:0]
	return buf
}

// Dropped counts the edges that were dropped because nobody took them.
func (w *Watcher) Dropped() uint64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.dropped
}

// Wake returns a channel that gets a value when a contact stirs, and when there is an edge to take.
// It holds at most one value.
func (w *Watcher) Wake() <-chan struct{} { return w.wake }

// Run watches until ctx ends and returns its error. All its goroutines have ended by then. A wait
// that a driver cannot interrupt delays that by at most five seconds.
func (w *Watcher) Run(ctx context.Context) error {
	var watching sync.WaitGroup
	for i := range w.inputs {
		watching.Go(func() { w.watch(ctx, i) })
	}
	<-ctx.Done()
	done := make(chan struct{})
	go func() { watching.Wait(); close(done) }()
	again := time.NewTicker(haltEvery)
	defer again.Stop()
	for {
		w.halt()
		select {
		case <-done:
			return ctx.Err()
		case <-again.C:
		}
	}
}

// halt interrupts the waits for edges, if the drivers can. An error only means that one cannot.
func (w *Watcher) halt() {
	for i := range w.inputs {
		_ = w.inputs[i].Pin.Halt()
	}
}

// watch follows one contact until ctx ends.
func (w *Watcher) watch(ctx context.Context, i int) {
	in := &w.inputs[i]
	for ctx.Err() == nil {
		begin := w.clock.Now()
		timeout := w.timeout(i, begin)
		edge := in.Pin.WaitForEdge(timeout)
		now := w.clock.Now()
		w.look(i, in.on(), now)
		pause := calmDown
		if !edge && now-begin < timeout/2 {
			// It did not wait: no edges on this pin. Without a pause this would be a busy loop.
			pause = pollEvery
		}
		if w.clock.WaitUntil(ctx, now+pause) != nil {
			return
		}
	}
}

// timeout returns how long to wait for an edge of input i, always positive and in whole
// milliseconds: periph's drivers disagree about 0 and about negative timeouts, and one cuts off
// fractions.
func (w *Watcher) timeout(i int, now time.Duration) time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	due, pending := w.state[i].Due()
	if !pending {
		return rereadEvery
	}
	return max((due - now + time.Millisecond - 1).Truncate(time.Millisecond), time.Millisecond)
}

// look applies the level of input i.
func (w *Watcher) look(i int, on bool, now time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	d := &w.state[i]
	moving := d.moving
	edge, to, at := d.Sample(on, now)
	if edge {
		w.keep(sensors.Edge{Contact: i, On: to, At: at})
	}
	if edge || d.moving && !moving {
		select {
		case w.wake <- struct{}{}:
		default:
		}
	}
}

// keep adds an edge in time order: one that took longer to settle may be older than the last one.
func (w *Watcher) keep(e sensors.Edge) {
	if len(w.edges) == maxEdges {
		w.edges = slices.Delete(w.edges, 0, 1)
		w.dropped++
	}
	at := len(w.edges)
	for at > 0 && w.edges[at-1].At > e.At {
		at--
	}
	w.edges = slices.Insert(w.edges, at, e)
}
