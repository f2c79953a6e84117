package bank

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

var pump = MotorConfig{RunA: 120, ReliefA: 160, Ohm: 0.026, NominalV: 11.8, SpinVPerAs: 0.3}

// supply runs the motor for so many seconds from a voltage behind 6 mΩ and gives the first and the
// last current.
func supply(m *Motor, volts, seconds float64) (first, last float64) {
	const dt, ohm = 0.005, 0.006
	for i := range int(seconds / dt) {
		last = max(0, (volts-m.BackEMFV())/(ohm+m.cfg.Ohm))
		if i == 0 {
			first = last
		}
		m.Step(dt, last, 25)
	}
	return first, last
}

func TestMotorInrushAndRun(t *testing.T) {
	m := NewMotor(pump, 25)
	m.Begin(1, 10)
	inrush, run := supply(&m, 12.6, 2)
	assert.InDelta(t, 394, inrush, 1, "12.6 V over 32 mΩ: it stands still")
	assert.InDelta(t, 120, run, 4, "rated load")
	assert.False(t, m.OnRelief())

	settling := NewMotor(pump, 25)
	settling.Begin(1, 10)
	_, soon := supply(&settling, 12.6, 0.5)
	assert.InDelta(t, run, soon, 10, "the inrush is over within half a second")
}

func TestMotorCurrentFollowsLoadVoltageAndOil(t *testing.T) {
	run := func(load, volts, oilC float64) float64 {
		m := NewMotor(pump, oilC)
		m.Begin(load, 0)
		_, a := supply(&m, volts, 2)
		return a
	}
	rated := run(1, 12.6, 25)
	assert.Less(t, run(0, 12.6, 25), rated-20, "an empty platform is lighter")
	assert.Less(t, run(1, 11.6, 25), rated, "slower at less voltage: less drag")
	assert.Greater(t, run(1, 11.6, 25), rated-5, "the pressure stays, and with it the torque")
	assert.Greater(t, run(1, 12.6, -20), rated+30, "thick oil")
	assert.Less(t, run(1, 12.6, 60), rated, "thin oil")
}

func TestMotorReliefValve(t *testing.T) {
	m := NewMotor(pump, 25)
	m.Begin(1, 3)
	_, lifting := supply(&m, 12.3, 2.5)
	assert.False(t, m.OnRelief())
	_, relief := supply(&m, 12.3, 2)
	assert.True(t, m.OnRelief())
	assert.InDelta(t, 160, relief, 6)
	assert.Greater(t, relief, lifting+25)
	m.Begin(1, 0)
	_, nudge := supply(&m, 12.3, 2)
	assert.InDelta(t, lifting, nudge, 3, "no end of travel in reach")
}

func TestMotorSlowerOnAWeakBank(t *testing.T) {
	lifting := func(volts float64) (seconds float64) {
		m := NewMotor(pump, 25)
		for m.Begin(1, 10); !m.OnRelief(); seconds += 0.1 {
			supply(&m, volts, 0.1)
		}
		return seconds
	}
	assert.InDelta(t, 10, lifting(12.5), 0.4, "nominal voltage at the motor")
	assert.Greater(t, lifting(11.5), 10.7)
}

func TestMotorRunsDown(t *testing.T) {
	m := NewMotor(pump, 25)
	m.Begin(1, 10)
	supply(&m, 12.6, 2)
	for range 100 {
		m.Step(0.005, 0, 25)
	}
	assert.Zero(t, m.BackEMFV(), "within half a second, and never backwards")
}

func TestMotorTorqueFault(t *testing.T) {
	m := NewMotor(pump, 25)
	m.SetTorque(1.35)
	m.Begin(1, 10)
	_, a := supply(&m, 12.6, 2)
	assert.InDelta(t, 1.35*120, a, 6)
}

func TestBreakerTripsByItsHeat(t *testing.T) {
	trip := func(amps, ambientC, longest float64) float64 {
		b := NewBreaker(BreakerConfig{RatedA: 150})
		for s := 0.0; s < longest; s += 0.1 {
			if b.Step(0.1, amps, ambientC); b.Open() {
				return s
			}
		}
		return -1
	}
	// SAE J553 class limits, from memory: 100 % held, 135 % within 30 min, 200 % in 5 to 60 s.
	assert.Equal(t, -1.0, trip(150, 25, 7200), "rated current is carried")
	at135 := trip(1.35*150, 25, 1800)
	assert.Greater(t, at135, 20.0)
	at200 := trip(300, 25, 120)
	assert.Greater(t, at200, 5.0)
	assert.Less(t, at200, 60.0)
	assert.Less(t, trip(1.35*150, 50, 1800), at135, "sooner in the heat")
	inrush := NewBreaker(BreakerConfig{RatedA: 150})
	inrush.Step(0.3, 400, 25)
	assert.False(t, inrush.Open(), "an inrush is too short")
}

func TestBreakerResets(t *testing.T) {
	tripped := func(cfg BreakerConfig) Breaker {
		b := NewBreaker(cfg)
		for !b.Open() {
			b.Step(0.1, 400, 25)
		}
		return b
	}
	auto := tripped(BreakerConfig{RatedA: 150, AutoReset: true})
	cooling := 0
	for ; auto.Open(); cooling++ {
		auto.Step(1, 0, 25)
	}
	assert.InDelta(t, 75, cooling, 45, "half a minute to two minutes")
	hand := tripped(BreakerConfig{RatedA: 150, HandS: 3600})
	for range 3599 {
		hand.Step(1, 0, 25)
	}
	assert.True(t, hand.Open(), "cold, but nobody came")
	hand.Step(1, 0, 25)
	assert.False(t, hand.Open())
}

// The pressure follows the torque that the pump asks for: of 160 A at the relief valve and 120 A with
// the rated load, 18 A are drag in both, so that the load is (120-18)/(160-18) of the valve's pressure.
func TestPressureIsThatOfTheLoadAndThenOfTheValve(t *testing.T) {
	m := NewMotor(MotorConfig{RunA: 120, ReliefA: 160, Ohm: 0.026, NominalV: 12.4, SpinVPerAs: 0.3}, 25)
	run := func(load float64) (lifting, held float64) {
		m.Begin(load, 3)
		for range 200 {
			m.Step(0.005, (12.4-m.BackEMFV())/0.026, 25)
		}
		lifting = m.PressurePart()
		for range 2000 {
			m.Step(0.005, (12.4-m.BackEMFV())/0.026, 25)
		}
		return lifting, m.PressurePart()
	}
	assert.Zero(t, m.PressurePart(), "at rest the valve between pump and cylinder holds the oil")
	lifting, held := run(1)
	assert.InDelta(t, 102.0/142, lifting, 1e-9)
	assert.InDelta(t, 1, held, 1e-9)
	m.SetRelief(0.8)
	lifting, held = run(1)
	assert.InDelta(t, 102.0/142, lifting, 1e-9)
	assert.InDelta(t, 0.8, held, 1e-9)
	m.SetRelief(0.7) // the rated load no longer moves, an empty platform does
	lifting, held = run(1)
	assert.InDelta(t, 0.7, lifting, 1e-9)
	assert.InDelta(t, 0.7, held, 1e-9)
	lifting, held = run(0)
	assert.InDelta(t, 0.62*120/142, lifting, 1e-9)
	assert.InDelta(t, 0.7, held, 1e-9)
}
