package crosscheck

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/leadacid"
	"liftbank/rules/parked"
	"liftbank/rules/unit"
	"liftbank/sim/cell"
)

// park charges one of two like batteries of 100 Ah at 14.4 V, parks it with half of drawA on it, and
// returns what is learned of that after so many days, in a weather that changes by some degrees from
// day to day, by a tap and a thermometer that err within their class.
func park(t *testing.T, random *rand.Rand, c cell.Chemistry, drawA, meanC float64, days int) unit.Estimate {
	t.Helper()
	const step = 5 * time.Minute
	b, err := cell.New(cell.Spec{Chemistry: c, RatedAh: 100, RatedCCA: 850}, 85, meanC)
	require.NoError(t, err)
	b.Prepare(step.Seconds())
	of, err := leadacid.Parse(string(c))
	require.NoError(t, err)
	gain, zero, offC := 1+0.01*(2*random.Float64()-1), 0.01*(2*random.Float64()-1), 2*random.Float64()-1
	l, at, spell := &parked.Learner{}, time.Duration(0), 0.0
	for amps := 20.0; at < 6*time.Hour; at += step {
		for v, _ := b.Terminal(amps); v > 14.4 && amps > 0; v, _ = b.Terminal(amps) {
			amps -= 0.02
		}
		b.Step(step.Seconds(), amps, meanC)
	}
	for from := at; at < from+time.Duration(days)*24*time.Hour; at += step {
		spell += 0.15*random.NormFloat64() - 0.001*spell
		ambient := meanC + spell + 5*math.Sin(2*math.Pi*at.Hours()/24)
		b.Step(step.Seconds(), -drawA/2, ambient)
		v, _ := b.Terminal(-drawA / 2)
		tempC := b.TempC() + offC
		v25, _ := leadacid.RestedVAtReference(v*gain+zero+0.002*random.NormFloat64(), tempC)
		pct, pctPerV := of.SoCFromRestedV(v25)
		l.Step(&parked.Scan{Now: at, QuietFor: at - from, RatedAh: 200, LeftAh: 2 * pct, AhPerV: 2 * pctPerV,
			V25: unit.Reading{Value: v25, Quality: unit.Good}, TempC: unit.Reading{Value: tempC, Quality: unit.Good}})
	}
	return l.DrawA()
}

// What is drawn from a parked bank is learned within the doubt that is stated, in two weeks to half of
// what a board of 60 mA draws, and never in a long weekend.
func TestParkedDraw(t *testing.T) {
	said, inside := 0, 0
	for _, days := range []int{3, 5, 7, 10, 14, 21} {
		for _, drawA := range []float64{0.015, 0.06, 0.12, 0.5} {
			n, known, sum2, bias, sigma := 0.0, 0.0, 0.0, 0.0, 0.0
			for seed := range uint64(12) {
				random := rand.New(rand.NewPCG(seed+uint64(days)*100, 0x7061726B))
				c := []cell.Chemistry{cell.Flooded, cell.AGM, cell.Gel}[seed%3]
				got := park(t, random, c, drawA, []float64{2, 14, 24, 32}[seed/3], days)
				n++
				e := got.Value - drawA
				if got.Known {
					known, sum2, bias, sigma = known+1, sum2+e*e, bias+e, sigma+got.Sigma
				}
				if got.Sigma > 0 {
					if said++; math.Abs(e) <= 2*got.Sigma {
						inside++
					}
				}
			}
			if days == 3 {
				assert.Zero(t, known)
			}
			if days >= 14 && drawA == 0.06 {
				assert.Greater(t, known/n, 0.5)
				assert.Less(t, math.Sqrt(sum2/known), drawA/2)
			}
			t.Logf("%2d days, %3.0f mA: off by %4.0f mA RMS, %+4.0f mean, stated ± %4.0f; known %3.0f %%", days, 1000*drawA,
				1000*math.Sqrt(sum2/known), 1000*bias/known, 1000*sigma/known, 100*known/n)
		}
	}
	t.Logf("inside two stated sigma: %d of %d", inside, said)
	assert.GreaterOrEqual(t, float64(inside)/float64(said), 0.93)
	assert.Less(t, float64(inside)/float64(said), 1.0, "or the doubt is too wide")
}
