package scenariofile_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config/strict"
	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

// Each mistake gives file, line, field, what was there and what is accepted.
func TestMistakes(t *testing.T) {
	for _, c := range []struct {
		name, file string
		want       []string
	}{
		{"unknown key", "days: 1\ndayz: 2\n", []string{"x.yaml:2: dayz: unknown field: did you mean days?"}},
		{"unknown nested key", "bank:\n  wiring:\n    ohm: 1\n",
			[]string{"x.yaml:3: bank.wiring.ohm: unknown field: want feed_leads, load_leads, negative_link_mohm"}},
		{"key given twice", "days: 1\nseed: 2\ndays: 3\n",
			[]string{`x.yaml:3: days: written twice: want it once: it is on line 1 already`}},
		{"out of range", "days: 0\n", []string{`x.yaml:1: days: 0: want 0.01 to 4000`}},
		{"not a number", "days: .nan\n", []string{`x.yaml:1: days: .nan: want 0.01 to 4000`}},
		{"infinite", "days: .inf\n", []string{`x.yaml:1: days: .inf: want`}},
		{"wrong type", "days: [1]\n", []string{"x.yaml:1: days: a list: want 0.01 to 4000"}},
		{"text for a number", "feed: {limit_a: lots}\n", []string{`x.yaml:1: feed.limit_a: lots: want 1 to 200`}},
		{"number for a time", "feed: {start_delay: 5}\n",
			[]string{`feed.start_delay: 5: want a time from 0s to 10m (no unit: write 5s if`}},
		{"no such chemistry", "bank:\n  batteries:\n    - {id: a, chemistry: nickel}\n",
			[]string{`x.yaml:3: bank.batteries[0].chemistry: nickel: want flooded, agm or gel`}},
		{"impossible rating", "bank:\n  batteries:\n    - {id: a, rated_ah: -3}\n",
			[]string{`x.yaml:3: bank.batteries[0].rated_ah: -3: want 20 to 400`}},
		{"several at once, in order of lines", "foo: 1\nfeed:\n  power_w: 0\nmotor:\n  run_a: 1\n",
			[]string{"x.yaml:1: foo", "x.yaml:3: feed.power_w", "x.yaml:5: motor.run_a"}},
		{"a field and a pair of fields at once", "days: 0\nmotor: {run_a: 140, relief_a: 100}\n",
			[]string{"x.yaml:1: days", "x.yaml:2: motor.relief_a"}},
		{"a field and what it is compared with", "motor: {run_a: 4000, relief_a: 100}\n",
			[]string{"motor.run_a: 4000: want 20 to 400"}},
		{"wrong unit", "feed: {limit_a: 40 A}\n", []string{"feed.limit_a: 40 A: want 1 to 200"}},
		{"a whole number", "duty: {runs_per_lift: 1.5}\n",
			[]string{"duty.runs_per_lift: 1.5: want a whole number from 1 to 10"}},
		{"one number for two", "duty: {stops: [8]}\n", []string{"duty.stops: a list of 1: want a list of 2"}},
		{"five batteries", "bank:\n  batteries: [{id: a}, {id: b}, {id: c}, {id: d}, {id: a}]\n",
			[]string{"x.yaml:2: bank.batteries: a list of 5: want a list of 1 to 4"}},
		{"none", "bank:\n  batteries: []\n", []string{"x.yaml:2: bank.batteries: a list of 0: want a list of 1 to 4"}},
		{"an id twice", "bank:\n  batteries: [{id: a}, {id: a}]\n",
			[]string{`bank.batteries[1].id: a: want another: batteries[0] has it`}},
		{"odd series pairs", "bank:\n  layout: series-pairs\n  batteries: [{id: a}]\n",
			[]string{"x.yaml:2: bank.layout: series-pairs with 1 batteries: want 2 or 4"}},
		{"three in series", "bank:\n  layout: series\n  batteries: [{id: a}, {id: b}, {id: c}]\n",
			[]string{"x.yaml:2: bank.layout: series with 3 batteries: want 2 batteries"}},
		{"built for more than there are", "bank:\n  configured: series-pairs\n  batteries: [{id: a}, {id: b}]\n",
			[]string{"x.yaml:2: bank.configured: series-pairs with 2 batteries: want 4 batteries"}},
		{"a 12 V load in parallel", "faults:\n  - {kind: tap-load, battery: a, amp: 0.5}\n",
			[]string{"x.yaml:2: faults[0].kind: tap-load: want a bank in series"}},
		{"a negative link in a string", "bank: {layout: series}\nfaults:\n  - {kind: link-open, battery: a, side: negative}\n",
			[]string{"x.yaml:3: faults[0].side: negative: want positive"}},
		{"a charger on one of two in parallel", "feed: {across: a}\n",
			[]string{"x.yaml:1: feed: across or equalizer_a: want them with a bank in series only"}},
		{"a balancing charger on one battery", "bank: {layout: series}\nfeed: {across: a, equalizer_a: 2}\n",
			[]string{"x.yaml:2: feed.equalizer_a: 2: want it left out"}},
		{"too many links", "bank:\n  wiring:\n    positive_link_mohm: [1, 2]\n",
			[]string{"x.yaml:3: bank.wiring.positive_link_mohm: a list of 2: want one for all, or 1"}},
		{"lead on a missing battery", "bank:\n  wiring:\n    feed_leads: {negative_at: d}\n",
			[]string{`bank.wiring.feed_leads.negative_at: d: want the id of a battery of this bank`}},
		{"a ring of batteries against each other", "bank:\n  batteries: [{id: a}, {id: b, reversed: true}]\n",
			[]string{"bank.batteries[1].reversed: true in a closed bank"}},
		{"fault after the run", "days: 2\nfaults:\n  - {kind: feed-unplugged, at: 2d}\n",
			[]string{"x.yaml:3: faults[0].at: 2d: want a time within the run of 2 days"}},
		{"sensor fault after the run", "days: 2\nsensors:\n  faults:\n    - {kind: bus-stuck, at: 3d}\n",
			[]string{"x.yaml:4: sensors.faults[0].at: 3d: want a time within the run"}},
		{"unknown fault", "faults:\n  - {kind: gremlin}\n",
			[]string{`x.yaml:2: faults[0].kind: gremlin: want feed-unplugged, converter-dead`}},
		{"fault without its value", "faults:\n  - {kind: drain}\n",
			[]string{"x.yaml:2: faults[0].amp: missing: want it with kind drain"}},
		{"fault with another's value", "faults:\n  - {kind: drain, amp: 1, mohm: 2}\n",
			[]string{"faults[0].mohm: given: want it left out with kind drain"}},
		{"link after the last battery", "faults:\n  - {kind: link-open, battery: b, side: positive}\n",
			[]string{`faults[0].battery: b: want a battery with a link to a next one`}},
		{"unknown channel", "sensors:\n  errors:\n    - {channel: pressure}\n",
			[]string{`sensors.errors[0].channel: pressure: want feed, motor, input, control, ambient, oil, or voltage`}},
		{"channel of a missing battery", "sensors:\n  errors:\n    - {channel: voltage-c}\n",
			[]string{`sensors.errors[0].channel: voltage-c: want feed`}},
		{"unknown finding", "expect: [feed-lost, feed-gone]\n",
			[]string{`x.yaml:1: expect[1]: feed-gone: want feed-lost, feed-weak`}},
		{"start", "start: tomorrow\n", []string{`x.yaml:1: start: tomorrow: want a time such as 2025-03-03T05:00:00Z`}},
		{"upside down", "duty: {up: [14s, 8s]}\n", []string{"x.yaml:1: duty.up: [14s, 8s]: want the smaller first"}},
		{"alias", "bank: &b {layout: parallel}\nfeed: *b\n",
			[]string{"x.yaml:1: bank: anchor: want plain values, sections and lists only",
				"x.yaml:2: feed: alias: want plain"}},
		{"not YAML", "days: [1\n", []string{"x.yaml:1: not YAML: "}},
		{"not a mapping", "- 1\n", []string{"x.yaml:1: a list: want sections: bank, duty, faults and so on"}},
		{"two documents", "days: 1\n---\ndays: 2\n",
			[]string{"x.yaml:3: a second document: want one document in a file"}},
		{"float over absorption", "feed: {float_v: 14.8}\n",
			[]string{"feed.float_v: 14.8: want absorption_v or less: 14.4"}},
		{"motor that can't turn", "motor: {resistance_mohm: 100}\n", []string{"motor.resistance_mohm: 100: want less"}},
		{"relief under run", "motor: {relief_a: 100}\n", []string{"motor.relief_a: 100: want run_a or more: 120"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := scenariofile.Parse("x.yaml", []byte(c.file))
			require.Error(t, err)
			rest := err.Error()
			for _, want := range c.want {
				at := strings.Index(rest, want)
				require.GreaterOrEqual(t, at, 0, "%q lacks %q", err, want)
				rest = rest[at+len(want):]
			}
		})
	}
}

func TestDefaultsAndPlacement(t *testing.T) {
	sc, err := scenariofile.Parse("dir/my-unit.yaml",
		[]byte("bank:\n  batteries: [{id: a}, {id: b, soc_pct: 0}, {id: c}]\n  wiring:\n    feed_leads: {at: "+
			"same-post}\n    load_leads: {negative_at: b}\n    negative_link_mohm: [1, 2]\n"))
	require.NoError(t, err)
	assert.Equal(t, "my-unit", sc.Name)
	assert.Equal(t, time.Date(2025, 3, 3, 5, 0, 0, 0, time.UTC), sc.Start)
	b := sc.Bank.Batteries
	assert.Equal(t, scenario.Battery{ID: "c", Chemistry: "flooded", RatedAh: 100, RatedCCA: 950, SoCPct: 100}, b[2])
	assert.Zero(t, b[1].SoCPct, "0 is a value")
	w := sc.Bank.Wiring
	assert.Equal(t, []float64{0.5, 0.5}, w.PositiveLinkMohm)
	assert.Equal(t, []float64{1, 2}, w.NegativeLinkMohm)
	assert.Len(t, w.PositivePostMohm, 3)
	assert.Equal(t, scenario.Leads{At: "same-post", PositiveAt: "a", NegativeAt: "a", PositiveMohm: 2, NegativeMohm: 2},
		w.FeedLeads)
	assert.Equal(t, scenario.Leads{At: "diagonal", PositiveAt: "a", NegativeAt: "b", PositiveMohm: 1.5,
		NegativeMohm: 1}, w.LoadLeads)

	empty, err := scenariofile.Parse("x.yaml", nil)
	require.NoError(t, err)
	assert.Equal(t, 2, len(empty.Bank.Batteries))
	none, err := scenariofile.Parse("x.yaml", []byte("duty: {work_days: []}\n"))
	require.NoError(t, err)
	assert.Empty(t, none.Duty.WorkDays)
}

// What a unit is built for decides its feed, motor and number of batteries, however its bank is wired.
func TestDefaultsOfStrings(t *testing.T) {
	for file, want := range map[string]struct {
		layout, configured  string
		n                   int
		absorptionV, motorV float64
	}{
		"":                               {"parallel", "parallel", 2, 14.4, 12.4},
		"bank: {layout: series}\n":       {"series", "series", 2, 28.8, 24.8},
		"bank: {layout: series-pairs}\n": {"series-pairs", "series-pairs", 4, 28.8, 24.8},
		"bank: {layout: series-pairs, batteries: [{id: a}, {id: b}]}\n":       {"series-pairs", "series", 2, 28.8, 24.8},
		"bank: {layout: series-pairs, configured: parallel}\n":                {"series-pairs", "parallel", 2, 14.4, 12.4},
		"bank: {layout: parallel, configured: series}\n":                      {"parallel", "series", 2, 28.8, 24.8},
		"bank: {layout: series}\nfeed: {absorption_v: 14.4, float_v: 13.6}\n": {"series", "series", 2, 14.4, 24.8},
	} {
		sc, err := scenariofile.Parse("x.yaml", []byte(file))
		require.NoError(t, err, file)
		assert.Equal(t, want.layout, sc.Bank.Layout, file)
		assert.Equal(t, want.configured, sc.Bank.Configured, file)
		assert.Len(t, sc.Bank.Batteries, want.n, file)
		assert.Equal(t, want.absorptionV, sc.Feed.AbsorptionV, file)
		assert.Equal(t, want.motorV, sc.Motor.NominalV, file)
	}
}

func TestLoad(t *testing.T) {
	for _, name := range []string{"healthy-day", "feed-lost", "same-post-year", "series-wired", "sense-open",
		"parked-month", "bank-low"} {
		sc, err := scenariofile.Load(name)
		require.NoError(t, err)
		assert.Equal(t, name, sc.Name)
	}
	for _, name := range []string{"", "nothing", "../scenario", "library/healthy-day"} {
		_, err := scenariofile.Load(name)
		require.Error(t, err)
		assert.Contains(t, err.Error(), "want one of balance-negative, bank-flat")
	}
	for _, e := range scenariofile.Names() {
		assert.NotEmpty(t, e.Description, e.Name)
		assert.NotContains(t, e.Description, "\n", e.Name)
	}
}

func TestSplitChannel(t *testing.T) {
	for name, want := range map[string][2]string{"voltage": {"voltage", ""}, "current-b": {"current", "b"},
		"feed": {"feed", ""}, "motor": {"motor", ""}} {
		q, b, ok := scenario.SplitChannel(name)
		assert.True(t, ok, name)
		assert.Equal(t, want, [2]string{q, b}, name)
	}
	for _, name := range []string{"", "feed-a", "voltage-e", "voltage-", "amps-a"} {
		_, _, ok := scenario.SplitChannel(name)
		assert.False(t, ok, name)
	}
}

// Any input returns a scenario that passes its own checks, or errors that name the file, a line and
// what is accepted. Never a panic.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("../../sim/scenario/library/*.yaml")
	require.NoError(f, err)
	require.NotEmpty(f, files)
	for _, file := range files {
		data, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(data)
	}
	f.Add([]byte("bank: {batteries: [{id: a, soc_pct: 1e400}]}\n"))
	f.Add([]byte("days: 0x10\nseed: 1_000\nfaults: [{kind: drain, amp: 1, at: 1h}]\n"))
	f.Add([]byte("? a\n: b\n<<: {days: 1}\n"))
	f.Add([]byte("description: |\n  two\n  lines\nexpect: ~\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		sc, err := scenariofile.Parse("x.yaml", data)
		if err != nil {
			all, ok := errors.AsType[strict.Errors](err)
			require.True(t, ok && len(all) > 0, "%v", err)
			for _, one := range all {
				assert.Equal(t, "x.yaml", one.File)
				assert.False(t, one.Line < 1 || one.Value == "" || one.Want == "" ||
					strings.ContainsAny(one.Error(), "\n\r\t"), "%q", one)
			}
			return
		}
		n := len(sc.Bank.Batteries)
		assert.True(t, n >= 1 && n <= 4, "%d batteries", n)
		assert.Len(t, sc.Bank.Wiring.PositiveLinkMohm, n-1)
		assert.Len(t, sc.Bank.Wiring.NegativePostMohm, n)
		assert.True(t, sc.Days >= 0.01 && sc.Days <= 4000)
		for i := range sc.Faults {
			assert.Less(t, sc.Faults[i].At, sc.Length())
		}
	})
}
