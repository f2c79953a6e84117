package ina

import (
	"time"

	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
)

// Source of registers, steps, ranges, offset and gain of the shunt: Texas Instruments data sheet
// INA228, SBOSA20A of May 2022. Its oscillator is within 0.5 % at 25 °C; 1 % over temperature is from
// memory, and so are the sample times but for the first and the last.
var ina228 = model{
	name: "ina228", low: 0x40, high: 0x4f,
	trigger: 0x01,
	word: func(s Source, a Average, sample uint8) uint16 {
		const (
			modeShift  = 12
			busShift   = 9 // conversion time of the bus voltage
			shuntShift = 6 // conversion time of the shunt voltage
			tempShift  = 3 // of the die's temperature, which is not converted
		)
		mode := [sources]uint16{Shunt: 2, Bus: 1} // triggered
		t := uint16(sample)
		return mode[s]<<modeShift | t<<busShift | t<<shuntShift | t<<tempShift | uint16(a)
	},
	setup: 0x00, rangeBit: 1 << 4,
	flags: 0x0b, ready: 1 << 1,
	result: [sources]byte{Shunt: 0x04, Bus: 0x05}, shift: 4,
	samples:     [8]time.Duration{50e3, 84e3, 150e3, 280e3, 540e3, 1052e3, 2074e3, 4120e3},
	latePercent: 2,
}

// ShuntRange is the full scale of the shunt input, either way.
type ShuntRange uint8

// Ranges of the shunt input.
const (
	Range163mV ShuntRange = iota
	Range40mV
)

// String returns "163.84 mV" or "40.96 mV".
func (r ShuntRange) String() string {
	if r == Range40mV {
		return "40.96 mV"
	}
	return "163.84 mV"
}

// figures228 has the limits of the electrical characteristics, at 25 °C; the bus's offset is from
// memory. The noise is our estimate: a resolution free of noise of some 15.5 bits in a millisecond.
func figures228(r ShuntRange) func(Source) figures {
	return func(s Source) figures {
		const quiet = 1052 * time.Microsecond
		if s == Bus {
			const step = 195.3125e-6
			return figures{step: step, low: 0, high: 85, zero: 2.5e-3, gain: 0.0005, quiet: quiet, noise: 0.4e-3}
		}
		step, noise := 312.5e-9, 1e-6
		if r == Range40mV {
			step, noise = step/4, noise/2
		}
		const codes = 1 << 19
		return figures{
			step: step, low: -codes * step, high: (codes - 1) * step, zero: 1e-6, gain: 0.0005,
			quiet: quiet, noise: noise,
		}
	}
}

// INA228 declares the INA228 for the configuration.
var INA228 = sensors.Kind{
	Name: ina228.name,
	Doc: "20-bit monitor of a shunt and of the voltage behind it, up to 85 V. The shunt, here 50 mV at 500 A, needs " +
		"no amplifier, and the bus input no divider: it is wired straight to the post and has 1 MΩ itself.",
	Example: `chips:
  - {name: shunt-a, kind: ina228, address: 0x40, shunt_range_mv: 163.84}
channels:
  - {signal: battery_current, battery: a, chip: shunt-a, input: shunt,
     scale: {kind: shunt, shunt_ohm: 0.0001, gain: 1, zero_v: 0}}
  - {signal: battery_voltage, battery: a, chip: shunt-a, input: bus,
     scale: {kind: divider, top_ohm: 0, bottom_ohm: 1000000}}
`,
	New: func() sensors.ChipConfig { return &Config228{chipConfig: chipConfig{model: &ina228}} },
}

// Config228 is one INA228 as configured.
type Config228 struct {
	chipConfig
	Range ShuntRange
}

// Settings returns the address and the range of the shunt.
func (c *Config228) Settings() []sensors.Setting {
	return append(c.chipConfig.Settings(), sensors.Choice("shunt_range_mv", &c.Range,
		[]ShuntRange{Range163mV, Range40mV}, "mV", "full scale of the shunt input, either way; the smaller one has the finer steps"))
}

// NewInput returns an input with 16 samples of 1.05 ms at rest and one in a run.
func (c *Config228) NewInput() sensors.Input {
	// The chip's own settings are read before those of its inputs, and asked for when they are used.
	return &Input{RestAverage: 2, Sample: 5, model: c.model, figures: func(s Source) figures {
		return figures228(c.Range)(s)
	}}
}

// Open returns the driver.
func (c *Config228) Open(bus i2c.Bus, clock sensors.Clock) (sensors.Chip, error) {
	chip := newChip(c.model, bus, c.Addr, clock)
	if c.Range == Range40mV {
		chip.setup = c.model.rangeBit
	}
	return chip, nil
}
