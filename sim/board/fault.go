package board

import (
	"math"
	"sync"
	"sync/atomic"
	"time"
)

// chipFaults is what is wrong with one chip and its wiring.
type chipFaults struct {
	absent    bool
	slow      time.Duration
	open      [4]bool
	leakV     [4]float64
	stuck     [4]bool
	stuckCode [4]int16
}

// StickCode makes every conversion with this positive input, AIN0 to AIN3, give one code; [Code]
// has that of a voltage.
func (c *Chip) StickCode(ain int, code int16) {
	checkInput(ain)
	c.faults.set(func(f *chipFaults) { f.stuck[ain], f.stuckCode[ain] = true, code })
}

// Open breaks the wire to an input, AIN0 to AIN3. It floats to leakV, volts over GND: 0 with a
// pull-down or nothing, the supply with a pull-up.
func (c *Chip) Open(ain int, leakV float64) {
	checkInput(ain)
	c.faults.set(func(f *chipFaults) { f.open[ain], f.leakV[ain] = true, leakV })
}

// Mend takes back StickCode and Open on an input, AIN0 to AIN3.
func (c *Chip) Mend(ain int) {
	checkInput(ain)
	c.faults.set(func(f *chipFaults) { f.open[ain], f.leakV[ain], f.stuck[ain] = false, 0, false })
}

// Absent takes the chip off the bus (unplugged, without supply), or puts it back with its registers
// as they were.
func (c *Chip) Absent(absent bool) {
	c.faults.set(func(f *chipFaults) { f.absent = absent })
}

// SlowReady makes each conversion that starts from now on take this much longer; 0 ends it.
func (c *Chip) SlowReady(d time.Duration) {
	c.faults.set(func(f *chipFaults) { f.slow = d })
}

// BrownOut drops the supply for a moment: every register is back at its power-on default, a running
// conversion is lost.
func (c *Chip) BrownOut() {
	c.faults.drop()
}

// takeFaults brings faults set from anywhere to the goroutine that uses the chip.
func (c *Chip) takeFaults() {
	faults, brownOut := c.faults.take()
	c.inputs.faults = faults
	if brownOut {
		c.adc.powerOn()
	}
	c.inputs.wire()
}

// faultSwitches has the faults as set from any goroutine.
type faultSwitches struct {
	changed  atomic.Bool
	mu       sync.Mutex
	wanted   chipFaults // guarded by mu; taken over when changed is set
	brownOut bool       // guarded by mu
}

func (f *faultSwitches) set(set func(*chipFaults)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	set(&f.wanted)
	f.changed.Store(true)
}

func (f *faultSwitches) drop() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.brownOut = true
	f.changed.Store(true)
}

// take gives the faults that are wanted, and whether the supply was dropped since the last take.
func (f *faultSwitches) take() (wanted chipFaults, brownOut bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.changed.Store(false)
	brownOut, f.brownOut = f.brownOut, false
	return f.wanted, brownOut
}

// inputs are the chip's inputs with the faults in force.
type inputs struct {
	connected [4]Analog // as wired
	live      [4]Analog // connected, less what is open
	faults    chipFaults
}

// wire leaves out the inputs that are open.
func (n *inputs) wire() {
	for i, a := range n.connected {
		if n.faults.open[i] {
			a = nil
		}
		n.live[i] = a
	}
}

// pinV gives the volts at an input over GND.
func (n *inputs) pinV(ain uint8, at time.Duration) float64 {
	if a := n.live[ain]; a != nil {
		if v := a(at); !math.IsNaN(v) {
			return v
		}
	}
	return n.faults.leakV[ain]
}
