package rules_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// restart takes a bench's engine away and gives it a new one that is told what the old one knew, by
// way of the text that is saved.
func (b *bench) restart(cfg rules.Config) {
	text, err := json.Marshal(b.engine.State())
	require.NoError(b.t, err)
	var s rules.State
	require.NoError(b.t, json.Unmarshal(text, &s))
	e, err := rules.New(cfg)
	require.NoError(b.t, err)
	require.NoError(b.t, e.Restore(&s))
	b.engine = e
}

// day plays some rests, runs and charges, the same for the same number.
func (b *bench) day(k int) {
	x := float64(k)
	for range 3 {
		b.hold(30*time.Second, time.Second)
		b.run(4*time.Second, 12.6-0.01*math.Mod(x, 7), 12.0-0.02*math.Mod(x, 5), 110+math.Mod(x, 11))
	}
	b.in.WakeLine = unit.ContactOn
	b.set(13.9+0.05*math.Mod(x, 5), 25)
	b.in.FeedV = good(14.1)
	b.hold(12*time.Minute, 4*time.Second)
	b.in.WakeLine = unit.ContactOff
	b.set(12.75, 0)
	b.in.FeedV = good(12.75)
	b.hold(75*time.Minute, 20*time.Second)
}

// A restart must cost no knowledge: what is said afterwards is the same, bit for bit, as without
// it.
func TestARestartCostsNoKnowledge(t *testing.T) {
	const days = 2
	check := func(rt *testing.T, cut, after int) {
		play := func(restart bool) *rules.Output {
			b := newBench(t, twoFlooded())
			b.step()
			for k := range days + 2 {
				if k == cut && after > 0 {
					b.hold(time.Duration(after)*17*time.Minute, 15*time.Second)
				}
				if k == cut && restart {
					b.restart(twoFlooded())
				}
				b.day(k)
			}
			b.engine.UpdateForecast()
			b.out.Events = nil
			return b.out
		}
		want, got := play(false), play(true)
		assert.Equal(rt, want.Battery, got.Battery)
		assert.Equal(rt, want.Bank, got.Bank)
		// A window of some seconds that was under way is lost to the links and paths.
		near := func(want rules.Estimate, got *rules.Estimate) {
			assert.Equal(rt, want.Known, got.Known)
			assert.InDelta(rt, want.Value, got.Value, 0.02*want.Sigma+1e-9)
			assert.InDelta(rt, want.Sigma, got.Sigma, 0.05*want.Sigma+1e-9)
			*got = want
		}
		for i := range want.Links {
			near(want.Links[i].Mohm, &got.Links[i].Mohm)
		}
		near(want.Feed.PathMohm, &got.Feed.PathMohm)
		near(want.Motor.PathMohm, &got.Motor.PathMohm)
		assert.Equal(rt, want.Links, got.Links)
		assert.Equal(rt, want.Motor, got.Motor)
		assert.Equal(rt, want.Feed, got.Feed)
	}
	for cut := range days + 1 {
		for after := range 4 { // times 17 min into the rest that follows
			t.Run(fmt.Sprintf("after day %d and %d rests", cut, after), func(t *testing.T) { check(t, cut, after) })
		}
	}
}

func TestWhatIsSavedOfAnotherUnitStartsAnew(t *testing.T) {
	b := newBench(t, twoFlooded())
	for k := range 3 {
		b.day(k)
	}
	saved := b.engine.State()

	cfg := twoFlooded()
	cfg.Batteries[1].Chemistry, cfg.Batteries[1].RatedAh = leadacid.AGM, 110
	e, err := rules.New(cfg)
	require.NoError(t, err)
	err = e.Restore(saved)
	require.ErrorContains(t, err, "battery b: saved of another")
	require.NotErrorIs(t, err, rules.ErrStateRefused)
	out := e.Step(&rules.Input{At: rules.Moment{Mono: b.in.At.Mono + time.Hour}, Battery: b.in.Battery})
	assert.Equal(t, saved.Motor.Runs, out.Motor.Runs, "the motor is the same one")
	assert.Equal(t, saved.Battery[0].Charge.DrawnAh, out.Battery[0].DrawnAh)
	assert.Zero(t, out.Battery[1].DrawnAh)
	assert.Zero(t, out.Battery[1].RunsJudged)
}

func TestAStateThatCannotBeIsRefused(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.day(0)
	for name, spoil := range map[string]func(*rules.State){
		"version":        func(s *rules.State) { s.Version++ },
		"begun later":    func(s *rules.State) { s.From = s.At.Mono + 1 },
		"negative":       func(s *rules.State) { s.At.Mono = -1 },
		"charge":         func(s *rules.State) { s.Battery[0].Charge.CapAh = -1 },
		"no number":      func(s *rules.State) { s.Battery[1].Load.Parts.MetalMohm = math.NaN() },
		"verdict":        func(s *rules.State) { s.Battery[0].Verdict.Last = 200 },
		"said":           func(s *rules.State) { s.Battery[0].Said = 200 },
		"motor":          func(s *rules.State) { s.Motor.RunTime = -1 },
		"last run":       func(s *rules.State) { s.Motor.Last.Number = s.Motor.Runs + 1 },
		"feed":           func(s *rules.State) { s.Feed.Status = 77 },
		"feed's time":    func(s *rules.State) { s.Feed.Since = s.Feed.Last + 1 },
		"energy":         func(s *rules.State) { s.Bank.DrawnWh = math.Inf(1) },
		"power":          func(s *rules.State) { s.Bank.LastW = math.NaN() },
		"share":          func(s *rules.State) { s.Bank.ShareDrawnAh[1] = -1 },
		"channels":       func(s *rules.State) { s.Channels.Channel[3].Doubt = 200 },
		"days":           func(s *rules.State) { s.Days.Known = 9 },
		"runs":           func(s *rules.State) { s.Pump.Usual.Ratios = 99 },
		"output":         func(s *rules.State) { s.Output.BestA = math.NaN() },
		"findings":       func(s *rules.State) { s.Findings["motor-overrun"] = []byte(`{"":{"Clean":200}}`) },
		"a memory":       func(s *rules.State) { s.Findings["circulating"] = []byte(`{"":{"Amps":[1e9]}}`) },
		"no memory":      func(s *rules.State) { s.Findings["parked-drain"] = []byte(`7`) },
		"book":           func(s *rules.State) { s.Book.Raises = make([]time.Duration, 99) },
		"no batteries":   func(s *rules.State) { s.Battery = nil },
		"network's size": func(s *rules.State) { s.Network.Batteries = 3 },
	} {
		t.Run(name, func(t *testing.T) {
			s := b.engine.State()
			spoil(s)
			e, err := rules.New(twoFlooded())
			require.NoError(t, err)
			require.Error(t, e.Restore(s))
			out := e.Step(&rules.Input{At: rules.Moment{Mono: b.in.At.Mono + time.Second}, Battery: b.in.Battery})
			require.NotNil(t, out)
		})
	}
	require.ErrorIs(t, b.engine.Restore(b.engine.State()), rules.ErrStateRefused, "it has begun")
}

// Any figure of a saved state may have rotted into any other: refused or taken over, what follows
// must be sane.
func FuzzRestore(f *testing.F) {
	b := newBench(f, twoFlooded())
	b.day(0)
	text, err := json.Marshal(b.engine.State())
	require.NoError(f, err)
	f.Add(uint16(0), 1.0, uint16(7), -1.0)
	f.Add(uint16(3), 1e300, uint16(90), 0.0)
	f.Fuzz(func(t *testing.T, leaf uint16, x float64, other uint16, y float64) {
		var tree any
		require.NoError(t, json.Unmarshal(text, &tree))
		for n, v := range map[int]float64{int(leaf % 700): x, int(other % 700): y} {
			setNumber(tree, &n, v)
		}
		spoilt, err := json.Marshal(tree)
		if err != nil {
			return // no number of JSON
		}
		var s rules.State
		if json.Unmarshal(spoilt, &s) != nil {
			return
		}
		e, err := rules.New(twoFlooded())
		require.NoError(t, err)
		_ = e.Restore(&s)
		for k := range 5 {
			out := e.Step(&rules.Input{At: rules.Moment{Mono: s.At.Mono + time.Duration(k)*time.Second}, Battery: b.in.Battery})
			for i := range out.Battery {
				if v := out.Battery[i].SoCPct; v.Known && !(v.Value >= 0 && v.Value <= 100) {
					t.Fatalf("charge %g %%", v.Value)
				}
			}
		}
	})
}

// setNumber sets the n-th number of a tree of JSON, counted in the order of its keys.
func setNumber(tree any, n *int, to float64) {
	set := func(v any) (any, bool) {
		if _, ok := v.(float64); !ok {
			setNumber(v, n, to)
			return v, false
		}
		*n--
		return to, *n == -1
	}
	switch t := tree.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(t)) {
			if v, hit := set(t[k]); hit {
				t[k] = v
			}
		}
	case []any:
		for i := range t {
			if v, hit := set(t[i]); hit {
				t[i] = v
			}
		}
	}
}
