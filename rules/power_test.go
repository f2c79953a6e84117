package rules_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/limit"
	"liftbank/rules/power"
	"liftbank/rules/unit"
)

// sleeper is a parked unit that has just fallen asleep.
func sleeper(t *testing.T, change func(*rules.Config)) (*bench, rules.Config) {
	cfg := twoFlooded()
	cfg.Limits = limit.Values{
		"power.saving_after": (2 * time.Hour).Seconds(), "power.sleep_after": (12 * time.Hour).Seconds(),
		"power.asleep_a": 0.5, "board.own_draw_a": 0.06, "power.radio_a": 0.1,
	}
	change(&cfg)
	b := newBench(t, cfg)
	b.in.At.Wall = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	b.set(12.6, -0.16)
	b.hold(13*time.Hour, 10*time.Second)
	require.Equal(t, power.Asleep, b.out.Power.Level)
	return b, cfg
}

// sleep lets the board sleep, and steps once when it is up again.
func (b *bench) sleep(cfg rules.Config, length time.Duration) (planned time.Duration) {
	planned = b.engine.Sleep()
	text, err := json.Marshal(b.engine.State())
	require.NoError(b.t, err)
	var s rules.State
	require.NoError(b.t, json.Unmarshal(text, &s))
	b.engine, err = rules.New(cfg)
	require.NoError(b.t, err)
	require.NoError(b.t, b.engine.Restore(&s))
	b.in.At.Mono += length
	b.step()
	return planned
}

// A sleep of ten hours at 0.5 A is 5 Ah of 200: the charge falls by 2.5 % more than without that draw, and
// is known almost as well as before where the wake line would have woken the board.
func TestASleepCountsWhatASleepingBoardTakes(t *testing.T) {
	for _, line := range []bool{true, false} {
		charge := map[float64]float64{}
		for _, amps := range []float64{0, 0.5} {
			b, cfg := sleeper(t, func(c *rules.Config) {
				c.WakeLine, c.WakeTimer, c.Limits["power.asleep_a"] = line, !line, amps
			})
			total, was := b.out.Power.DrawnAh, b.out.Battery[0].SoCPct
			planned := b.sleep(cfg, 10*time.Hour)
			assert.Equal(t, map[bool]time.Duration{true: 0, false: 24 * time.Hour}[line], planned)
			assert.InDelta(t, 10*amps, b.out.Power.DrawnAh-total, 1e-6)
			assert.Equal(t, 10*time.Hour, b.out.Power.Spent[power.Asleep])
			assert.Equal(t, power.Saving, b.out.Power.Level)
			charge[amps] = b.engine.State().Battery[0].Charge.Filter.X[0]
			if soc := b.out.Battery[0].SoCPct; line {
				assert.True(t, soc.Known)
				assert.InDelta(t, was.Sigma, soc.Sigma, 1, "0.15 A of this battery for ten hours is 1.5 %, squared")
			} else {
				assert.Greater(t, soc.Sigma, was.Sigma+3, "anything may have charged it")
			}
		}
		assert.InDelta(t, -2.5, charge[0.5]-charge[0], 0.02)
	}
}

// The wake line, the motor, work and a page bring it back at once.
func TestWhatBringsABoardBack(t *testing.T) {
	for name, do := range map[string]func(b *bench){
		"wake line": func(b *bench) { b.in.WakeLine = unit.ContactOn },
		"contactor": func(b *bench) { b.in.MotorCommand = unit.ContactOn },
		"a page":    func(b *bench) { b.engine.Looked(true) },
		"work":      func(b *bench) { require.NoError(b.t, b.engine.BeginWork(0, "x", time.Hour)) },
	} {
		b, _ := sleeper(t, func(c *rules.Config) { c.WakeLine = true })
		do(b)
		b.hold(time.Second, time.Second)
		assert.Equal(t, power.Awake, b.out.Power.Level, name)
	}
}

// The mean draw, which the balance and the findings take as the board's own, follows what it does.
func TestTheBalanceFollowsTheLevel(t *testing.T) {
	b, cfg := sleeper(t, func(c *rules.Config) { c.WakeLine, c.Limits["power.asleep_a"] = true, 0.004 })
	assert.InDelta(t, 0.16, b.out.Power.MeanA, 0.02)
	b.sleep(cfg, 20*24*time.Hour)
	assert.InDelta(t, 0.004, b.out.Power.MeanA, 0.001)
}

// A unit with the default configuration never sleeps.
func TestByDefaultNothingSleeps(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.set(11.9, -0.06)
	b.hold(30*24*time.Hour, time.Minute)
	assert.Equal(t, power.Saving, b.out.Power.Level)
	assert.Zero(t, b.out.Power.Sleeps)
	assert.InDelta(t, 30*24*0.06, b.out.Power.ParkedAh, 0.1)
	assert.InDelta(t, 30*24*0.06/2, b.out.Power.ParkedPct, 0.1, "of 200 Ah by the labels")
}
