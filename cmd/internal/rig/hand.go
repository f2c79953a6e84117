package rig

import (
	"fmt"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/sensors"
	"liftbank/sim"
)

// ByHand has somebody at the unit do something now.
func (r *Rig) ByHand(do func(*sim.Unit)) {
	do(r.Unit)
	r.Clock.noteEdges()
	r.Clock.lookAhead()
}

// PartsAs returns what an agent's core needs whose configuration may differ from how the board is wired:
// in scales, in names of channels, in the meaning of pins and their levels. Chips are the same.
func (r *Rig) PartsAs(written *config.Config) agent.Parts {
	p := r.Parts()
	c := &pins{clock: r.Clock}
	for _, w := range written.Board.Contacts {
		at := pin{is: -1}
		for i, is := range r.Config.Board.Contacts {
			if is.Pin == w.Pin {
				at = pin{i, is.ActiveLow != w.ActiveLow}
			}
		}
		c.written = append(c.written, at)
	}
	p.Contacts = c
	return p
}

// pins are the contacts as another configuration reads them.
type pins struct {
	clock   *Clock
	written []pin
	buf     []sensors.Edge
}

// pin is a contact of the written configuration: which one of the board it is, -1 for none, and whether
// its level means the opposite.
type pin struct {
	is       int
	inverted bool
}

// Level returns the state of contact i.
func (p *pins) Level(i int) (on, known bool) {
	w := p.written[i]
	if w.is < 0 {
		return w.inverted, true // a pin with nothing on it stays where its resistor pulls it
	}
	on, known = p.clock.Level(w.is)
	return on != w.inverted, known
}

// Take appends the edges since the last call to buf.
func (p *pins) Take(buf []sensors.Edge) []sensors.Edge {
	p.buf = p.clock.Take(p.buf[:0])
	for _, e := range p.buf {
		for i, w := range p.written {
			if w.is == e.Contact {
				buf = append(buf, sensors.Edge{Contact: i, On: e.On != w.inverted, At: e.At})
			}
		}
	}
	return buf
}

// Stick has a channel, by the scenario's name, see a value and nothing else.
func (r *Rig) Stick(channel string, value float64) error {
	t := r.taps[channel]
	if t == nil {
		return fmt.Errorf("channel %q: this board does not measure it", channel)
	}
	t.stuck = &value
	return nil
}

// Noise has the channels of a quantity scatter more, by a standard deviation.
func (r *Rig) Noise(quantity string, by float64) error {
	all := r.named(quantity)
	if len(all) == 0 {
		return fmt.Errorf("channel %q: this board does not measure it", quantity)
	}
	for _, t := range all {
		t.sensor.Error.NoiseRMS += by
	}
	return nil
}

// Move puts a channel's sensor where another's is.
func (r *Rig) Move(channel, to string) error {
	t, at := r.taps[channel], r.taps[to]
	if t == nil || at == nil {
		return fmt.Errorf("channels %q and %q: this board does not measure both", channel, to)
	}
	t.source, t.tempC = at.source, at.tempC
	return nil
}

// Silence has an input chip, by its number, not answer, or answer again.
func (r *Rig) Silence(chip int, silent bool) { r.chips[chip].Absent(silent) }

// After plans something that happens to the board, also in the middle of a conversion.
func (r *Rig) After(wait time.Duration, what func()) {
	r.changes = append(r.changes, change{r.Clock.Now() + wait, what})
	r.sortChanges()
}

// BrownOut has every chip on the bus that can lose its settings lose them.
func (r *Rig) BrownOut() {
	for _, c := range r.chips {
		if b, can := c.(interface{ BrownOut() }); can {
			b.BrownOut()
		}
	}
}
