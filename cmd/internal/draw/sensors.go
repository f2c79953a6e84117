// Package draw draws simulated units at random, by seed: their sensors' errors and their batteries.
// The draws of a seed never change: results are quoted with their seeds.
package draw

import (
	"math/rand/v2"
	"slices"

	"liftbank/sim/scenario"
)

// Style is a way in which the sensors of a unit err.
type Style string

// Styles. At a limit, each error is as large as the class of the sensor allows and its sign is
// drawn.
const (
	// LibraryLimits is for the library of scenarios: offsets, and gains of currents, at their
	// limits.
	LibraryLimits Style = "library-limits"
	// FullLimits adds the gains of voltages and the negative taps.
	FullLimits Style = "full-limits"
	// LibraryThenFull has the errors of FullLimits, and temperatures too. It draws LibraryLimits
	// first.
	LibraryThenFull Style = "library-then-full"
	// Ideal sensors don't err.
	Ideal Style = "ideal"
)

// class is what the sensor of a quantity may err by, in its own unit.
type class struct{ offset, gainPct, noiseRMS float64 }

// classes are those of the reference board: a divider with 1 % resistors on a 16-bit input chip, a
// ±200 A Hall sensor, a thermistor; our choice.
var classes = map[string]class{
	"voltage": {0.010, 1, 0.002}, "negative": {0.010, 1, 0.0005}, "feed": {0.010, 1, 0.002}, "motor": {0.010, 1, 0.002},
	"current": {0.2, 1, 0.1}, "temperature": {1, 0, 0.1},
}

// part is what a pass draws of one channel, the offset first.
type part struct {
	quantity     string
	offset, gain bool
}

// pass draws some errors: battery by battery, then of the unit's channels.
type pass struct {
	bySeed        bool // signs by the seed alone, else by the unit's random numbers
	battery, unit []part
}

var (
	libraryPass = pass{
		bySeed:  true,
		battery: []part{{"voltage", true, false}, {"current", true, true}, {"temperature", true, false}},
		unit:    []part{{"feed", true, false}, {"motor", true, false}},
	}
	passes = map[Style][]pass{
		Ideal:         nil,
		LibraryLimits: {libraryPass},
		FullLimits: {{
			battery: []part{{"voltage", true, true}, {"current", true, true}, {"negative", true, true}},
			unit:    []part{{"motor", true, true}, {"feed", true, true}},
		}},
		LibraryThenFull: {
			libraryPass,
			{battery: []part{{"voltage", false, true}}, unit: []part{{"feed", false, true}, {"motor", false, true}}},
			{battery: []part{{"negative", true, true}}},
		},
	}
)

// Sensors returns the sensors of a unit their errors. LibraryLimits draws by seed and FullLimits by
// random, which the other may leave nil.
func Sensors(sc *scenario.Scenario, style Style, seed uint64, random *rand.Rand) {
	all, known := passes[style]
	if !known {
		panic("bug: sensors: style " + string(style))
	}
	sc.Sensors.Errors = nil
	for _, p := range all {
		sign := func() float64 { return float64(random.IntN(2)*2 - 1) }
		if p.bySeed {
			sign = signs(seed)
		}
		for i, b := range sc.Bank.Batteries {
			for _, of := range p.battery {
				if of.quantity != "negative" || i > 0 { // the first battery's negative post is the board's ground
					of.draw(sc, of.quantity+"-"+b.ID, sign)
				}
			}
		}
		for _, of := range p.unit {
			of.draw(sc, of.quantity, sign)
		}
	}
}

// draw adds this part to the error of a channel.
func (p part) draw(sc *scenario.Scenario, channel string, sign func() float64) {
	errs, c := &sc.Sensors.Errors, classes[p.quantity]
	k := slices.IndexFunc(*errs, func(e scenario.SensorError) bool { return e.Channel == channel })
	if k < 0 {
		k = len(*errs)
		*errs = append(*errs, scenario.SensorError{Channel: channel, NoiseRMS: c.noiseRMS})
	}
	if p.offset {
		(*errs)[k].Offset = c.offset * sign()
	}
	if p.gain {
		(*errs)[k].GainPct = c.gainPct * sign()
	}
}

// signs returns a source of random signs (xorshift64, Marsaglia 2003).
func signs(seed uint64) func() float64 {
	x := seed*0x9E3779B97F4A7C15 + 1
	return func() float64 {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		if x&(1<<40) != 0 {
			return 1
		}
		return -1
	}
}
