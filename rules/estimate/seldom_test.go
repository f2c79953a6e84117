package estimate_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/estimate"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// An estimator that leaves out scans which say nothing new says what one says that takes them all, over
// days of runs, charges and rests with noise; and it steps no more often than it must.
func TestScansLeftOutChangeNothing(t *testing.T) {
	noise := rand.New(rand.NewPCG(1, 2))
	params := estimate.Params{Chemistry: leadacid.AGM, RatedAh: 100, Taps: 2}
	all, seldom := estimate.New(params), estimate.New(params)
	at, scans, steps := time.Duration(0), 0, 0
	play := func(span, dt time.Duration, v, a float64, facts estimate.Facts) {
		for end := at + span; at < end; {
			at += dt
			in := readings(v+0.002*noise.NormFloat64(), a+0.1*noise.NormFloat64(), 20)
			facts.Zero = unit.Estimate{Sigma: 0.1, Known: true}
			before := seldom.State().Last.At
			all.Step(at, in, facts)
			seldom.StepSeldom(at, in, facts)
			facts.Held = false
			if scans++; seldom.State().Last.At != before {
				steps++
			}
		}
		was, sigma, ok := known(all.SoC())
		is, isSigma, isOK := known(seldom.SoC())
		assert.Equal(t, ok, isOK, "%v", at)
		if ok {
			assert.InDelta(t, was, is, 0.1, "%v", at)
			assert.InDelta(t, sigma, isSigma, 0.1, "%v", at)
		}
	}
	for range 3 {
		play(8*time.Hour, time.Second, 12.75, -0.06, estimate.Facts{Idle: true})
		for range 12 {
			play(25*time.Second, 50*time.Millisecond, 12.1, -60, estimate.Facts{Running: true, Held: true})
			play(20*time.Minute, time.Second, 12.55, -0.06, estimate.Facts{Idle: true})
			play(15*time.Minute, time.Second, 14.3, 9, estimate.Facts{})
		}
		play(5*time.Hour, time.Second, 14.4, 0.6, estimate.Facts{})
	}
	assert.Less(t, steps, scans/9)
	assert.InDelta(t, all.StoredAh(), seldom.StoredAh(), 0.1)
	assert.InDelta(t, all.DrawnAh(), seldom.DrawnAh(), 0.1)
}
