package trial

import (
	"context"

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
