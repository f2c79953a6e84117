package agent

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"liftbank/agent/disk"
	"liftbank/agent/safefile"
	"liftbank/agent/snapshot"
	"liftbank/agent/trouble"
	"liftbank/rules"
	"liftbank/rules/power"
)

// SleepRequest is the file in the service's runtime folder by which the agent, which may switch nothing,
// asks the system to put the board to sleep (deploy/systemd/liftbank-sleep.path).
const SleepRequest = "sleep"

// Times of falling asleep. Our choices.
const (
	wordFor  = 2 * time.Minute  // for the last word to get out; then it comes late
	writeFor = 30 * time.Second // for the card
	offFor   = 3 * time.Minute  // for the system to switch off
)

// fallingAsleep is how far the agent is with that. It belongs to the loop.
type fallingAsleep struct {
	phase   sleepPhase
	since   time.Time // of the phase
	sleep   snapshot.Asleep
	writing context.CancelFunc // ends the writing under way
	written chan error
}

type sleepPhase uint8

const (
	up      sleepPhase = iota
	saying             // the last word goes out
	writing            // the state and what is unsent go to the card, then the request
	asked              // the system has been asked
)

// looks counts who looks at the pages now, and when somebody last did.
type looks struct {
	now  atomic.Int32
	last atomic.Int64 // ns of the process's clock; 0: never
}

// lookFor is how long after an answer its reader still looks.
const lookFor = 30 * time.Second

// look notes that somebody begins or ends to look at a page.
func (a *Agent) look(begins bool) {
	if begins {
		a.looks.now.Add(1)
		return
	}
	a.looks.last.Store(a.opts.Now().UnixNano())
	a.looks.now.Add(-1)
}

// noteLooks tells the rules whether somebody looks.
func (a *Agent) noteLooks(now time.Time) {
	last := a.looks.last.Load()
	a.core.engine.Looked(a.looks.now.Load() > 0 || last > 0 && now.Sub(time.Unix(0, last)) < lookFor)
}

// stepSleep goes on with falling asleep, one step at a time between two scans: whatever moves calls it off
// at once. It reports whether there is news for the snapshot.
func (a *Agent) stepSleep(ctx context.Context, out *rules.Output, now time.Time) (news bool) {
	f := &a.falling
	if out.Power.Level != power.Asleep {
		if f.phase == up {
			return false
		}
		a.opts.Log.Info("sleep called off", "why", out.Power.Why.Said())
		a.wakeUp()
		return true
	}
	spent := now.Sub(f.since)
	switch f.phase {
	case up:
		if a.state == nil || a.state.unread || a.opts.RuntimeDir == "" {
			a.stayUp("no runtime folder or no saved state: run it as a service with RuntimeDirectory= and StateDirectory=")
			return true
		}
		a.rec.end()
		f.sleep = a.sleepOf(out)
		a.hub.Sleep(&f.sleep)
		a.outlets.wake()
		a.goTo(saying, now)
		a.opts.Log.Info("falling asleep", "why", f.sleep.Why.English, "until", f.sleep.Until)
		return true
	case saying:
		said := a.outlets.lastWordOut()
		if !said && spent < wordFor {
			return false
		}
		a.core.engine.LateWord(!said)
		span := a.core.engine.Sleep()
		a.write(ctx, span)
		a.goTo(writing, now)
		return true
	case writing:
		select {
		case err := <-f.written:
			f.writing()
			f.writing = nil
			if err != nil {
				a.stayUp(err.Error())
				return true
			}
			a.goTo(asked, now)
		default:
		}
	case asked:
		if spent >= offFor {
			a.stayUp(fmt.Sprintf("the system was asked to switch the board off and has not done so in %v: is "+
				"liftbank-sleep.path there, and a clock with an alarm?", offFor))
			return true
		}
	}
	return false
}

func (a *Agent) goTo(p sleepPhase, now time.Time) { a.falling.phase, a.falling.since = p, now }

// sleepOf returns the sleep that begins now.
func (a *Agent) sleepOf(out *rules.Output) snapshot.Asleep {
	l, p := a.core.timeline(), &a.opts.Config.Power
	s := snapshot.Asleep{Since: l.at(out.At.Mono), Line: p.WakeBy.Line(), Why: snapshot.Text{ID: out.Power.Why.Key(), English: out.Power.Why.Said()}}
	if p.WakeBy.Timer() {
		until := l.at(out.At.Mono + a.opts.Config.Limits.Duration("power.wake_every"))
		s.Until = &until
	}
	return s
}

// write has the state saved, the card flushed and the request written, in this order, beside the loop.
func (a *Agent) write(ctx context.Context, span time.Duration) {
	f := &a.falling
	state := a.core.State()
	ctx, f.writing = context.WithTimeout(ctx, writeFor)
	f.written = make(chan error, 1)
	a.writers.Go(func() {
		f.written <- func() error {
			if err := a.state.saveNow(ctx, state); err != nil {
				return fmt.Errorf("not switched off, what was learned can't be saved: %w", err)
			}
			if err := a.store.Flush(ctx); err != nil {
				return fmt.Errorf("not switched off, some data can't be written to the card: %w", err)
			}
			if err := ctx.Err(); err != nil { // called off
				return err
			}
			text := fmt.Sprintf("for=%d\nhow=%s\n", int(span.Seconds()), a.opts.Config.Power.Sleep)
			if err := safefile.WriteFile(a.sleepFile(), []byte(text)); err != nil {
				return fmt.Errorf("not switched off: %w", err)
			}
			return nil
		}()
	})
}

func (a *Agent) sleepFile() string { return filepath.Join(a.opts.RuntimeDir, SleepRequest) }

// wakeUp undoes what falling asleep has done so far.
func (a *Agent) wakeUp() {
	f := &a.falling
	if f.writing != nil {
		f.writing()
		<-f.written // a request that was under way is written, or not
		f.writing = nil
	}
	if f.phase >= writing {
		if err := disk.Now().Remove(a.sleepFile()); err != nil && !os.IsNotExist(err) {
			a.opts.Log.Warn("sleep called off, and the request for it can't be removed", "err", err)
		}
	}
	f.phase = up
	a.troubles.Set(trouble.Power, "")
	a.hub.Sleep(nil)
	a.outlets.wake()
	a.save()
}

// stayUp notes that the board does not sleep although it should.
func (a *Agent) stayUp(why string) {
	a.opts.Log.Error("the board stays awake", "why", why)
	a.core.engine.Stay()
	a.wakeUp()
	a.troubles.Set(trouble.Power, why)
}

// lastWordOut reports whether all of them have said that the board sleeps, and what was to be said before.
func (all outlets) lastWordOut() bool {
	for _, o := range all {
		if !o.State().LastWord {
			return false
		}
	}
	return true
}
