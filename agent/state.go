package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"liftbank/agent/safefile"
	"liftbank/agent/trouble"
	"liftbank/rules"
)

// SaveSchedule says when the state is worth saving: a power cut loses no more than what came since.
// Writing wears the card; a day of fifty lifts costs some hundred writes of 10 kB.
type SaveSchedule struct {
	last  time.Duration
	since time.Duration // of the first event not saved yet
	due   bool
	begun bool
}

// savesEvery is the longest between two saves, savesAfter the time after a run or a change of a
// finding.
const (
	savesEvery = 15 * time.Minute
	savesAfter = time.Minute
)

// Due takes the result of a step and reports whether the state should be saved now.
func (s *SaveSchedule) Due(out *rules.Output) bool {
	now := out.At.Mono
	if !s.begun {
		s.begun, s.last = true, now
	}
	if len(out.Events) > 0 && !s.due {
		s.due, s.since = true, now
	}
	if out.Motor.Running || now-s.last < savesEvery && !(s.due && now-s.since >= savesAfter) {
		return false
	}
	s.last, s.due = now, false
	return true
}

// stateWriter writes states in its own goroutine: the card may take a second, and the scan must not
// wait for it.
type stateWriter struct {
	path     string
	troubles *trouble.Book
	log      *slog.Logger
	queue    chan *rules.State // the newest one only
	now      chan saveNow      // to be saved at once
	// unread is a saved state that is there and could not be read at the start: nothing is written
	// over it, and it is tried again.
	unread bool
	needs  string   // another file that must be read before the state is of use; empty: none
	aside  []string // files that were renamed at the start, and why
}

// saveNow is a state whose saving is waited for.
type saveNow struct {
	state *rules.State
	err   chan error // cap 1
}

// saveNow saves a state after those that wait, and says whether that worked.
func (w *stateWriter) saveNow(ctx context.Context, s *rules.State) error {
	job := saveNow{s, make(chan error, 1)}
	select {
	case w.now <- job:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-job.err:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

func newStateWriter(path string, troubles *trouble.Book, log *slog.Logger) *stateWriter {
	return &stateWriter{path: path, troubles: troubles, log: log, queue: make(chan *rules.State, 1),
		now: make(chan saveNow)}
}

// restore loads the saved state into c. If there is none, or it is of no use, it logs that and
// leaves c unchanged.
func (w *stateWriter) restore(c *Core) {
	if w.unread { // what it goes with can't be read
		return
	}
	text, err := safefile.Load(w.path)
	switch {
	case errors.Is(err, safefile.ErrUnreadable):
		w.unread = true
		w.troubles.SetError(trouble.State, err)
		w.log.Error("saved state can't be read: starting without it, and saving nothing over it", "err", err)
		return
	case err != nil:
		w.log.Warn("saved state damaged", "err", err)
		w.setAside(err)
	}
	if text == nil {
		return
	}
	s := &rules.State{}
	if err = json.Unmarshal(text, s); err == nil {
		err = c.Restore(s)
	} else {
		err = fmt.Errorf("%w: %w", rules.ErrStateRefused, err)
	}
	if errors.Is(err, rules.ErrStateRefused) {
		w.refused(err)
		return
	}
	if err != nil {
		w.log.Warn("saved state restored in part", "file", w.path, "err", err)
	}
	w.log.Info("saved state restored", "saved", s.At.Wall, "runs", s.Motor.Runs)
}

// setAside notes which files were renamed, and why.
func (w *stateWriter) setAside(why error) {
	w.aside = append(w.aside, why.Error())
	w.troubles.Set(trouble.SetAside, strings.Join(w.aside, "; "))
}

// refused keeps a state that this version can't take under another name.
func (w *stateWriter) refused(why error) {
	to, err := safefile.SetAside(w.path)
	if err != nil { // saving would write over it
		w.unread = true
		why = errors.Join(why, err)
	}
	w.setAside(fmt.Errorf("%s: %w", to, why))
	w.log.Error("saved state refused: starting without it", "file", w.path, "kept as", to, "err", why)
}

// enqueue hands a state over to be written; an older one that waits is dropped.
func (w *stateWriter) enqueue(s *rules.State) {
	select {
	case <-w.queue:
	default:
	}
	w.queue <- s // only the loop sends, so there is room
}

// rereadEvery is how often a state is tried again that could not be read.
const rereadEvery = time.Minute

// ErrStateBack ends an agent that began without its saved state when that can be read again: the
// next start takes it up.
var ErrStateBack = errors.New("saved state can be read again: start the agent again to take it up")

// run writes until ctx ends, and then what still waits. A card that takes nothing is logged.
func (w *stateWriter) run(ctx context.Context) error {
	again := time.NewTicker(rereadEvery)
	defer again.Stop()
	for w.unread {
		select {
		case <-w.queue: // what was learned since is not worth what was learned before
		case <-ctx.Done():
			return nil
		case <-again.C:
			if readable(w.path) && readable(w.needs) {
				return ErrStateBack
			}
		}
	}
	failing := false
	write := func(s *rules.State) error {
		err := w.write(s)
		w.troubles.SetError(trouble.State, err)
		if (err != nil) != failing {
			if failing = err != nil; failing {
				w.log.Warn("state can't be saved: a restart would lose what was learned", "err", err)
			} else {
				w.log.Info("state is saved again")
			}
		}
		return err
	}
	for {
		select {
		case s := <-w.queue:
			_ = write(s) // it is a trouble of its own
		case job := <-w.now:
			select {
			case <-w.queue: // older
			default:
			}
			job.err <- write(job.state)
		case <-ctx.Done():
			select {
			case s := <-w.queue:
				_ = write(s)
			default:
			}
			return nil
		}
	}
}

func (w *stateWriter) write(s *rules.State) error {
	text, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("state: %w", err)
	}
	return safefile.Save(w.path, text)
}

// Restore applies the state that an earlier start saved; call it before the first Next. The
// engine's timeline continues where that one ended, plus the time between if the wall clock tells
// it. Errors are those of rules.Engine.Restore.
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

// leastGap is between a state and the first scan after it where nobody knows better; a longer one
// than mostGap is a clock set wrong.
const (
	leastGap = time.Second
	mostGap  = 10 * 365 * 24 * time.Hour
)

// catchUp adds the time that passed before this start once the wall clock tells how long it was:
// boards have no clock that runs without power.
func (c *Core) catchUp() {
	if !c.gapOwed || !c.in.At.WallTrusted {
		return
	}
	c.gapOwed = false
	missing := c.in.At.Wall.Sub(c.before.Wall) - (c.in.At.Mono - c.before.Mono)
	if missing > leastGap && missing < mostGap {
		c.jumpAt, c.jump = c.in.At.Mono, missing
		c.shift += missing
		c.in.At.Mono += missing
		for i := range c.in.CommandEdges {
			c.in.CommandEdges[i].At += missing
		}
	}
}
