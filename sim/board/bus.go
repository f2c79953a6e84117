package board

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Errors of a transfer, as periph's sysfs-i2c has them: it wraps the kernel's error number with %v, so that
// nothing is left to match but the words. Numbers by the kernel's "I2C/SMBUS Fault Codes".
var (
	ErrAbsent   = errors.New("sysfs-i2c: no such device or address") // ENXIO: nobody at the address
	ErrNACK     = errors.New("sysfs-i2c: remote I/O error")          // EREMOTEIO: not acknowledged
	ErrBusStuck = errors.New("sysfs-i2c: connection timed out")      // ETIMEDOUT: a line held low
)

var (
	errAddress    = errors.New("sysfs-i2c: invalid address")
	errSpeedFixed = errors.New("sysfs-i2c: not supported")
)

// generalCall is the address that ADS1115 chips answer besides their own; resetByte resets them.
const (
	generalCall = 0x00
	resetByte   = 0x06
)

// Device is an emulated chip on the bus.
type Device interface {
	// Addr returns the chip's address on the bus.
	Addr() uint16
	// present reports whether the chip answers to its address.
	present() bool
	// transfer does one addressed transfer: write, then read. Either may be empty.
	transfer(now time.Duration, w, r []byte)
}

// Bus is an I2C bus with chips on it, as Linux shows it. Transfers take no time. Any
// goroutine may call its methods; Tx, TxAll and the chips' Start and Result one at a time.
type Bus struct {
	clock   Clock
	trouble atomic.Bool // some fault below is set

	mu        sync.Mutex
	chips     [128]Device
	nack      [128]int // transfers still to refuse; below 0: until cleared
	stuck     bool
	transfers uint64
}

var _ i2c.Bus = (*Bus)(nil)

// NewBus returns a bus with ADS1115 chips on it.
func NewBus(clock Clock, chips ...*Chip) *Bus {
	b := &Bus{clock: clock}
	for _, c := range chips {
		b.Attach(c)
		c.bus = b
	}
	return b
}

// Attach puts a chip of any kind on the bus, before it is used. Two at one address are a bug of the
// caller.
func (b *Bus) Attach(d Device) {
	if b.chips[d.Addr()] != nil {
		panic(fmt.Sprintf("bug: two chips at address %#x", d.Addr()))
	}
	b.chips[d.Addr()] = d
}

// String names the bus.
func (b *Bus) String() string { return "simulated I2C" }

// SetSpeed fails as it does on Linux, where the device tree sets the speed.
func (b *Bus) SetSpeed(physic.Frequency) error { return errSpeedFixed }

// Tx writes w to the chip at addr, then reads r from it, as one transfer. Its errors are worded as
// sysfs-i2c's.
func (b *Bus) Tx(addr uint16, w, r []byte) error {
	if addr >= 128 {
		return errAddress
	}
	if len(w) == 0 && len(r) == 0 {
		return nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.begin(addr); err != nil {
		return err
	}
	return b.one(addr, w, r)
}

// TxAll does several transfers as one call of the adapter, without a stop between them: it writes w[0],
// reads r[0], and so on. It counts as one transfer.
func (b *Bus) TxAll(addr uint16, w, r [][]byte) error {
	if addr >= 128 {
		return errAddress
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.begin(addr); err != nil {
		return err
	}
	for i := range w {
		if err := b.one(addr, w[i], r[i]); err != nil {
			return err
		}
	}
	return nil
}

// begin counts a transfer and gives the error of one that a fault prevents. b.mu is held.
func (b *Bus) begin(addr uint16) error {
	b.transfers++
	if b.trouble.Load() {
		return b.refusal(addr)
	}
	return nil
}

// one speaks to the chips at addr. b.mu is held.
func (b *Bus) one(addr uint16, w, r []byte) error {
	if addr == generalCall {
		return b.callAll(w, r)
	}
	c := b.chips[addr]
	if c == nil || !c.present() {
		return ErrAbsent
	}
	c.transfer(b.clock.Now(), w, r)
	return nil
}

// callAll does a general call, which only ADS1115 chips answer: 06h resets them, everything else is
// ignored. There is no reading from all at once.
func (b *Bus) callAll(w, r []byte) error {
	if len(r) > 0 {
		return ErrAbsent
	}
	answered := false
	for _, d := range b.chips {
		c, ok := d.(*Chip)
		if !ok || !c.present() {
			continue
		}
		answered = true
		if w[0] == resetByte {
			c.adc.powerOn()
		}
	}
	if !answered {
		return ErrAbsent
	}
	return nil
}

// NACK makes the next n transfers with an address go unacknowledged, counting one written and read
// in one go once; n below 0 until further notice, n = 0 ends it.
func (b *Bus) NACK(addr uint16, n int) {
	if addr >= 128 {
		panic(fmt.Sprintf("bug: I2C address %#x: want 0 to 0x7f", addr))
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.nack[addr] = n
	b.noteTrouble()
}

// Stick holds a bus line low, so that every transfer times out, or lets go of it.
func (b *Bus) Stick(stuck bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.stuck = stuck
	b.noteTrouble()
}

// Transfers gives the number of transfers tried so far.
func (b *Bus) Transfers() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.transfers
}

// refuse is refusal for a chip that is spoken to without Tx.
func (b *Bus) refuse(addr uint16) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.refusal(addr)
}

// refusal gives the error of a transfer that a bus fault prevents, nil if none does. b.mu is held.
func (b *Bus) refusal(addr uint16) error {
	if b.stuck {
		return ErrBusStuck
	}
	if b.nack[addr] == 0 {
		return nil
	}
	if b.nack[addr] > 0 {
		b.nack[addr]--
		b.noteTrouble()
	}
	return ErrNACK
}

// noteTrouble keeps the flag that lets a healthy bus skip the rest. b.mu is held.
func (b *Bus) noteTrouble() {
	trouble := b.stuck
	for _, n := range b.nack {
		trouble = trouble || n != 0
	}
	b.trouble.Store(trouble)
}

// present reports whether the chip answers to its address.
func (c *Chip) present() bool {
	if c.faults.changed.Load() {
		c.takeFaults()
	}
	return !c.inputs.faults.absent
}
