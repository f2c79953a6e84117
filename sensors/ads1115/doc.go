// Package ads1115 drives the ADS1115, a 16-bit input chip with four inputs on an I2C bus, and
// declares its settings for the configuration.
//
// [Chip] fits the board's port. [Dev] is the chip at the level of its codes: Start begins a
// conversion and Result reads it, so that several chips can convert side by side. It never sleeps
// on its own: all waiting goes through a [Clock], and how often to retry is the caller's decision.
//
// A code is returned only when the chip says that the conversion is finished and still has the
// settings that were written; anything else is a [sensors.ChipError]. So a chip that lost its
// settings in a power dip cannot pass off the voltage of another input, or its power-on zero, as a
// reading.
//
//	chip := ads1115.New(bus, 0x48, clock)
//	err := chip.Use([]sensors.Input{&ads1115.Input{
//		Mux: ads1115.AIN0, FullScale: ads1115.Range4V096,
//		RestRate: ads1115.SPS128, RunRate: ads1115.SPS860,
//	}})
//	err = chip.Start(0, sensors.AtRest)
//	sample, err := chip.Read(ctx)
//
// Source of registers, field codes, byte sequences, times, noise and errors: Texas Instruments data
// sheet ADS111x, SBAS444, revision E of December 2024.
package ads1115
