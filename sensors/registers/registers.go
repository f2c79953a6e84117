// Package registers reads and writes the 16-bit and 24-bit registers of a chip on an I2C bus, most
// significant byte first, and turns a failed transfer into a [sensors.ChipError].
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
	out   [3]byte
	in    [3]byte
	names [mostAtOnce][1]byte
	found [mostAtOnce][3]byte
	w, r  [mostAtOnce][]byte
}

// joining is a bus that can do several transfers in one call, each a write and the read after it.
type joining interface {
	TxAll(addr uint16, w, r [][]byte) error
}

// mostAtOnce is how many registers [Device.ReadAll] reads.
const mostAtOnce = 4

// Register is one of those that [Device.ReadAll] reads.
type Register struct {
	Name  byte // by which the chip knows it
	Bytes int  // 2 or 3
	Value uint32
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

// Read returns a register of 16 bits. It names the register in each transfer although the chip
// remembers it: a reset, or another program that probes the bus, would move it unseen.
func (d *Device) Read(op string, register byte) (uint16, error) {
	if err := d.read(op, register, d.in[:2]); err != nil {
		return 0, err
	}
	return binary.BigEndian.Uint16(d.in[:2]), nil
}

// ReadAll reads up to four registers in the order given, and sets their values. Where the bus can, that is
// one call: a call costs the processor more than the bytes in it. With an error, no value counts.
func (d *Device) ReadAll(op string, all []Register) error {
	n := len(all)
	for i := range all {
		d.names[i][0] = all[i].Name
		d.w[i], d.r[i] = d.names[i][:], d.found[i][:all[i].Bytes]
	}
	if bus, can := d.bus.(joining); can {
		if err := bus.TxAll(d.addr, d.w[:n], d.r[:n]); err != nil {
			return d.Fail(sensors.FaultOf(err), op, err)
		}
	} else {
		for i := range all {
			if err := d.read(op, all[i].Name, d.r[i]); err != nil {
				return err
			}
		}
	}
	for i := range all {
		all[i].Value = 0
		for _, b := range d.r[i] {
			all[i].Value = all[i].Value<<8 | uint32(b)
		}
	}
	return nil
}

func (d *Device) read(op string, register byte, into []byte) error {
	d.out[0] = register
	if err := d.bus.Tx(d.addr, d.out[:1], into); err != nil {
		return d.Fail(sensors.FaultOf(err), op, err)
	}
	return nil
}

// Fail returns an error of this chip.
func (d *Device) Fail(fault sensors.Fault, op string, err error) *sensors.ChipError {
	return &sensors.ChipError{Fault: fault, Chip: d.name, Op: op, Err: err}
}
