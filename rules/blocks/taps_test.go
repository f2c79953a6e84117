package blocks_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/blocks"
	"liftbank/rules/tap"
	"liftbank/rules/unit"
)

// What the taps make is learned twice, for two questions. What is shown since the first full charge is over what full
// batteries showed then (tap.Strings, which takes them for equal). A finding must not take them for equal: a battery
// that was put in 15 % behind, full for all that is known, would be called sound for ever. Here it is left open
// whether that is the taps', and with compared taps it is seen.
func TestABatteryThatWasBehindFromTheFirstIsNotCalledSound(t *testing.T) {
	const diffV = perShare * 0.15
	shown := tap.NewStrings(unit.Series, 2, unit.DefaultClasses())
	good := func(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }
	var open, seen blocks.State
	for night := range 14 {
		for k := range 16 * 60 {
			at := time.Duration(night)*24*time.Hour + time.Duration(k)*time.Minute
			in := tap.StringsScan{Now: at, RestFor: time.Duration(k)*time.Minute + time.Second, Full: [2]bool{true}}
			in.OwnV[0], in.OwnV[1], in.A[0] = good(12.7-diffV), good(12.7), good(-0.05)
			in.V25 = in.OwnV
			shown.Step(&in)
			if k < 6*60 || k%120 != 0 {
				continue
			}
			look := blocks.Seen{
				At: at, DiffV: diffV, SigmaV: 0.006, PerShare: perShare, OutShare: 0.03,
				Fresh: math.Exp(-float64(k) / 600), Recharged: k == 6*60,
			}
			open.Look(&look, tapsV)
			seen.Look(&look, 0.02)
		}
	}
	assert.InDelta(t, 0, shown.RestV(0).Value, 0.02, "what is shown is over the first days'")
	assert.Greater(t, open.Behind(0.03).Sigma, 0.06, "not known well enough to say no: half of the finding's limit")
	assert.True(t, seen.Behind(0.03).Beyond(0.12, 0.5, 1), "%v", seen.Behind(0.03))
}
