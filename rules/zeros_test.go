package rules_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules"
	"liftbank/rules/limit"
	"liftbank/rules/zero"
)

// What the zeros' learner expects of the board is what its owner has said it draws.
func TestTheZerosBeginWithTheBoardsOwnDraw(t *testing.T) {
	drain := func(set limit.Values) float64 {
		cfg := twoFlooded()
		cfg.Limits = set
		e, err := rules.New(cfg)
		assert.NoError(t, err)
		l := zero.New(zero.Params{RatedAh: []float64{100, 100}})
		assert.NoError(t, l.Restore(e.State().Zeros))
		return l.DrainA().Value
	}
	assert.InDelta(t, 0.06, drain(nil), 1e-9)
	assert.InDelta(t, 0.35, drain(limit.Values{"board.own_draw_a": 0.35}), 1e-9)
}
