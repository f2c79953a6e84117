package detmath

import "math"

// Split of pi/2 in three parts of 33 bits each, from FreeBSD's e_rem_pio2.c.
const (
	pio2A = 1.57079632673412561417e+00
	pio2B = 6.07710050630396597660e-11
	pio2C = 2.02226624879595063154e-21
)

// trigMax bounds the arguments of Sin and Cos: the quarter turns up to it fit 20 bits, so the reduction is exact.
const trigMax = 1 << 20

// Sin returns the sine of x radians. Error: under 2e-16 absolute for |x| <= 2**20; NaN beyond and for NaN.
func Sin(x float64) float64 {
	r, quarter, ok := reduce(x)
	if !ok {
		return math.NaN()
	}
	return quadrant(r, quarter)
}

// Cos returns the cosine of x radians. Error and limits as Sin.
func Cos(x float64) float64 {
	r, quarter, ok := reduce(x)
	if !ok {
		return math.NaN()
	}
	return quadrant(r, quarter+1)
}

func reduce(x float64) (r float64, quarter int, ok bool) {
	if !(math.Abs(x) <= trigMax) {
		return 0, 0, false
	}
	n := math.Floor(float64(x*(2/math.Pi)) + 0.5)
	r = x - float64(n*pio2A)
	r -= float64(n * pio2B)
	r -= float64(n * pio2C)
	return r, int(n) & 3, true
}

func quadrant(r float64, quarter int) float64 {
	switch quarter & 3 {
	case 0:
		return sinKernel(r)
	case 1:
		return cosKernel(r)
	case 2:
		return -sinKernel(r)
	}
	return -cosKernel(r)
}

// sinKernel and cosKernel hold for |r| <= pi/4: Taylor series to r**17 and r**18, the first terms left out under 1e-18.
func sinKernel(r float64) float64 {
	r2 := float64(r * r)
	s := 1.0
	for n := 17; n >= 3; n -= 2 {
		s = 1 - float64(r2*s)/float64(n*(n-1))
	}
	return float64(r * s)
}

func cosKernel(r float64) float64 {
	r2 := float64(r * r)
	s := 1.0
	for n := 18; n >= 2; n -= 2 {
		s = 1 - float64(r2*s)/float64(n*(n-1))
	}
	return s
}
