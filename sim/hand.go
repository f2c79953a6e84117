package sim

import (
	"liftbank/sim/bank"
	"liftbank/sim/duty"
)

// What somebody at the unit does, besides the plan of its duty. Each takes effect at Now.

// hands is what somebody at the unit holds or has changed.
type hands struct {
	disconnectOpen, breakerOpen bool
	parted                      [MaxBatteries]bool
	warmC                       [MaxBatteries]float64
}

// Ignition switches the tractor's ignition.
func (u *Unit) Ignition(on bool) { u.byHand(func() { u.feed.SetWake(on) }) }

// Button holds the lift button, platform empty, or lets it go.
func (u *Unit) Button(on bool) {
	u.byHand(func() { u.press(duty.Edge{At: u.now, Line: duty.Motor, On: on}) })
}

// Disconnect opens or closes the disconnect of the motor's circuit.
func (u *Unit) Disconnect(closed bool) { u.byHand(func() { u.hands.disconnectOpen = !closed }) }

// ChargeBreaker opens or closes the breaker between feed and bank.
func (u *Unit) ChargeBreaker(closed bool) { u.byHand(func() { u.hands.breakerOpen = !closed }) }

// Part takes the cables off a battery's positive post, or puts them back.
func (u *Unit) Part(battery int, off bool) { u.byHand(func() { u.hands.parted[battery] = off }) }

// WarmSensor has a hand on what measures a battery's temperature, so many K above the battery's.
func (u *Unit) WarmSensor(battery int, byC float64) {
	u.byHand(func() { u.hands.warmC[battery] = byC })
}

// byHand carries out a change now.
func (u *Unit) byHand(change func()) {
	u.pass(u.now - u.tickAt)
	u.tickAt, u.eventAt = u.now, u.now
	change()
	u.faults.now = u.faults.sum()
	u.applyFaults()
	u.solve()
	u.story.judge(u, true, false)
}

// wire takes parted cables off.
func (h *hands) wire(w *bank.Wiring) {
	for k, off := range h.parted {
		if off {
			w.PositivePost[k] = bank.OpenOhm
		}
	}
}
