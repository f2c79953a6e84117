// Package ads1115 drives the ADS1115, a four-input 16-bit converter on an I2C bus.
//
// A conversion is begun by [Dev.Start] and fetched by [Dev.Result], so that several chips can convert side by side.
// The package reads codes; what a volt at the pin means is the business of others. It never sleeps by itself: all
// waiting goes through a [Clock] handed in, and how often to try again is the caller's decision.
//
// A code is given out only when the chip says that the conversion is finished and still has the settings that were
// written; anything else is an [Error] with a [Class]. So a chip that lost its settings in a supply dip cannot pass off
// the voltage of another input, or its power-on zero, as a reading.
//
//	dev := ads1115.New(bus, 0x48, clock)
//	config := ads1115.SingleShot(ads1115.AIN0, ads1115.Range4V096, ads1115.SPS128)
//	if err := dev.Start(uint16(config)); err != nil { ... }
//	code, err := dev.Result(ctx)
//	pinV := config.FullScale().Volts(code)
//
// Source of registers, field codes and byte sequences: Texas Instruments data sheet ADS111x, SBAS444 and SBASAV5. The
// rates, the ranges other than 2.048 V, the tolerance of the oscillator (10 %) and the wake-up time (about 25 µs) are from
// memory of that sheet.
package ads1115
