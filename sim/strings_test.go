package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/sim/scenario"
)

// stringUnit returns a unit of strings that is differently.
func stringUnit(t *testing.T, layout string, differs func(*scenario.Scenario)) *Unit {
	t.Helper()
	sc := scenario.DefaultFor(layout)
	sc.Days = 4
	differs(&sc)
	sc.Complete()
	u, err := New(sc, 0)
	require.NoError(t, err)
	return u
}

// active returns the conditions that are so, with their subjects.
func active(u *Unit) (all []string) {
	for _, c := range u.Conditions() {
		if c.Active {
			all = append(all, c.Finding+" "+c.Subject)
		}
	}
	return all
}

// What is wrong with strings is true from its onset, about the battery or joint that it concerns, and
// nothing else is.
func TestConditionsOfStrings(t *testing.T) {
	fault := func(f scenario.Fault) func(*scenario.Scenario) {
		return func(sc *scenario.Scenario) { sc.Faults = append(sc.Faults, f) }
	}
	aged := func(k int, lost float64) func(*scenario.Scenario) {
		return func(sc *scenario.Scenario) { sc.Bank.Batteries[k].Aging.LostCapacityPct = lost }
	}
	sensor := func(f scenario.SensorFault) func(*scenario.Scenario) {
		return func(sc *scenario.Scenario) { sc.Sensors.Faults = append(sc.Sensors.Faults, f) }
	}
	const series, pairs = scenario.Series, scenario.SeriesPairs
	for name, c := range map[string]struct {
		layout  string
		differs func(*scenario.Scenario)
		want    []string
		doubt   string
	}{
		"healthy":          {series, func(*scenario.Scenario) {}, nil, ""},
		"two strings":      {pairs, func(*scenario.Scenario) {}, nil, ""},
		"a lost 18 %":      {series, aged(0, 18), []string{"blocks-unequal a"}, "battery-tired"},
		"d lost 18 %":      {pairs, aged(3, 18), []string{"blocks-unequal d"}, "battery-tired"},
		"lost 10 %":        {series, aged(1, 10), nil, "blocks-unequal"},
		"lost 5 %":         {series, aged(1, 5), nil, ""},
		"both lost 18 %":   {series, func(sc *scenario.Scenario) { aged(0, 18)(sc); aged(1, 18)(sc) }, nil, "battery-tired"},
		"behind in charge": {series, func(sc *scenario.Scenario) { sc.Bank.Batteries[1].SoCPct = 80 }, []string{"blocks-unequal b"}, ""},
		"12 V load":        {series, fault(scenario.Fault{Kind: "tap-load", Battery: "a", Amp: 0.5}), []string{"blocks-unequal a"}, ""},
		"self-discharge":   {pairs, fault(scenario.Fault{Kind: "self-discharge", Battery: "d", Amp: 0.2}), []string{"blocks-unequal d"}, ""},
		"leaks 0.09 A":     {series, fault(scenario.Fault{Kind: "self-discharge", Battery: "a", Amp: 0.09}), []string{"blocks-unequal a"}, ""},
		"leaks 0.07 A":     {series, fault(scenario.Fault{Kind: "self-discharge", Battery: "a", Amp: 0.07}), nil, "blocks-unequal"},
		"a dead cell": {series, func(sc *scenario.Scenario) { sc.Bank.Batteries[0].Aging.ShortedCells = 1 },
			[]string{"battery-failed a"}, "blocks-unequal"},
		"middle joint": {series, fault(scenario.Fault{Kind: "link-resistive", Battery: "a", Side: "positive", Mohm: 4}),
			[]string{"link-resistive middle-link-ab"}, "blocks-unequal"},
		"middle joint of the second string": {pairs, fault(scenario.Fault{Kind: "link-resistive", Battery: "c", Side: "positive", Mohm: 4}),
			[]string{"link-resistive middle-link-cd"}, "blocks-unequal"},
		"link between plus ends": {pairs, fault(scenario.Fault{Kind: "link-resistive", Battery: "b", Side: "positive", Mohm: 4}),
			[]string{"link-resistive positive-link-bd"}, ""},
		"link between minus ends": {pairs, fault(scenario.Fault{Kind: "link-resistive", Battery: "a", Side: "negative", Mohm: 4}),
			[]string{"link-resistive negative-link-ac"}, ""},
		"post": {pairs, fault(scenario.Fault{Kind: "post-resistive", Battery: "c", Side: "negative", Mohm: 3}),
			[]string{"link-resistive negative-post-c"}, ""},
		"middle tap off": {series, sensor(scenario.SensorFault{Kind: "channel-open", Channel: "voltage-a"}),
			[]string{"middle-tap-open a", "sense-fault voltage-a"}, ""},
		"middle tap stuck": {series, sensor(scenario.SensorFault{Kind: "channel-stuck", Channel: "voltage-a", Value: 13}),
			[]string{"sense-fault voltage-a"}, "middle-tap-open"},
		"upper tap off": {series, sensor(scenario.SensorFault{Kind: "channel-open", Channel: "voltage-b"}),
			[]string{"sense-fault voltage-b"}, ""},
		"wired in parallel": {series, func(sc *scenario.Scenario) { sc.Bank.Layout = scenario.Parallel },
			[]string{"parallel-wired "}, ""},
		"12 V charger on a": {series, func(sc *scenario.Scenario) { sc.Feed.Across, sc.Feed.AbsorptionV, sc.Feed.FloatV = "a", 14.4, 13.6 },
			[]string{"feed-mismatch "}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			u := stringUnit(t, c.layout, c.differs)
			u.AdvanceTo(time.Minute)
			assert.Equal(t, c.want, active(u))
			if c.doubt != "" {
				assert.True(t, u.Doubtful(c.doubt, ""), c.doubt)
			}
			for _, x := range u.Conditions() {
				follows := name == "middle tap off" && x.Finding == "sense-fault"
				assert.Equal(t, !follows, x.Cause, "%s: a root", x.Finding)
			}
		})
	}
}

// The taps of a string are over the lower battery's negative post, and a reading of the upper's own voltage is
// the difference.
func TestSignalsOfStrings(t *testing.T) {
	u := stringUnit(t, scenario.SeriesPairs, func(sc *scenario.Scenario) { sc.Bank.Batteries[2].SoCPct = 50 })
	u.AdvanceTo(time.Second)
	s := u.Signals()
	assert.InDelta(t, 12.7, s.Battery[0].PositiveV, 0.15)
	assert.InDelta(t, s.Battery[0].PositiveV, s.Battery[1].NegativeV, 0.01)
	assert.InDelta(t, 25.4, s.Battery[1].PositiveV, 0.3)
	assert.InDelta(t, 12.2, s.Battery[2].PositiveV, 0.25)
	assert.InDelta(t, s.Battery[3].PositiveV, s.Battery[1].PositiveV, 0.01, "the strings' plus ends are joined")
	assert.InDelta(t, s.Battery[1].PositiveV, s.FeedV, 0.01)
	assert.Less(t, s.Battery[2].NegativeV, 0.05)
	u.Button(true)
	u.AdvanceTo(3 * time.Second)
	s = u.Signals()
	assert.InDelta(t, 90, s.MotorA, 35)
	assert.InDelta(t, s.Battery[0].CurrentA, s.Battery[1].CurrentA, 1e-9, "one current in a string")
	assert.InDelta(t, -s.MotorA, s.Battery[0].CurrentA+s.Battery[2].CurrentA, 0.1, "strings add up")
	assert.Greater(t, s.MotorV, 20.0)
}

// A string is as good as its weakest battery: the bank's charge, the lifts left and the time to full are
// that one's.
func TestTheWeakestBatteryGoverns(t *testing.T) {
	even := stringUnit(t, scenario.Series, func(sc *scenario.Scenario) {
		sc.Bank.Batteries[0].SoCPct, sc.Bank.Batteries[1].SoCPct = 40, 40
	})
	weak := stringUnit(t, scenario.Series, func(sc *scenario.Scenario) {
		sc.Bank.Batteries[0].SoCPct, sc.Bank.Batteries[1].SoCPct = 90, 40
	})
	assert.InDelta(t, 40, bankSoCPct(weak), 0.1)
	const leastV, most = 19.2, 400
	a, b := even.LiftsLeft(leastV, 0, most), weak.LiftsLeft(leastV, 0, most)
	assert.Greater(t, a.Left, 10.0)
	assert.InEpsilon(t, a.Left, b.Left, 0.15, "the fuller battery adds next to nothing")
	assert.InEpsilon(t, a.DrawnAh, b.DrawnAh, 0.15)
	// The fuller one, once full, lets through what it gasses alone: the other waits for days.
	const day = 24 * time.Hour
	even.Ignition(true)
	weak.Ignition(true)
	even.AdvanceTo(time.Minute)
	weak.AdvanceTo(time.Minute)
	full, ok := even.TimeToFull(day)
	require.True(t, ok)
	assert.Greater(t, full, 3*time.Hour)
	_, ok = weak.TimeToFull(day)
	assert.False(t, ok)
}

// A contactor for 24 V does not close on 12 V.
func TestACoilFor24VDoesNotCloseOn12V(t *testing.T) {
	for layout, want := range map[string]bool{scenario.Series: true, scenario.Parallel: false} {
		u := stringUnit(t, scenario.Series, func(sc *scenario.Scenario) { sc.Bank.Layout = layout })
		u.Button(true)
		u.AdvanceTo(2 * time.Second)
		assert.Equal(t, want, u.Signals().MotorA > 20, layout)
	}
}
