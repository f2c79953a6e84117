// Package draw draws simulated units at random, by seed: their sensors' errors and their batteries.
// The draws of a seed never change: results are quoted with their seeds.
package draw

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"liftbank/sim/scenario"
)

// Style is a way in which the sensors of a unit err.
type Style string

// Styles. Ideal sensors don't err and have no noise; all others have the noise of their class.
const (
	Ideal     Style = "ideal"
	Random    Style = "random"    // offset and gain anywhere inside the class
	Limits    Style = "limits"    // offset and gain each at a limit of the class, the sign drawn
	Drifting  Style = "drifting"  // random, and over temperature by up to what a sensor of the class does
	Wandering Style = "wandering" // half of random, and a slow wander over hours
	// Each is the styles in turn, by seed.
	Each Style = "each"
)

// Styles lists the styles in the order of Each, and Each.
var Styles = []Style{Ideal, Random, Limits, Drifting, Wandering, Each}

// StyleNamed returns the style of a name.
func StyleNamed(name string) (Style, error) {
	if k := slices.Index(Styles, Style(name)); k >= 0 {
		return Styles[k], nil
	}
	names := make([]string, len(Styles))
	for k, s := range Styles {
		names[k] = string(s)
	}
	return "", fmt.Errorf("sensors %q: want %s", name, strings.Join(names, ", "))
}

// class is what the sensor of a quantity may err by, in its own unit: in all inside offset and
// gainPct, and for each K within perK and gainPctPerK.
type class struct{ offset, gainPct, noiseRMS, perK, gainPctPerK float64 }

// classes are those of the reference board: a divider with 1 % resistors of 100 ppm/K on a 16-bit
// input chip, an open-loop Hall sensor of 20 mA/K (common practice, no source), a thermistor; our
// choice.
var classes = map[string]class{
	"voltage":     {0.010, 1, 0.002, 0.0002, 0.01},
	"negative":    {0.010, 1, 0.0005, 0.0002, 0.01},
	"feed":        {0.010, 1, 0.002, 0.0002, 0.01},
	"motor":       {0.010, 1, 0.002, 0.0002, 0.01},
	"current":     {0.2, 1, 0.1, 0.020, 0.01},
	"temperature": {1, 0, 0.1, 0, 0},
}

// Sensors gives the sensors of a unit their errors. They depend on the style and the seed only, not
// on the unit. No style is random.
func Sensors(sc *scenario.Scenario, style Style, seed uint64) {
	if style == "" {
		style = Random
	}
	if style == Each {
		style = Styles[seed%uint64(len(Styles)-1)]
	}
	sc.Sensors.Errors = nil
	if style == Ideal {
		return
	}
	random := rand.New(rand.NewPCG(seed, 0x73656E73))
	one := func(channel string) {
		quantity, _, _ := strings.Cut(channel, "-")
		e := classes[quantity].draw(style, random)
		e.Channel = channel
		sc.Sensors.Errors = append(sc.Sensors.Errors, e)
	}
	for i, b := range sc.Bank.Batteries {
		for _, quantity := range []string{"voltage", "current", "temperature", "negative"} {
			if quantity != "negative" || i > 0 { // the first battery's negative post is the board's ground
				one(quantity + "-" + b.ID)
			}
		}
	}
	one("feed")
	one("motor")
}

// Taps makes the drawn errors of all dividers those of a class of pct instead of 1 %.
func Taps(sc *scenario.Scenario, pct float64) {
	for k := range sc.Sensors.Errors {
		e := &sc.Sensors.Errors[k]
		switch quantity, _, _ := strings.Cut(e.Channel, "-"); quantity {
		case "voltage", "negative", "feed", "motor":
			e.Offset, e.GainPct, e.OffsetPerK, e.GainPctPerK = e.Offset*pct, e.GainPct*pct, e.OffsetPerK*pct, e.GainPctPerK*pct
			e.WanderRMS *= pct
		}
	}
}

func (c class) draw(style Style, random *rand.Rand) scenario.SensorError {
	// offset, gain, both over temperature
	var u [4]float64
	for k := range u {
		u[k] = Between(random, -1, 1)
		if style == Limits {
			u[k] = 1
			if random.IntN(2) == 0 {
				u[k] = -1
			}
		}
	}
	e := scenario.SensorError{Offset: c.offset * u[0], GainPct: c.gainPct * u[1], NoiseRMS: c.noiseRMS}
	switch style {
	case Random, Limits:
	case Drifting:
		e.OffsetPerK, e.GainPctPerK = c.perK*u[2], c.gainPctPerK*u[3]
	case Wandering:
		e.Offset, e.GainPct, e.WanderRMS = e.Offset/2, e.GainPct/2, c.offset/4
	default:
		panic("bug: sensors: style " + string(style))
	}
	return e
}
