package rules_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/unit"
	"liftbank/sim/scenario"
)

// rough is what a board does to what the engine is handed.
type rough struct {
	noCommand  bool          // the contactor's coil is not wired
	fewSensors bool          // no negative taps
	every      time.Duration // between scans in a run
	restarts   time.Duration // between restarts from the saved state, each off for a while longer
	spoil      func(now time.Duration, in *rules.Input)
}

// stops reports whether the board is off.
func (r *rough) stops(now time.Duration) bool {
	if r.restarts == 0 || now < r.restarts {
		return false
	}
	off := time.Minute << min(now/r.restarts, 9) // 2 minutes to 8 hours
	return now%r.restarts < off
}

// restart goes on with another engine after the board was off.
func (p *player) restart(t *testing.T) {
	if p.rough.restarts == 0 || p.out == nil || p.unit.Now()-p.out.At.Mono < time.Minute {
		return
	}
	text, err := json.Marshal(p.engine.State())
	require.NoError(t, err)
	var state rules.State
	require.NoError(t, json.Unmarshal(text, &state))
	p.engine, err = rules.New(p.cfg)
	require.NoError(t, err)
	require.NoError(t, p.engine.Restore(&state))
}

// played are the units of TestPlayed: each chemistry, one to four batteries, cold and warm, sound
// and with a fault of each part; and boards that read them badly.
var played = []struct {
	name     string
	days     float64
	scenario string // empty: that of the name
	change   func(sc *scenario.Scenario)
	rough    rough
}{
	{name: "healthy-single", days: 4},
	{name: "healthy-four", days: 3},
	{name: "healthy-cold", days: 3},
	{name: "cycled-agm-cold", days: 3},
	{name: "cycled-flooded", days: 3},
	{name: "cycled-gel-hot", days: 3},
	{name: "battery-tired", days: 5},
	{name: "link-resistive", days: 4},
	{name: "feed-weak-cable", days: 4},
	{name: "parked-drain", days: 6},
	{name: "freeze-risk", days: 5},
	{name: "motor-hungry", days: 4},
	{name: "sense-off", days: 3},
	{name: "circulating", days: 4},
	{name: "cell-shorted", days: 5},
	{name: "balance-negative", days: 4},
	{name: "posts-charged", days: 2},
	{name: "bank-flat", days: 4},
	{name: "link-open", days: 3},
	{name: "gel-restarted", days: 6, scenario: "healthy-single", change: gel, rough: rough{restarts: 13 * time.Hour}},
	{name: "few-sensors", days: 3, scenario: "healthy-month", rough: rough{noCommand: true, fewSensors: true}},
	{name: "slow-board", days: 3, scenario: "healthy-month", rough: rough{every: 50 * time.Millisecond}},
	{name: "bus-fault", days: 3, scenario: "healthy-month", rough: rough{spoil: busFault}},
	{name: "series-healthy", days: 3},
	{name: "series-tap-load", days: 5},
	{name: "pairs-healthy", days: 2},
	{name: "wrong-zero", days: 3, scenario: "parked-drain", rough: rough{spoil: wrongZero}},
}

// takesLong reports whether a played unit is one of those that run their motors most, or of the next, whose finding
// has a transcript in detect. Those are for mutants, too, which asks for the short tests.
func takesLong(name string) bool {
	switch name {
	case "balance-negative", "bank-flat", "cell-shorted", "cycled-agm-cold", "cycled-flooded", "cycled-gel-hot", "feed-weak-cable":
		return true
	case "battery-tired", "freeze-risk", "link-resistive", "parked-drain":
		return !testing.Short()
	}
	return false
}

func gel(sc *scenario.Scenario) { sc.Bank.Batteries[0].Chemistry = "gel" }

// busFault loses all analog channels now and then, for seconds to half an hour; from the second day
// on the first battery has no thermometer, and on the third its current is not read.
func busFault(now time.Duration, in *rules.Input) {
	lost := unit.Reading{Quality: unit.NoAnswer}
	a := &in.Battery[0]
	if now > 30*time.Hour {
		a.TempC = lost
	}
	if now > 48*time.Hour {
		a.CurrentA = lost
	}
	if now%(7*time.Hour) > time.Minute<<(now/(7*time.Hour))/4 {
		return
	}
	for k := range in.Battery {
		b := &in.Battery[k]
		for _, r := range []*unit.Reading{&b.VoltageV, &b.NegativeV, &b.CurrentA, &b.TempC} {
			if r.Quality == unit.Good {
				*r = lost
			}
		}
	}
	in.FeedV, in.MotorV = lost, lost
}

// wrongZero takes the zero of the first battery's current away by an ampere on the second day.
func wrongZero(now time.Duration, in *rules.Input) {
	if now > 20*time.Hour {
		in.Battery[0].CurrentA.Value += 1
	}
}
