package trial

import (
	"context"
	"time"

	"liftbank/rules"
	"liftbank/sim/scenario"
)

// RunToOutput is Run, with what the rules said at the end.
func RunToOutput(ctx context.Context, sc scenario.Scenario, o Options) (*Report, *rules.Output, error) {
	r, err := newRun(sc, o)
	if err != nil {
		return nil, nil, err
	}
	rep, err := r.play(ctx, sc)
	return rep, r.core.Output(), err
}

// WallAt gives what a rig's wall clock says after a time, with jumps.
func WallAt(r *Rig, jumps []ClockJump, at time.Duration) (time.Time, error) {
	r.jumpClock(jumps)
	err := r.Clock.WaitUntil(context.Background(), at)
	wall, _ := r.wall()
	return wall, err
}
