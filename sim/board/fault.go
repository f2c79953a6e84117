package board

import "time"

// chipFaults is what is wrong with one chip and its wiring.
type chipFaults struct {
	absent    bool
	slow      time.Duration
	open      [4]bool
	leakV     [4]float64
	stuck     [4]bool
	stuckCode [4]int16
}

// StickCode makes every conversion with this positive input, AIN0 to AIN3, give one code; [Code] has that of a voltage.
func (c *Chip) StickCode(ain int, code int16) {
	checkInput(ain)
	c.setFault(func(f *chipFaults) { f.stuck[ain], f.stuckCode[ain] = true, code })
}

// Open breaks the wire to an input, AIN0 to AIN3. It floats to leakV, volts over GND: 0 with a pull-down or nothing, the
// supply with a pull-up.
func (c *Chip) Open(ain int, leakV float64) {
	checkInput(ain)
	c.setFault(func(f *chipFaults) { f.open[ain], f.leakV[ain] = true, leakV })
}

// Mend takes back StickCode and Open on an input, AIN0 to AIN3.
func (c *Chip) Mend(ain int) {
	checkInput(ain)
	c.setFault(func(f *chipFaults) { f.open[ain], f.leakV[ain], f.stuck[ain] = false, 0, false })
}

// Absent takes the chip off the bus (unplugged, without supply), or puts it back with its registers as they were.
func (c *Chip) Absent(absent bool) {
	c.setFault(func(f *chipFaults) { f.absent = absent })
}

// SlowReady makes each conversion that starts from now on take this much longer; 0 ends it.
func (c *Chip) SlowReady(d time.Duration) {
	c.setFault(func(f *chipFaults) { f.slow = d })
}

// BrownOut drops the supply for a moment: every register is back at its power-on default, a running conversion is lost.
func (c *Chip) BrownOut() {
	c.faultsMu.Lock()
	defer c.faultsMu.Unlock()
	c.brownOut = true
	c.changed.Store(true)
}

func (c *Chip) setFault(set func(*chipFaults)) {
	c.faultsMu.Lock()
	defer c.faultsMu.Unlock()
	set(&c.wanted)
	c.changed.Store(true)
}

// takeFaults brings faults set from anywhere to the goroutine that uses the chip.
func (c *Chip) takeFaults() {
	c.faultsMu.Lock()
	defer c.faultsMu.Unlock()
	c.changed.Store(false)
	c.faults = c.wanted
	if c.brownOut {
		c.brownOut = false
		c.powerOn()
	}
	c.wire()
}

// wire leaves out the inputs that are open.
func (c *Chip) wire() {
	for i, a := range c.connected {
		if c.faults.open[i] {
			a = nil
		}
		c.inputs[i] = a
	}
}
