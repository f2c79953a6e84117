package rules_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// text returns a state as it is saved, without what must differ once something was replaced and
// taken back: the life of findings, which counts its changes, and when the next figures are due.
func text(t require.TestingT, s *rules.State) string {
	s.Book.Seq, s.Due = 0, 0
	for i := range s.Book.Records {
		r := &s.Book.Records[i]
		r.Seq, r.Again, r.Since, r.Seen, r.SeenFrom = 0, false, 0, false, 0
	}
	b, err := json.Marshal(s)
	require.NoError(t, err)
	return string(b)
}

// A replacement that is taken back leaves nothing behind: whatever was learned, of whichever
// batteries, with whatever ratings in between, in whichever order, over a restart or not.
func TestTakingBackGivesAllBack(t *testing.T) {
	b := newBench(t, twoFlooded())
	days := 0
	rapid.Check(t, func(rt *rapid.T) {
		for range rapid.IntRange(0, 2).Draw(rt, "days") {
			b.day(days)
			days++
		}
		b.hold(time.Duration(rapid.IntRange(1, 900).Draw(rt, "rest"))*time.Second, time.Second)
		want := text(rt, b.engine.State())

		var order []int
		for _, i := range rapid.Permutation([]int{0, 1}).Draw(rt, "order")[:rapid.IntRange(1, 2).Draw(rt, "how many")] {
			for range rapid.IntRange(1, 2).Draw(rt, "times") {
				spec := rules.BatteryConfig{
					Chemistry: rapid.SampledFrom(leadacid.All()).Draw(rt, "chemistry"),
					RatedAh:   rapid.Float64Range(20, 400).Draw(rt, "Ah"), RatedCCA: rapid.Float64Range(100, 2000).Draw(rt, "CCA"),
				}
				require.NoError(rt, b.engine.ReplaceBattery(i, spec))
			}
			order = append(order, i)
		}
		assert.NotEqual(rt, want, text(rt, b.engine.State()))
		if rapid.Bool().Draw(rt, "restart") {
			cfg, s := twoFlooded(), b.engine.State()
			for i := range cfg.Batteries {
				m := &s.Battery[i]
				cfg.Batteries[i].RatedAh, cfg.Batteries[i].RatedCCA = m.RatedAh, m.RatedCCA
				for _, c := range leadacid.All() {
					if c.Is(m.Chemistry) {
						cfg.Batteries[i].Chemistry = c
					}
				}
			}
			b.restart(cfg)
		}
		for _, i := range rapid.Permutation(order).Draw(rt, "back") {
			require.True(rt, b.engine.Replaced(i))
			require.NoError(rt, b.engine.TakeBackBattery(i))
			require.ErrorIs(rt, b.engine.TakeBackBattery(i), rules.ErrNotKept)
		}
		assert.Equal(rt, want, text(rt, b.engine.State()))
	})
}

// worn plays runs on a bank whose battery b gives too little.
func (b *bench) worn() {
	for range 30 {
		b.set(12.65, -0.1)
		b.hold(10*time.Minute, 5*time.Second)
		b.in.At.Mono += time.Second
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: b.in.At.Mono}}, unit.ContactOn
		b.set(12.65, -120)
		b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV = good(12.65-60*0.0036), good(12.65-60*0.0055)
		b.step()
		b.hold(4*time.Second, 10*time.Millisecond)
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{At: b.in.At.Mono}}, unit.ContactOff
		b.set(12.65, -0.1)
		b.step()
		b.hold(time.Second, 10*time.Millisecond)
	}
}

// What stood of the battery stands again when it is taken back, and calls nobody twice.
func TestFindingsOfABatteryTakenBackStandAgain(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.worn()
	const name = "battery-tired"
	tired := b.finding(name, "b")
	require.True(t, tired.Active(), "%v %v", b.out.Battery[1].Verdict, b.out.Battery[1].CrankingA)
	evidence, cranking := len(tired.Evidence), b.out.Battery[1].CrankingA

	spec := twoFlooded().Batteries[1]
	spec.RatedAh = 120
	require.NoError(t, b.engine.ReplaceBattery(1, spec))
	b.events = nil
	b.hold(30*time.Second, time.Second)
	assert.False(t, b.finding(name, "b").Active())
	assert.Equal(t, 120.0, b.engine.State().Battery[1].RatedAh)

	require.NoError(t, b.engine.TakeBackBattery(1))
	b.events = nil
	b.hold(10*time.Second, time.Second)
	assert.True(t, b.finding(name, "b").Active())
	assert.Len(t, b.finding(name, "b").Evidence, evidence)
	assert.Equal(t, cranking.Known, b.out.Battery[1].CrankingA.Known)
	assert.InDelta(t, cranking.Value, b.out.Battery[1].CrankingA.Value, 1)
	raised := 0
	for _, e := range b.events {
		if e.Kind == rules.FindingRaised && b.out.Findings[e.Finding].Def.Name == name {
			raised++
			assert.True(t, e.Change.Muted)
		}
	}
	assert.Positive(t, raised, "it is told, so that whoever follows has it right")
}

// Work on the joints stays done when a battery is taken back; a settled replacement can't be.
func TestWhatIsNotTakenBack(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.day(0)
	require.NoError(t, b.engine.ReplaceBattery(0, twoFlooded().Batteries[0]))
	b.engine.ForgetLinks()
	links := b.engine.State().Network
	require.NoError(t, b.engine.TakeBackBattery(0))
	assert.Equal(t, links, b.engine.State().Network)

	require.NoError(t, b.engine.ReplaceBattery(0, twoFlooded().Batteries[0]))
	b.engine.SettleBatteries()
	require.ErrorIs(t, b.engine.TakeBackBattery(0), rules.ErrNotKept)
	assert.Nil(t, b.engine.State().Kept)

	before := text(t, b.engine.State())
	for _, i := range []int{-1, 2} {
		require.Error(t, b.engine.ReplaceBattery(i, twoFlooded().Batteries[0]))
		require.Error(t, b.engine.TakeBackBattery(i))
	}
	wrong := twoFlooded().Batteries[0]
	wrong.RatedAh = -1
	require.ErrorContains(t, b.engine.ReplaceBattery(0, wrong), "rated capacity")
	assert.Equal(t, before, text(t, b.engine.State()), "what is refused changes nothing")
}

// What is kept may have rotted on the card: it is refused or taken over, and the unit goes on.
func TestAKeptBatteryThatCannotBe(t *testing.T) {
	for name, spoil := range map[string]func(k *rules.Kept){
		"ratings":   func(k *rules.Kept) { k.Battery[0].RatedAh = -1 },
		"chemistry": func(k *rules.Kept) { k.Battery[0].Chemistry = "salt" },
		"charge":    func(k *rules.Kept) { k.Battery[0].Charge.CapAh = -1 },
		"from":      func(k *rules.Kept) { k.Bank.From = 1 << 62 },
		"shares":    func(k *rules.Kept) { k.Bank.ShareDrawnAh[0] = -1 },
		"days":      func(k *rules.Kept) { k.Bank.Days.Known = 99 },
		"forecast":  func(k *rules.Kept) { k.Bank.Forecast.Now = -1 },
		"network":   func(k *rules.Kept) { k.Bank.Network.Batteries = 3 },
		"finding":   func(k *rules.Kept) { k.Bank.Findings["circulating"] = []byte("7") },
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, twoFlooded())
			b.day(0)
			require.NoError(t, b.engine.ReplaceBattery(0, twoFlooded().Batteries[0]))
			s := b.engine.State()
			spoil(s.Kept)
			e, err := rules.New(twoFlooded())
			require.NoError(t, err)
			require.NoError(t, e.Restore(s))
			require.Error(t, e.TakeBackBattery(0))
			b.engine = e
			b.day(1)
			assert.True(t, b.out.Battery[1].SoCPct.Known)
		})
	}
}
