package board

import (
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// edgeBuffer is how many edges a pin keeps for WaitForEdge; the kernel's line events are as many by
// default.
const edgeBuffer = 16

// PinOptions select how a pin behaves.
type PinOptions struct {
	// IoctlTimeouts makes WaitForEdge treat its timeout as periph's gpioioctl does, against the
	// interface's word: 0 waits for ever, below 0 returns false at once.
	IoctlTimeouts bool
}

// Pin is a digital input whose level the simulator drives. It can't be an output: the board only
// observes.
//
// All methods may be called from any goroutine.
type Pin struct {
	name   string
	number int
	opt    PinOptions

	mu      sync.Mutex
	level   gpio.Level
	driven  bool
	pull    gpio.Pull
	edge    gpio.Edge
	edges   int           // not yet taken by WaitForEdge
	waiting int           // calls of WaitForEdge that found no edge and wait
	epoch   int           // counts In and Halt, which end a wait
	arrived chan struct{} // closed and replaced when edges grew or epoch changed
	idle    chan struct{} // closed and replaced when edges shrank or waiting grew
}

var _ gpio.PinIO = (*Pin)(nil)

// NewPin makes a pin that nothing drives.
func NewPin(name string, number int, opt PinOptions) *Pin {
	return &Pin{name: name, number: number, opt: opt, arrived: make(chan struct{}), idle: make(chan struct{})}
}

// Drive sets the level at the pin. A change is an edge, if In asked for edges of its direction.
func (p *Pin) Drive(l gpio.Level) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.drive(l)
}

// DriveAndWait is Drive for a clock that is stepped by the caller: if the change is an edge, it
// returns once the watcher has taken it and waits for the next one, so that what the watcher does
// about it is done, at the clock's present instant. It waits no longer than limit of real time, and
// reports whether the hand-over took place; true also when there was no edge to hand over.
func (p *Pin) DriveAndWait(l gpio.Level, limit time.Duration) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.drive(l) {
		return true
	}
	timeout := time.NewTimer(limit)
	defer timeout.Stop()
	for p.edges > 0 || p.waiting == 0 {
		if !p.await(p.idle, timeout.C) {
			return p.edges == 0 && p.waiting > 0
		}
	}
	return true
}

// In makes the pin an input with edge detection. Pending edges are dropped and a waiting
// WaitForEdge returns false.
func (p *Pin) In(pull gpio.Pull, edge gpio.Edge) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.pull, p.edge = pull, edge
	p.edges = 0
	p.interrupt()
	return nil
}

// Read gives the level: as driven, else as pulled.
func (p *Pin) Read() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.read()
}

// WaitForEdge waits for an edge, or takes one that came since the last call: true. It returns false
// when the timeout is over, at In or Halt, and at once if In didn't ask for edges. A timeout below
// 0 waits for ever, 0 only looks; unless PinOptions say otherwise.
func (p *Pin) WaitForEdge(timeout time.Duration) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.edge == gpio.NoEdge {
		return false
	}
	forever := timeout < 0
	if p.opt.IoctlTimeouts {
		forever = timeout == 0
	}
	if p.edges == 0 && !forever && timeout <= 0 {
		return false
	}
	var over <-chan time.Time // nil: never
	if !forever {
		timer := time.NewTimer(timeout)
		defer timer.Stop()
		over = timer.C
	}
	return p.takeEdge(over)
}

// takeEdge waits until there is an edge and takes it. p.mu is held, but not while it waits.
func (p *Pin) takeEdge(over <-chan time.Time) bool {
	epoch := p.epoch
	for p.edges == 0 {
		p.waiting++
		signal(&p.idle)
		inTime := p.await(p.arrived, over)
		p.waiting--
		if p.epoch != epoch || !inTime && p.edges == 0 {
			return false
		}
	}
	p.edges--
	signal(&p.idle)
	return true
}

// Halt makes a waiting WaitForEdge return false.
func (p *Pin) Halt() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.interrupt()
	return nil
}

// String gives name and number.
func (p *Pin) String() string { return fmt.Sprintf("%s(%d)", p.name, p.number) }

// Name gives the pin's name.
func (p *Pin) Name() string { return p.name }

// Number gives the pin's number.
func (p *Pin) Number() int { return p.number }

// Function tells that the pin is an input, and its level.
func (p *Pin) Function() string { return "In/" + p.Read().String() }

// Pull gives the pull resistor set by In.
func (p *Pin) Pull() gpio.Pull {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.pull
}

// DefaultPull tells that the pin floats after power-on.
func (p *Pin) DefaultPull() gpio.Pull { return gpio.Float }

// Out refuses: nothing on this board is switched.
func (p *Pin) Out(gpio.Level) error { return fmt.Errorf("%s: set as output: it is an input only", p) }

// PWM refuses as Out does.
func (p *Pin) PWM(gpio.Duty, physic.Frequency) error {
	return fmt.Errorf("%s: set PWM: it is an input only", p)
}

// drive sets the level and reports whether that was an edge to be waited for. p.mu is held.
func (p *Pin) drive(l gpio.Level) bool {
	before := p.read()
	p.level, p.driven = l, true
	if l == before || p.edge == gpio.NoEdge ||
		p.edge == gpio.RisingEdge && l == gpio.Low || p.edge == gpio.FallingEdge && l == gpio.High {
		return false
	}
	p.edges = min(p.edges+1, edgeBuffer)
	signal(&p.arrived)
	return true
}

func (p *Pin) read() gpio.Level {
	if !p.driven {
		return gpio.Level(p.pull == gpio.PullUp)
	}
	return p.level
}

// interrupt ends every wait for an edge. p.mu is held.
func (p *Pin) interrupt() {
	p.epoch++
	signal(&p.arrived)
}

// signal wakes everyone who waits for the channel.
func signal(c *chan struct{}) {
	close(*c)
	*c = make(chan struct{})
}

// await lets go of p.mu until the event, true, or until over, false.
func (p *Pin) await(event <-chan struct{}, over <-chan time.Time) bool {
	p.mu.Unlock()
	defer p.mu.Lock()
	select {
	case <-event:
		return true
	case <-over:
		return false
	}
}
