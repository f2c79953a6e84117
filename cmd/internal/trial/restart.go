package trial

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"liftbank/agent"
	"liftbank/rules"
)

// Restarts say how often the agent loses power in a run. What it had learnt since it was last saved is lost; what happens while it is
// off is not seen.
type Restarts struct {
	Every time.Duration // 0: never
	Off   time.Duration // how long each time
	Blank bool          // nothing was saved: each start knows nothing
}

// next takes the next scan, after losing power when it is time to.
func (r *run) next(ctx context.Context) (*rules.Output, error) {
	if p := &r.opts.Restarts; p.Every > 0 && r.rig.Clock.Now() >= r.restartAt {
		if err := r.restart(ctx); err != nil {
			return nil, err
		}
		r.restartAt = r.rig.Clock.Now() + p.Every
	}
	out, err := r.core.Next(ctx)
	if err != nil {
		return nil, err
	}
	if r.opts.Restarts.Every > 0 && r.saves.Due(out) {
		r.saved = r.core.State()
	}
	return out, nil
}

func (r *run) restart(ctx context.Context) error {
	r.scansBefore += r.core.Stats().Scans
	if err := r.rig.Clock.WaitUntil(ctx, r.rig.Clock.Now()+r.opts.Restarts.Off); err != nil {
		return err
	}
	r.rig.Clock.Take(nil) // nobody saw them
	core, err := agent.NewCore(r.cfg, r.rig.Parts())
	if err != nil {
		return err
	}
	r.core, r.saves = core, agent.Saves{}
	if r.saved == nil || r.opts.Restarts.Blank {
		return nil
	}
	written, err := json.Marshal(r.saved)
	if err != nil {
		return fmt.Errorf("save state: %w", err)
	}
	s := &rules.State{}
	if err := json.Unmarshal(written, s); err != nil {
		return fmt.Errorf("restore state: %w", err)
	}
	return core.Restore(s)
}
