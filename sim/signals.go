package sim

import (
	"time"

	"liftbank/sim/duty"
)

// Signals is what a board could measure, true and without error. Voltages are over the board's
// ground, which is the negative post of battery a.
type Signals struct {
	Battery [MaxBatteries]BatterySignals // in the scenario's order; the rest zero

	// charger's output, ahead of the charge breaker; with the breaker closed and the charger off it
	// shows the bank
	FeedV float64
	FeedA float64 // out of the charger
	// MotorV is the motor's positive terminal: what is lost in the negative load lead still counts
	// in it. With the contactor open it shows the back EMF of a motor that runs down.
	MotorV float64
	MotorA float64 // into the motor, 0 or more

	AmbientC float64

	InputV   float64 // ahead of the converter, from the tractor
	ControlV float64 // behind the breaker of the lift's controls
	OilBar   float64 // at the pump; 0 while it does not turn

	// line of the lamp that shows charging, behind its fuse: live while the converter's own output is
	IndicatorLine    bool
	WakeLine         bool // ignition as it arrives at the box
	MotorCommand     bool // contactor coil
	DisconnectClosed bool
}

// BatterySignals is what can be measured at one battery. The posts are those in the positive and
// the negative place: of a battery clamped the wrong way round, PositiveV is the lower.
type BatterySignals struct {
	PositiveV, NegativeV float64
	CurrentA             float64 // into the bank's place: positive charges a battery that is the right way round
	TempC                float64
}

// Signals returns the values as of Now. The pointer stays the same and its contents change with
// AdvanceTo.
func (u *Unit) Signals() *Signals { return &u.signals }

// set takes the values of a unit.
func (s *Signals) set(u *Unit) {
	flow := &u.bank.Flow
	for k := range u.bank.Batteries() {
		s.Battery[k] = BatterySignals{flow.PositiveV[k], flow.NegativeV[k], flow.CurrentA[k],
			u.bank.Battery(k).TempC() + u.hands.warmC[k]}
	}
	s.FeedV, s.FeedA = flow.FeedV, flow.FeedA
	s.MotorV, s.MotorA = flow.LoadV, flow.LoadA
	s.AmbientC = u.ambientC
	s.extra(u)
	s.WakeLine, s.MotorCommand, s.DisconnectClosed = u.feed.WakeLine(), u.coil(), !u.faults.now.disconnectOpen
}

// The controls draw little beside the contactor's coil; breaker, switch and wire have some tens of
// milliohms (common practice, no source).
const coilDropV = 0.1

// extra takes the values that not every unit's board measures.
func (s *Signals) extra(u *Unit) {
	flow, f := &u.bank.Flow, &u.faults.now
	s.InputV = u.feed.InputV(float64(flow.FeedA * flow.FeedV))
	s.OilBar = float64(u.motor.PressurePart() * u.sc.Motor.ReliefBar)
	s.IndicatorLine = u.feed.Live() && !f.lampFuseOpen
	s.ControlV = 0
	if !f.controlOpen {
		s.ControlV = flow.PositiveV[u.bank.Highest(u.bank.Wiring().LoadPositive.At)]
		if u.coil() {
			s.ControlV -= coilDropV
		}
	}
}

// coil reports whether the motor contactor's coil is driven: the lift button is pressed, and the
// controls have voltage.
func (u *Unit) coil() bool { return u.command && !u.faults.now.controlOpen }

// lines is the state of what the contacts depend on.
type lines struct {
	wake, command              bool
	wakeBroken, disconnectOpen bool
	controlOpen                bool
}

func linesOf(u *Unit) lines {
	return lines{u.feed.Wake(), u.command, u.faults.now.feed.WakeBroken, u.faults.now.disconnectOpen,
		u.faults.now.controlOpen}
}

// contacts returns the levels a board sees.
func (l lines) contacts() [3]bool {
	return [3]bool{l.wake && !l.wakeBroken, l.command && !l.controlOpen, !l.disconnectOpen}
}

// edge takes an edge of the plan and reports whether a contact changed.
func (l *lines) edge(e duty.Edge) bool {
	before := l.contacts()
	switch e.Line {
	case duty.Wake:
		l.wake = e.On
	case duty.Motor:
		l.command = e.On
	}
	return l.contacts() != before
}

// set takes a change of faults and reports whether a contact changed.
func (l *lines) set(wakeBroken, disconnectOpen, controlOpen bool) bool {
	before := l.contacts()
	l.wakeBroken, l.disconnectOpen, l.controlOpen = wakeBroken, disconnectOpen, controlOpen
	return l.contacts() != before
}

// never is a time that does not come.
const never = time.Duration(1<<63 - 1)

// Charging reports whether the tractor's ignition is on, whatever comes of it.
func (u *Unit) Charging() bool { return u.feed.Wake() }
