package board

import (
	"math"
	"time"
)

// SensorError is what a real sensor adds to the physical value. The zero value adds nothing. Errors
// are a function of the seed and the instant alone, so that a reading doesn't depend on how often
// or in which order inputs are read, and they are the same bit for bit on every platform. An input
// that is stuck or open is the chip's affair: StickCode, Open.
type SensorError struct {
	Offset       float64       // added, in the physical unit
	Gain         float64       // factor; 0 stands for 1
	NoiseRMS     float64       // standard deviation in the physical unit, independent from instant to instant
	DriftPerDay  float64       // physical unit a day, from the clock's start
	OffsetPerK   float64       // physical unit per K that the sensor is over 25 °C
	GainPerK     float64       // of the value, per K over 25 °C
	WanderRMS    float64       // standard deviation in the physical unit of a slow wander, over hours
	DropoutShare float64       // share of time without signal, 0 to 1
	DropoutFor   time.Duration // length of one dropout; 0 stands for 100 ms
	Seed         uint64        // one a sensor; sensors with the same seed err alike
}

const (
	defaultDropout = 100 * time.Millisecond
	// wanderStep is the time between two independent values of the wander: a third of a day.
	wanderStep = 8 * time.Hour
	// referenceC is the temperature at which data sheets state offset and gain.
	referenceC = 25
)

// Seeds of the random sequences of one sensor.
const (
	noiseStream   = 0x6E6F697365000000
	dropoutStream = 0x64726F7000000000
	wanderStream  = 0x77616E6465720000
)

// Apply gives the value as the sensor, at a temperature, sees it at an instant; NaN while it has
// dropped out.
func (e *SensorError) Apply(value float64, at time.Duration, tempC float64) float64 {
	if e.DropoutShare > 0 && e.droppedOut(at) {
		return math.NaN()
	}
	if e.Gain != 0 {
		value = float64(value * e.Gain)
	}
	if e.GainPerK != 0 {
		value = float64(value * float64(1+float64(e.GainPerK*float64(tempC-referenceC))))
	}
	value += e.Offset
	if e.OffsetPerK != 0 {
		value += float64(e.OffsetPerK * float64(tempC-referenceC))
	}
	if e.WanderRMS != 0 {
		value += float64(e.WanderRMS * e.wander(at))
	}
	if e.DriftPerDay != 0 {
		value += float64(e.DriftPerDay * float64(float64(at)/float64(24*time.Hour)))
	}
	if e.NoiseRMS != 0 {
		value += float64(e.NoiseRMS * normal(e.Seed^noiseStream, uint64(at)))
	}
	return value
}

// wander goes in straight lines from one normal value to the next. Halfway between two the variance
// is a half, over a line two thirds; so it is scaled to 1 on average.
func (e *SensorError) wander(at time.Duration) float64 {
	k := at / wanderStep
	part := float64(at-k*wanderStep) / float64(wanderStep)
	from := normal(e.Seed^wanderStream, uint64(k))
	to := normal(e.Seed^wanderStream, uint64(k+1))
	return float64(float64(from+float64(part*float64(to-from))) * 1.224744871391589) // √(3/2)
}

// droppedOut draws once for each stretch of DropoutFor.
func (e *SensorError) droppedOut(at time.Duration) bool {
	length := e.DropoutFor
	if length <= 0 {
		length = defaultDropout
	}
	draw := mix(mix(e.Seed^dropoutStream) + uint64(at/length))
	return float64(draw>>11)/(1<<53) < e.DropoutShare
}

// Sensor is one channel from the physical quantity to the chip's input.
type Sensor struct {
	True  func(at time.Duration) float64 // physical value; NaN when there is nothing to measure
	Front FrontEnd
	Error SensorError
	TempC func() float64 // of the sensor; nil for 25 °C
}

// Analog gives the sensor's output for [Chip.Connect]. Later changes of s act on it.
func (s *Sensor) Analog() Analog {
	return func(at time.Duration) float64 {
		tempC := float64(referenceC)
		if s.TempC != nil {
			tempC = s.TempC()
		}
		return s.Front.PinV(s.Error.Apply(s.True(at), at, tempC))
	}
}

// normal draws a standard normal value for one instant: the sum of twelve uniform ones
// (Irwin-Hall), which needs integers only; within ±6.
func normal(seed, instant uint64) float64 {
	state := mix(mix(seed) + instant)
	sum := 0
	for range 3 {
		state += gamma
		x := finalize(state)
		sum += int(x&0xFFFF + x>>16&0xFFFF + x>>32&0xFFFF + x>>48)
	}
	const mean = 12 * 65535 / 2
	return float64(sum-mean) / 65536
}

// gamma is the step of splitmix64 (Steele, Lea, Flood: "Fast splittable pseudorandom number
// generators", 2014).
const gamma = 0x9E3779B97F4A7C15

// mix is the output of splitmix64 one step after state x.
func mix(x uint64) uint64 { return finalize(x + gamma) }

func finalize(z uint64) uint64 {
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	return z ^ z>>31
}
