// Package detmath has the elementary functions the simulator needs, computed the same way, bit for
// bit, on every processor.
//
// The standard library's math.Exp, math.Log and friends are assembly on some architectures and Go
// on others, and the compiler may contract x*y+z to one fused operation where the processor has it
// (arm64 has, amd64 by default has not). Either changes the last bit, and a simulated year then
// ends differently on two machines. Here every product that meets a sum is rounded by an explicit
// conversion, which the language forbids to fuse (Go specification, "Floating-point operators"),
// and only the four operations, math.Sqrt (exactly rounded by IEEE 754) and bit patterns are used.
//
// It does not aim at the last half bit: each function states its error bound, which the tests hold
// against math.
package detmath

import "math"

// Ln10 is the natural logarithm of ten.
const Ln10 = math.Ln10

// Split of ln 2/64 in two parts: the first has 33 bits, so that k times it is exact for |k| < 2^20.
const (
	ln2Over64Hi = 0x1.62e42fef00000p-7
	ln2Over64Lo = 0x1.473de6af278edp-40
	inv64OfLn2  = 0x1.71547652b82fep+6 // 64/ln 2
)

// expMax and expMin bound the arguments for which Exp neither overflows nor falls below the
// smallest normal number.
const (
	expMax = 709.78
	expMin = -708.39
)

// Exp returns e**x.
//
// Error: under 1 unit in the last place (tests: 1.0). Above 709.78 it returns +Inf, below -708.39
// zero (subnormal results are flushed), NaN for NaN.
//
// Method: x = k*ln2/64 + r, |r| <= ln2/128; 2**(k/64) from a table, e**r by its Taylor series to
// r**5.
func Exp(x float64) float64 {
	switch {
	case x != x:
		return x
	case x > expMax:
		return math.Inf(1)
	case x < expMin:
		return 0
	}
	k := int(math.Floor(float64(x*inv64OfLn2) + 0.5))
	kf := float64(k)
	r := (x - float64(kf*ln2Over64Hi)) - float64(kf*ln2Over64Lo)
	t := exp2Table[k&63]
	p := r + float64(float64(r*r)*expTail(r))
	m := t + float64(t*p)
	return scale2(m, k>>6)
}

// Expm1 returns e**x - 1 without loss for small x.
//
// Error: under 1e-15 relative.
func Expm1(x float64) float64 {
	if math.Abs(x) > 0.25 {
		return Exp(x) - 1
	}
	// Taylor series to x**13; the first term left out is under 5e-20 of the result.
	s := 1.0
	for n := 13; n >= 2; n-- {
		s = 1 + float64(x*s)/float64(n)
	}
	return float64(x * s)
}

// expTail is (e**r - 1 - r)/r**2 for |r| <= ln2/128, to r**4: the first term left out is under
// 3e-18 of e**r.
func expTail(r float64) float64 {
	const c2, c3, c4, c5, c6 = 0.5, 1.0 / 6, 1.0 / 24, 1.0 / 120, 1.0 / 720
	return c2 + float64(r*(c3+float64(r*(c4+float64(r*(c5+float64(r*c6)))))))
}

// scale2 is m*2**e for a result in the normal range; e is between -1022 and 1023.
func scale2(m float64, e int) float64 {
	return float64(m * math.Float64frombits(uint64(e+1023)<<52))
}

// Log returns the natural logarithm of x.
//
// Error: under 1 unit in the last place (tests: 1.0). -Inf for zero, NaN for negative x and NaN,
// +Inf for +Inf.
//
// Method: x = 2**k (1+f), sqrt(2)/2 <= 1+f < sqrt(2); log(1+f) by s = f/(2+f) and the minimax
// polynomial of FreeBSD's e_log.c (Copyright 1993 Sun Microsystems, permission to use freely
// granted with this notice).
func Log(x float64) float64 {
	switch {
	case x != x || x > math.MaxFloat64:
		return x
	case x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	}
	k := 0
	if x < 0x1p-1022 {
		x, k = float64(x*0x1p54), -54
	}
	b := math.Float64bits(x)
	// Adding the distance from sqrt(2)/2 to 1 to the bits moves the exponent's step to sqrt(2)/2.
	b += 0x3ff0000000000000 - 0x3fe6a09e667f3bcd
	k += int(b>>52) - 1023
	f := math.Float64frombits(b&0x000fffffffffffff+0x3fe6a09e667f3bcd) - 1
	return logSum(f, float64(k))
}

func logSum(f, k float64) float64 {
	const (
		ln2Hi = 6.93147180369123816490e-01
		ln2Lo = 1.90821492927058770002e-10
		l1    = 6.666666666666735130e-01
		l2    = 3.999999999940941908e-01
		l3    = 2.857142874366239149e-01
		l4    = 2.222219843214978396e-01
		l5    = 1.818357216161805012e-01
		l6    = 1.531383769920937332e-01
		l7    = 1.479819860511658591e-01
	)
	s := f / (2 + f)
	s2 := float64(s * s)
	s4 := float64(s2 * s2)
	t1 := float64(s2 * (l1 + float64(s4*(l3+float64(s4*(l5+float64(s4*l7)))))))
	t2 := float64(s4 * (l2 + float64(s4*(l4+float64(s4*l6)))))
	r := t1 + t2
	hfsq := float64(float64(0.5*f) * f)
	return float64(k*ln2Hi) - ((hfsq - (float64(s*(hfsq+r)) + float64(k*ln2Lo))) - f)
}

// Log10 returns the decimal logarithm of x. Error: under 2 units in the last place. Special cases
// as Log.
func Log10(x float64) float64 { return float64(Log(x) * (1 / Ln10)) }

// Asinh returns the inverse hyperbolic sine of x, an odd function.
//
// Error: under 1e-15 relative below |x| = 1/8, under 2e-15 above.
func Asinh(x float64) float64 {
	y, _ := AsinhRoot(x)
	return y
}

// AsinhRoot returns Asinh(x) and sqrt(x²+1), which is one over its slope, for little more than the
// price of one.
func AsinhRoot(x float64) (asinh, root float64) {
	a := math.Abs(x)
	if a > 0x1p28 {
		return math.Copysign(Log(a)+math.Ln2, x), a
	}
	root = math.Sqrt(float64(a*a) + 1)
	if a <= 0.125 {
		return asinhSmall(x), root
	}
	return math.Copysign(Log(a+root), x), root
}

// asinhSmall is the series of asinh to x**15 for |x| <= 1/8: the first term left out is under 2e-17
// of the result.
func asinhSmall(x float64) float64 {
	const (
		c1 = -1.0 / 6
		c2 = 3.0 / 40
		c3 = -15.0 / 336
		c4 = 105.0 / 3456
		c5 = -945.0 / 42240
		c6 = 10395.0 / 599040
		c7 = -135135.0 / 9676800
	)
	x2 := float64(x * x)
	p := c4 + float64(x2*(c5+float64(x2*(c6+float64(x2*c7)))))
	p = c1 + float64(x2*(c2+float64(x2*(c3+float64(x2*p)))))
	return x + float64(float64(x*x2)*p)
}

// Pow returns x**y for x > 0, as Exp(y*Log(x)).
//
// Error: about (1+|y*log x|) units in the last place. NaN for negative x; zero to a positive power
// is zero.
func Pow(x, y float64) float64 {
	if x == 0 && y > 0 {
		return 0
	}
	return Exp(float64(y * Log(x)))
}
