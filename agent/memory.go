package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"liftbank/agent/keep"
	"liftbank/rules"
)

// Saves says when what the rules have learnt is worth writing down: a power cut loses no more than what came since. Writing wears the
// card, so that a day of fifty lifts costs some hundred writes of 10 kB.
type Saves struct {
	last  time.Duration
	since time.Duration // of the first event not saved yet
	owed  bool
	begun bool
}

// savesEvery is the longest between two saves, savesAfter the time after a run or a change of a finding.
const (
	savesEvery = 15 * time.Minute
	savesAfter = time.Minute
)

// Due takes what a step gave and reports whether the state should be saved now.
func (s *Saves) Due(out *rules.Output) bool {
	now := out.At.Mono
	if !s.begun {
		s.begun, s.last = true, now
	}
	if len(out.Events) > 0 && !s.owed {
		s.owed, s.since = true, now
	}
	if out.Motor.Running || now-s.last < savesEvery && !(s.owed && now-s.since >= savesAfter) {
		return false
	}
	s.last, s.owed = now, false
	return true
}

// memory writes states down in its own goroutine: the card may take a second, and the scan must not wait for it.
type memory struct {
	path  string
	log   *slog.Logger
	queue chan *rules.State // the newest one only
}

func newMemory(path string, log *slog.Logger) *memory {
	return &memory{path: path, log: log, queue: make(chan *rules.State, 1)}
}

// restore gives a core what was learnt before this start. Nothing saved, or nothing that can be read, begins anew; it is told of.
func (m *memory) restore(c *Core) {
	text, err := keep.Load(m.path)
	if err != nil {
		m.log.Warn("what was learnt before", "err", err)
	}
	if text == nil {
		return
	}
	s := &rules.State{}
	if err := json.Unmarshal(text, s); err != nil {
		m.log.Warn("what was learnt before: begins anew", "file", m.path, "err", err)
		return
	}
	if err := c.Restore(s); err != nil {
		m.log.Warn("what was learnt before: not all of it was taken over", "file", m.path, "err", err)
	}
	m.log.Info("went on from what was learnt before", "saved", s.At.Wall, "runs", s.Motor.Runs)
}

// give hands a state over to be written; an older one that waits is dropped.
func (m *memory) give(s *rules.State) {
	select {
	case <-m.queue:
	default:
	}
	m.queue <- s // only the loop sends, so there is room
}

// run writes until ctx ends, and then what still waits.
func (m *memory) run(ctx context.Context) {
	failing := false
	write := func(s *rules.State) {
		err := m.write(s)
		if (err != nil) != failing {
			if failing = err != nil; failing {
				m.log.Warn("what was learnt can't be saved: a restart would begin anew", "err", err)
			} else {
				m.log.Info("what was learnt is saved again")
			}
		}
	}
	for {
		select {
		case s := <-m.queue:
			write(s)
		case <-ctx.Done():
			select {
			case s := <-m.queue:
				write(s)
			default:
			}
			return
		}
	}
}

func (m *memory) write(s *rules.State) error {
	text, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("state: %w", err)
	}
	return keep.Save(m.path, text)
}

// Restore takes over what an earlier start had learnt; call it before the first Next. The engine's timeline goes on where that one ended,
// plus the time between where the wall clock tells it. Errors are those of rules.Engine.Restore.
func (c *Core) Restore(s *rules.State) error {
	err := c.engine.Restore(s)
	if errors.Is(err, rules.ErrStateRefused) {
		return err
	}
	gap := leastGap
	wall, trusted := c.wall()
	if d := wall.Sub(s.At.Wall); s.At.WallTrusted && trusted && d > leastGap && d < mostGap {
		gap = d
	}
	c.shift = s.At.Mono + gap - c.clock.Now()
	c.before, c.gapOwed = s.At, s.At.WallTrusted && !trusted
	return err
}

// leastGap is between a state and the first scan after it where nobody knows better; a longer one than mostGap is a clock set wrong.
const (
	leastGap = time.Second
	mostGap  = 10 * 365 * 24 * time.Hour
)

// catchUp lets the time that passed before this start pass once the wall clock tells how long it was: boards have no clock that
// runs without power.
func (c *Core) catchUp() {
	if !c.gapOwed || !c.in.At.WallTrusted {
		return
	}
	c.gapOwed = false
	missing := c.in.At.Wall.Sub(c.before.Wall) - (c.in.At.Mono - c.before.Mono)
	if missing > leastGap && missing < mostGap {
		c.shift += missing
		c.in.At.Mono += missing
		for i := range c.in.CommandEdges {
			c.in.CommandEdges[i].At += missing
		}
	}
}
