package bank

// MotorConfig is a permanent-magnet pump motor that drives a fixed-displacement pump. Torques are
// given as the currents that make them.
type MotorConfig struct {
	RunA       float64 // with the rated load on the platform, oil at 25 °C, NominalV at the motor
	ReliefA    float64 // against the relief valve, otherwise the same
	Ohm        float64 // armature and brushes
	NominalV   float64 // at the motor's terminals
	SpinVPerAs float64 // rise of back EMF per ampere over the load's, per second: the rotor's inertia
}

// Shares of a run's current. A platform weighs something even when empty, and pump and motor drag
// even without pressure (common practice, no source).
const (
	emptyShare = 0.62 // lifting the empty platform
	loadShare  = 0.23 // lifting the rated load on it
	dragShare  = 0.15 // drag at nominal speed with oil at 25 °C
)

// Motor is the pump motor and what hangs on it.
type Motor struct {
	cfg     MotorConfig
	torque  float64 // times the sound motor's, for a fault; 1: sound
	relief  float64 // times the setting at which the relief valve opens, for a fault; 1: right
	emfV    float64 // back EMF: speed
	travelS float64 // lifting at nominal speed still to go to the end of travel
	ends    bool    // whether this run reaches an end of travel at all
	load    float64 // platform load, 0 to 1
	oilC    float64
}

// reliefA returns the current whose torque is the pressure at which the relief valve opens.
func (m *Motor) reliefA() float64 {
	set := m.cfg.ReliefA - float64(dragShare*m.cfg.RunA)
	if m.relief == 1 {
		return set
	}
	return set * m.relief
}

// liftA returns the current whose torque is the pressure that lifts the platform.
func (m *Motor) liftA() float64 {
	pressure := emptyShare + float64(loadShare*m.load)
	return float64(pressure * m.cfg.RunA)
}

// stalled reports whether the relief valve opens before the platform moves.
func (m *Motor) stalled() bool { return m.relief != 1 && m.liftA() > m.reliefA() }

// PressurePart returns the pressure at the pump over that at which a relief valve set right opens.
func (m *Motor) PressurePart() float64 {
	switch {
	case m.emfV <= 0:
		return 0
	case m.OnRelief():
		return m.reliefA() / (m.cfg.ReliefA - float64(dragShare*m.cfg.RunA))
	}
	return m.liftA() / (m.cfg.ReliefA - float64(dragShare*m.cfg.RunA))
}

// SetRelief makes the relief valve open at factor times its setting; 1 is right.
func (m *Motor) SetRelief(factor float64) { m.relief = factor }

// NewMotor returns a motor at rest with its oil at oilC.
func NewMotor(cfg MotorConfig, oilC float64) Motor {
	return Motor{cfg: cfg, torque: 1, relief: 1, oilC: oilC}
}

// SetTorque makes every torque the pump asks for factor times the sound one's; 1 is sound.
func (m *Motor) SetTorque(factor float64) { m.torque = factor }

// Torque returns the factor set.
func (m *Motor) Torque() float64 { return m.torque }

// Begin sets what the coming run lifts: load from 0 to 1, and travelS seconds at nominal speed to
// the end of travel (0: none in reach).
func (m *Motor) Begin(load, travelS float64) { m.load, m.travelS, m.ends = load, travelS, travelS > 0 }

// OnRelief reports whether the pump works against the relief valve: the platform is at the end of its
// travel, or the valve opens before it moves.
func (m *Motor) OnRelief() bool { return m.ends && m.travelS <= 0 || m.stalled() }

// Turning reports whether it still turns.
func (m *Motor) Turning() bool { return m.emfV > 0 }

// BackEMFV returns the present back EMF in volts, 0 or more.
func (m *Motor) BackEMFV() float64 { return m.emfV }

// nominalEMFV is the back EMF of a rated run.
func (m *Motor) nominalEMFV() float64 { return m.cfg.NominalV - float64(m.cfg.RunA*m.cfg.Ohm) }

// loadA returns the current whose torque the pump takes at the present speed, in amperes.
func (m *Motor) loadA() float64 {
	press := m.liftA()
	if m.OnRelief() {
		press = m.reliefA()
	}
	speed := m.emfV / m.nominalEMFV()
	drag := float64(dragShare * m.cfg.RunA * thickness(m.oilC) * speed)
	return float64((press + drag) * m.torque)
}

// Drag of hydraulic oil over its temperature, a fit by eye to the viscosity chart of an ISO VG 22
// oil with high viscosity index (common practice, no source): 1 at 25 °C, about 4 at -20 °C, half
// at 60 °C.
const (
	thinning    = 0.03  // per °C over 25 °C
	thickening  = 0.02  // per °C under 25 °C
	thickening2 = 0.001 // per °C² under 25 °C
)

func thickness(oilC float64) float64 {
	if oilC >= 25 {
		return 1 / (1 + float64(thinning*(oilC-25)))
	}
	cold := 25 - oilC
	return 1 + float64(thickening*cold) + float64(thickening2*float64(cold*cold))
}

// Oil temperature: what a run adds and how fast the tank follows the air (common practice, no
// source).
const (
	oilHeatCPerAs = 4e-5 // 5 °C in ten runs of 10 s at 125 A
	oilFollowS    = 5400
)

// Step lets dtS seconds pass with currentA in the motor and air of ambientC.
func (m *Motor) Step(dtS, currentA, ambientC float64) {
	m.oilC += float64(oilHeatCPerAs * currentA * dtS)
	m.oilC += float64((ambientC - m.oilC) * min(1, dtS/oilFollowS))
	if currentA <= 0 && m.emfV <= 0 {
		return
	}
	if !m.stalled() {
		m.travelS -= float64(dtS * m.emfV / m.nominalEMFV())
	}
	m.emfV += float64(m.cfg.SpinVPerAs * (currentA - m.loadA()) * dtS)
	m.emfV = max(0, m.emfV) // the check valve holds the oil: it never turns back
}
