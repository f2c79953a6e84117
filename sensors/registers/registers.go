// Package registers reads and writes the 16-bit registers of a chip on an I2C bus, most significant
// byte first, and turns a failed transfer into a [sensors.ChipError].
package registers

import (
	"encoding/binary"
	"fmt"

	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
)

// Device is one chip, to be kept in its driver. It belongs to one goroutine. It allocates for
// errors only.
type Device struct {
	bus  i2c.Bus
	addr uint16
	name string
	// Buffers are kept here: one handed through the bus interface would be allocated each time.
	out [3]byte
	in  [2]byte
}

// New returns the chip at addr on bus. kind names it in errors. It does not touch the bus.
func New(bus i2c.Bus, addr uint16, kind string) Device {
	return Device{bus: bus, addr: addr, name: fmt.Sprintf("%s %02Xh", kind, addr)}
}

// Write sets a register. op says in errors what it is for.
func (d *Device) Write(op string, register byte, v uint16) error {
	d.out[0] = register
	binary.BigEndian.PutUint16(d.out[1:], v)
	if err := d.bus.Tx(d.addr, d.out[:], nil); err != nil {
		return d.Fail(sensors.FaultOf(err), op, err)
	}
	return nil
}

// Read returns a register. It names the register in each transfer although the chip remembers it:
// a reset, or another program that probes the bus, would move it unseen.
func (d *Device) Read(op string, register byte) (uint16, error) {
	d.out[0] = register
	if err := d.bus.Tx(d.addr, d.out[:1], d.in[:]); err != nil {
		return 0, d.Fail(sensors.FaultOf(err), op, err)
	}
	return binary.BigEndian.Uint16(d.in[:]), nil
}

// Fail returns an error of this chip.
func (d *Device) Fail(fault sensors.Fault, op string, err error) *sensors.ChipError {
	return &sensors.ChipError{Fault: fault, Chip: d.name, Op: op, Err: err}
}
