package ina

import (
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
)

// Source of registers, conversion times and errors: Texas Instruments data sheet INA226, SBOS547 and
// its revision B of September 2024.
var ina226 = model{
	name: "ina226", low: 0x40, high: 0x4f,
	trigger: 0x00,
	word: func(s Source, a Average, sample uint8) uint16 {
		const (
			reserved   = 0x4000 // bit 14 reads as 1
			avgShift   = 9
			busShift   = 6 // conversion time of the bus voltage
			shuntShift = 3 // conversion time of the shunt voltage
		)
		mode := [sources]uint16{Shunt: 1, Bus: 2} // triggered
		return reserved | uint16(a)<<avgShift | uint16(sample)<<busShift | uint16(sample)<<shuntShift | mode[s]
	},
	flags: 0x06, ready: 1 << 3,
	result:      [sources]byte{Shunt: 0x01, Bus: 0x02},
	samples:     [8]time.Duration{140e3, 204e3, 332e3, 588e3, 1100e3, 2116e3, 4156e3, 8244e3},
	latePercent: 10,
}

// figures226 has the limits of the electrical characteristics, at 25 °C. The noise is our estimate, as
// the data sheet only has a picture of it: one step, standard deviation, in the power-on sample time.
// The bus input ends at 36 V, although its steps would reach 40.96 V.
func figures226(s Source) figures {
	const quiet = 1100 * time.Microsecond
	if s == Bus {
		return figures{step: 1.25e-3, low: 0, high: 36, zero: 7.5e-3, gain: 0.001, quiet: quiet, noise: 1.25e-3}
	}
	const step = 2.5e-6
	return figures{
		step: step, low: math.MinInt16 * step, high: math.MaxInt16 * step, zero: 10e-6, gain: 0.001,
		quiet: quiet, noise: step,
	}
}

// INA226 declares the INA226 for the configuration.
var INA226 = sensors.Kind{
	Name: ina226.name,
	Doc: "16-bit monitor of a shunt and of the voltage behind it, up to 36 V. The shunt, here 75 mV at 300 A, needs " +
		"no amplifier, and the bus input no divider: it is wired straight to the post and has 830 kΩ itself.",
	Example: `chips:
  - {name: shunt-a, kind: ina226, address: 0x40}
channels:
  - {signal: battery_current, battery: a, chip: shunt-a, input: shunt,
     scale: {kind: shunt, shunt_ohm: 0.00025, gain: 1, zero_v: 0}}
  - {signal: battery_voltage, battery: a, chip: shunt-a, input: bus,
     scale: {kind: divider, top_ohm: 0, bottom_ohm: 830000}}
`,
	New: func() sensors.ChipConfig { return &Config226{chipConfig{model: &ina226}} },
}

// Config226 is one INA226 as configured.
type Config226 struct{ chipConfig }

// NewInput returns an input with 16 samples of 1.1 ms at rest and one in a run.
func (c *Config226) NewInput() sensors.Input {
	return &Input{RestAverage: 2, Sample: 4, model: c.model, figures: figures226}
}

// Open returns the driver.
func (c *Config226) Open(bus i2c.Bus, clock sensors.Clock) (sensors.Chip, error) {
	return newChip(c.model, bus, c.Addr, clock), nil
}
