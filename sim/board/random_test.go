package board

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// First outputs of splitmix64 for state 1234567, as published on Rosetta Code ("Pseudo-random
// numbers/Splitmix64").
func TestMixIsSplitmix64(t *testing.T) {
	state := uint64(1234567)
	for _, want := range []uint64{
		6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821,
	} {
		assert.Equal(t, want, mix(state))
		state += gamma
	}
}

// Every platform must give these bits: a seeded year is to be the same on amd64 and arm64.
func TestSameBitsEverywhere(t *testing.T) {
	e := SensorError{Offset: 0.013, Gain: 1.0017, NoiseRMS: 0.031, DriftPerDay: 0.007, DropoutShare: 0.01, Seed: 42}
	fronts := []FrontEnd{
		Divider{TopOhm: 56e3, BottomOhm: 10e3}, Hall{ZeroV: 2.5, VPerA: 0.01},
		Shunt{ShuntOhm: 0.00025, Gain: 50, ZeroV: 1.65},
		NTC{R25Ohm: 10e3, BetaK: 3435, PullupOhm: 10e3, SupplyV: 3.3},
	}
	var sum uint64
	for i := range 10_000 {
		at := time.Duration(i) * 7919 * time.Millisecond
		v := fronts[i%len(fronts)].PinV(e.Apply(12+float64(i)/1000, at, 25))
		if math.IsNaN(v) {
			sum = mix(sum) // a dropout; the bits of NaN don't matter
			continue
		}
		sum = mix(sum ^ math.Float64bits(v))
		sum = mix(sum ^ uint64(code(v, uint16(i%6))))
	}
	assert.Equal(t, uint64(0xA8484AFB4C8927BA), sum)
}
