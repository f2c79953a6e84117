package board

import (
	"fmt"
	"time"
)

// monitor is what the INA226 and the INA228 have in common outside of their registers: place, pins, pace
// and faults.
type monitor struct {
	addr   uint16
	clock  Clock
	pace   float64 // of the sample times
	absent bool
	slow   time.Duration

	shunt, bus Analog
}

func newMonitor(kind string, addr uint16, clock Clock, timeError float64) monitor {
	if addr < 0x40 || addr > 0x4F {
		panic(fmt.Sprintf("bug: %s at address %#x: want 0x40 to 0x4f", kind, addr))
	}
	return monitor{addr: addr, clock: clock, pace: 1 + timeError}
}

// ConnectShunt wires the volts from IN- to IN+.
func (m *monitor) ConnectShunt(a Analog) { m.shunt = a }

// ConnectBus wires VBUS.
func (m *monitor) ConnectBus(a Analog) { m.bus = a }

// Addr returns the chip's address on the bus.
func (m *monitor) Addr() uint16 { return m.addr }

// Absent takes the chip off the bus, or puts it back with its registers as they were.
func (m *monitor) Absent(absent bool) { m.absent = absent }

// SlowReady makes each set of samples take this much longer; 0 ends it.
func (m *monitor) SlowReady(d time.Duration) { m.slow = d }

func (m *monitor) present() bool { return !m.absent }
