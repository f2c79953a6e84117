package trial

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"liftbank/agent"
	"liftbank/rules"
	"liftbank/rules/power"
)

// Restarts say how often the agent loses power in a run. What it had learned since it was last
// saved is lost. What happens while it is off is not seen.
type Restarts struct {
	Every time.Duration // 0: never
	Off   time.Duration // each time
	Blank bool          // nothing was saved: each start knows nothing
	Ahead time.Duration // of the wall clock, trusted as it is, in every other start
}

// next takes the next scan, after losing power when it is time to.
func (t *Trial) next(ctx context.Context) (*rules.Output, error) {
	if p := &t.opts.Restarts; p.Every > 0 && t.Now() >= t.restartAt {
		if err := t.restart(ctx); err != nil {
			return nil, err
		}
		t.restartAt = t.Now() + p.Every
	}
	if t.asleep {
		if err := t.sleep(ctx); err != nil {
			return nil, err
		}
	}
	out, err := t.Core.Next(ctx)
	if err != nil {
		return nil, err
	}
	t.asleep = out.Power.Level == power.Asleep
	if err := t.tellWork(out.Work.On); err != nil {
		return nil, err
	}
	if t.opts.Restarts.Every > 0 && t.saves.Due(out) {
		t.saved = t.Core.State()
	}
	return out, nil
}

// tellWork has the simulated technician begin or end work, when it is time to.
func (t *Trial) tellWork(on bool) error {
	for _, w := range t.work {
		if left := w.At + w.For - t.Now(); t.Now() >= w.At && left > 0 {
			if on {
				return nil
			}
			return t.Core.SetWork(true, "technician", max(left, rules.MinWork))
		}
	}
	if on {
		return t.Core.SetWork(false, "", 0)
	}
	return nil
}

// sleepLook is how often the simulated power controller looks at the wake line.
const sleepLook = time.Minute

// sleep has the board switched off until its timer wakes it, or the wake line, and starts the agent again.
func (t *Trial) sleep(ctx context.Context) error {
	unit := t.Rig.Unit
	until := t.Now() + t.Core.Sleep()
	t.saved = t.Core.State()
	unit.BoardDraws(t.power.AsleepA)
	for t.Now() < until && !unit.Signals().WakeLine {
		if err := t.Rig.Clock.WaitUntil(ctx, min(t.Now()+sleepLook, until)); err != nil {
			return err
		}
	}
	unit.BoardDraws(t.boardA)
	return t.start()
}

func (t *Trial) restart(ctx context.Context) error {
	if err := t.Rig.Clock.WaitUntil(ctx, t.Now()+t.opts.Restarts.Off); err != nil {
		return err
	}
	return t.start()
}

// start starts the agent again, with what was saved.
func (t *Trial) start() error {
	t.scansBefore += t.Core.Stats().Scans
	t.Rig.Clock.Take(nil) // nobody saw them
	parts := t.Rig.Parts()
	if wall, ahead := parts.Wall, t.opts.Restarts.Ahead; t.starts%2 == 0 && ahead > 0 {
		parts.Wall = func() (time.Time, bool) {
			at, trusted := wall()
			return at.Add(ahead), trusted
		}
	}
	t.starts++
	core, err := agent.NewCore(t.cfg, parts)
	if err != nil {
		return err
	}
	t.Core, t.saves = core, agent.SaveSchedule{}
	if t.saved == nil || t.opts.Restarts.Blank {
		return nil
	}
	written, err := json.Marshal(t.saved)
	if err != nil {
		return fmt.Errorf("save state: %w", err)
	}
	s := &rules.State{}
	if err := json.Unmarshal(written, s); err != nil {
		return fmt.Errorf("restore state: %w", err)
	}
	return core.Restore(s)
}
