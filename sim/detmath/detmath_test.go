package detmath_test

import (
	"encoding/binary"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"testing"

	"liftbank/sim/detmath"

	"github.com/stretchr/testify/assert"
)

// ulps is the distance of got from want in units of want's last place.
func ulps(got, want float64) float64 {
	if got == want || got != got && want != want {
		return 0
	}
	unit := math.Nextafter(math.Abs(want), math.Inf(1)) - math.Abs(want)
	return math.Abs(got-want) / unit
}

// The bounds of the doc comments, against the standard library, whose own error is under one unit
// more.
func TestAgainstStandardLibrary(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	uniform := func(lo, hi float64) func() float64 {
		return func() float64 { return lo + (hi-lo)*rnd.Float64() }
	}
	cases := []struct {
		name      string
		got, want func(float64) float64
		arg       func() float64
		maxUlps   float64
		maxAbs    float64 // alternative bound
	}{
		{"exp", detmath.Exp, math.Exp, uniform(-700, 700), 2, 0},
		{"exp near zero", detmath.Exp, math.Exp, uniform(-1, 1), 2, 0},
		{"expm1", detmath.Expm1, math.Expm1, uniform(-5, 5), 5, 0},
		{"expm1 small", detmath.Expm1, math.Expm1, uniform(-1e-3, 1e-3), 3, 0},
		{"log", detmath.Log, math.Log, uniform(1e-9, 50), 2, 0},
		{"log of the extremes", detmath.Log, math.Log, func() float64 { return math.Exp(uniform(-708, 709)()) }, 2, 0},
		{"log near one", detmath.Log, math.Log, uniform(0.9, 1.1), 2, 0},
		{"log10", detmath.Log10, math.Log10, uniform(1e-9, 50), 4, 1e-17},
		{"asinh", detmath.Asinh, math.Asinh, uniform(-20, 20), 8, 0},
		{"asinh small", detmath.Asinh, math.Asinh, uniform(-0.125, 0.125), 4, 0},
		{"asinh huge", detmath.Asinh, math.Asinh, uniform(-1e300, 1e300), 3, 0},
		{"square root by pow", func(x float64) float64 { return detmath.Pow(x, 0.5) }, math.Sqrt, uniform(1e-6, 1e6),
			16, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			for range 200_000 {
				x := c.arg()
				got, want := c.got(x), c.want(x)
				if ulps(got, want) > c.maxUlps && math.Abs(got-want) > c.maxAbs {
					t.Fatalf("at %v: got %v: want %v (%.1f units in the last place)", x, got, want, ulps(got, want))
				}
			}
		})
	}
}

func TestSpecialValues(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	assert.Equal(t, 1.0, detmath.Exp(0))
	assert.Equal(t, inf, detmath.Exp(inf))
	assert.Equal(t, inf, detmath.Exp(710))
	assert.Zero(t, detmath.Exp(-inf))
	assert.Zero(t, detmath.Exp(-709))
	assert.True(t, math.IsNaN(detmath.Exp(nan)))
	assert.Zero(t, detmath.Log(1))
	assert.Equal(t, -inf, detmath.Log(0))
	assert.Equal(t, inf, detmath.Log(inf))
	assert.True(t, math.IsNaN(detmath.Log(-1)))
	assert.True(t, math.IsNaN(detmath.Log(nan)))
	// Not math.Log, which returns -709.09 for subnormal arguments on amd64 (Go 1.26).
	assert.InDelta(t, -1074*math.Ln2, detmath.Log(5e-324), 1e-12)
	assert.Zero(t, detmath.Asinh(0))
	assert.Equal(t, -inf, detmath.Asinh(-inf))
	assert.True(t, math.IsNaN(detmath.Asinh(nan)))
	assert.Zero(t, detmath.Pow(0, 2))
}

// One hash over many results, the same on every architecture: run this with GOARCH=arm64 and
// GOARCH=arm under an emulator to see it. The value only changes when a formula does.
func TestSameBitsEverywhere(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	h := fnv.New64a()
	var b [8]byte
	put := func(x float64) {
		binary.LittleEndian.PutUint64(b[:], math.Float64bits(x))
		_, _ = h.Write(b[:])
	}
	for range 100_000 {
		x := rnd.Float64()
		put(detmath.Exp(float64(60*x) - 30))
		put(detmath.Expm1(float64(2*x) - 1))
		put(detmath.Log(float64(40 * x)))
		put(detmath.Asinh(float64(30*x) - 15))
		put(detmath.Pow(x, 1.7))
	}
	assert.Equal(t, uint64(0x2b9fa6e362fc30f0), h.Sum64())
}

func BenchmarkExp(b *testing.B) {
	x, s := -3.0, 0.0
	for b.Loop() {
		s += detmath.Exp(x)
		x += 1e-7
	}
	sink = s
}

func BenchmarkLog(b *testing.B) {
	x, s := 3.0, 0.0
	for b.Loop() {
		s += detmath.Log(x)
		x += 1e-7
	}
	sink = s
}

func BenchmarkAsinh(b *testing.B) {
	x, s := 3.0, 0.0
	for b.Loop() {
		s += detmath.Asinh(x)
		x += 1e-7
	}
	sink = s
}

var sink float64
