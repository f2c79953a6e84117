package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/sensors/calibration"
)

// The factors of JCGM 100:2008, table G.2, for 95 %.
func TestStudent(t *testing.T) {
	for df, want := range map[float64]float64{
		3: 3.18, 4: 2.78, 5: 2.57, 7: 2.36, 10: 2.23, 20: 2.09, 50: 2.01, 100: 1.984, math.Inf(1): 1.960,
	} {
		assert.InDelta(t, want, student95(df), 0.006, "%g", df)
	}
}

// JCGM 100:2008, H.3, calibration of a thermometer: 11 readings and observed corrections, with all its
// figures. There is no meter's accuracy in it, and the scatter is the points' own.
func TestThermometerOfTheGUM(t *testing.T) {
	thermometer := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	correction := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	const t0, s = 20, 0.0035 // its equations H.13: the scatter about the line
	var points []Point
	for i, x := range thermometer {
		points = append(points, Point{Reading: Mean{Value: x - t0, DF: 9}, Meter: correction[i], Half: s * math.Sqrt(3)})
	}
	c := Channel{Quantity: Temperature}
	l := c.line(points, Meter{})
	y1, v1, _ := l.of(1, 0)
	y2, v2, _ := l.of(0, 1)
	assert.InDelta(t, -0.1712, y1, 5e-5)
	assert.InDelta(t, 0.00218, y2, 5e-6)
	assert.InDelta(t, 0.0029, math.Sqrt(v1), 5e-5)
	assert.InDelta(t, 0.00067, math.Sqrt(v2), 5e-6)
	at, v, _ := l.at(30 - t0)
	assert.InDelta(t, -0.1494, at, 5e-5, "its b(30 °C)")
	assert.InDelta(t, 0.0041, math.Sqrt(v), 5e-5)
	assert.InDelta(t, 1, l.chi(points)/9, 0.05, "s as the example has it")
	covariance := (v - v1 - sq(10)*v2) / 20
	assert.InDelta(t, -0.930, covariance/math.Sqrt(v1*v2), 0.001, "its r(y1, y2)")
}

// JCGM 100:2008, H.2, table H.2: the five readings of each quantity with their means and the standard
// deviations of those, which blocks of equal readings must give too.
func TestMeansOfTheGUM(t *testing.T) {
	for _, tt := range []struct {
		readings    []float64
		mean, sigma float64
		digits      float64
	}{
		{[]float64{5.007, 4.994, 5.005, 4.990, 4.999}, 4.9990, 0.0032, 5e-5},
		{[]float64{19.663, 19.639, 19.640, 19.685, 19.678}, 19.6610, 0.0095, 5e-5},
		{[]float64{1.0456, 1.0438, 1.0468, 1.0428, 1.0433}, 1.04446, 0.00075, 5e-6},
	} {
		var span []Sample
		for i := range 5 * blocks * 2 { // each reading fills as many blocks as the others: 16 samples of 5
			span = append(span, Sample{At: time.Duration(i) * time.Second, Value: tt.readings[i/(2*blocks)]})
		}
		m, ok := Average(span)
		require.True(t, ok)
		assert.InDelta(t, tt.mean, m.Value, tt.digits)
		sum := 0.0
		for _, x := range tt.readings {
			sum += sq(x - tt.mean)
		}
		assert.InDelta(t, tt.sigma, math.Sqrt(sum/4/5), tt.digits, "the table's own figure, from its readings")
		// Eight blocks of what five readings are: the scatter between blocks, over eight.
		between, all := 0.0, 0.0
		for k := range blocks {
			x := 0.0
			for i := k * 10; i < k*10+10; i++ {
				x += tt.readings[i/(2*blocks)] / 10
			}
			all += x / blocks
			between += sq(x - tt.mean)
		}
		assert.InDelta(t, tt.mean, all, tt.digits)
		assert.InEpsilon(t, math.Sqrt(between/7/8), m.Sigma, 0.02)
	}
}

func noisySpan(r *rand.Rand, value, noise, drift float64, n int) []Sample {
	var out []Sample
	for i := range n {
		out = append(out, Sample{
			At: time.Duration(i) * time.Second, Value: value + noise*r.NormFloat64() + drift*(float64(i)/float64(n-1)-0.5),
		})
	}
	return out
}

var hall = Class{Zero: 0.5, Gain: 0.01, Noise: 0.1, Step: 0.02}

func current() Channel {
	return Channel{Quantity: Current, Class: hall, MaxOffset: 20, Min: -220, Max: 220, Was: calibration.Correction{Gain: 1}}
}

// The interval of 95 % has the truth 95 times in 100: of a mean, of a zero with a gain, of a gain from
// two points, with a meter that is anywhere inside its accuracy, and of several points.
func TestCoverage(t *testing.T) {
	const trials = 4000
	meters := map[string]Meter{"no meter's error": {Fixed: 1e-6}, "clamp": {Share: 0.02, Fixed: 0.5}, "fine": {Share: 0.002, Fixed: 0.02}}
	for name, meter := range meters {
		for _, loads := range [][]float64{{0, -100}, {-30, -110}, {0, -60, -110, -130}} {
			t.Run(fmt.Sprintf("%s, %v", name, loads), func(t *testing.T) {
				r := rand.New(rand.NewPCG(1, uint64(len(loads))))
				inside, gains, refused := 0, 0, 0
				for range trials {
					zero, gain := r.NormFloat64()*0.4, 1+r.NormFloat64()*0.01
					share, fixed := (2*r.Float64()-1)*meter.Share, (2*r.Float64()-1)*meter.Fixed
					var points []Point
					for _, a := range loads {
						m, ok := Average(noisySpan(r, (a-zero)/gain, 0.1, 0, 16))
						require.True(t, ok)
						p := Point{Reading: m, Zero: a == 0}
						if !p.Zero {
							digit := 0.1
							if meter.Share == 0 {
								digit = 0.001 // a clamp's last digit would be most of what is uncertain
							}
							p.Meter, p.Half = math.Round((a*(1+share)+fixed)/digit)*digit, digit/2
						}
						points = append(points, p)
					}
					got, refusal := Work(current(), meter, points)
					if refusal != nil {
						refused++
						continue
					}
					const load = -120
					raw := (load - zero) / gain
					if math.Abs(got.Correction.Apply(raw)-load) <= got.UAt(raw) {
						inside++
					}
					if math.Abs(got.Correction.Gain/gain-1) <= got.GainU {
						gains++
					}
				}
				n := float64(trials - refused)
				t.Logf("%.1f %% of values, %.1f %% of gains inside; %d refused", 100*float64(inside)/n, 100*float64(gains)/n, refused)
				assert.Less(t, refused, trials/100, "a good sensor is seldom refused")
				assert.Greater(t, float64(inside)/n, 0.935)
				assert.Greater(t, float64(gains)/n, 0.935)
				if meter.Share == 0 { // limits that are uniform are inside more often than 95 %
					assert.Less(t, float64(inside)/n, 0.975)
				}
			})
		}
	}
}

func TestMeanCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	inside := 0
	const trials = 5000
	for range trials {
		m, ok := Average(noisySpan(r, 3, 0.5, 0, 20))
		require.True(t, ok)
		if math.Abs(m.Value-3) <= student95(m.DF)*m.Sigma {
			inside++
		}
	}
	assert.InDelta(t, 0.95, float64(inside)/trials, 0.012)
}

func TestSteady(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	m, ok := Average(noisySpan(r, -100, 0.1, 0, 40))
	require.True(t, ok)
	assert.Nil(t, Steady(m, hall))
	m, _ = Average(noisySpan(r, -100, 0.1, 5, 40))
	require.NotNil(t, Steady(m, hall))
	assert.Equal(t, Drifts, Steady(m, hall).ID)
	assert.InDelta(t, 5, m.Drift, 0.2)
	m, _ = Average(noisySpan(r, -100, 4, 0, 40))
	assert.Equal(t, Scatters, Steady(m, hall).ID)
	_, ok = Average(noisySpan(r, 1, 1, 0, blocks-1))
	assert.False(t, ok)
	_, ok = Average(append(noisySpan(r, 1, 1, 0, 20), Sample{Value: math.NaN()}))
	assert.False(t, ok)
}

func point(reading, meter float64) Point {
	return Point{Reading: Mean{Value: reading, Sigma: 0.02, DF: 7, Count: 20, OverS: 20}, Meter: meter, Half: 0.05, Zero: meter == 0}
}

func TestRefusals(t *testing.T) {
	volts := Channel{Quantity: Voltage, Class: Class{Zero: 0.01, Gain: 0.01, Noise: 0.002, Step: 0.0014}, MaxOffset: 2,
		Min: -1, Max: 32, Was: calibration.Correction{Gain: 1}}
	temps := Channel{Quantity: Temperature, Class: Class{Zero: 1, Noise: 0.1}, MaxOffset: 20, Min: -50, Max: 90}
	both := volts
	both.Min = -32
	for name, tt := range map[string]struct {
		c      Channel
		points []Point
		want   string
	}{
		"nothing":                 {current(), nil, NoPoints},
		"one load":                {current(), []Point{point(-100, -101)}, WantsZero},
		"one load twice":          {current(), []Point{point(-100, -101), point(-101, -102)}, PointsClose},
		"mounted the other way":   {current(), []Point{point(0.1, 0), point(100, -100)}, Reversed},
		"half of the current":     {current(), []Point{point(0.1, 0), point(-45, -100)}, GainWrong},
		"two cables":              {current(), []Point{point(0.1, 0), point(-205, -100)}, GainWrong},
		"a zero of 6 A":           {current(), []Point{point(6, 0), point(-100, -106)}, ZeroLarge},
		"off the line":            {current(), []Point{point(0, 0), point(-60, -60), point(-100, -110)}, Disagree},
		"beyond the channel":      {current(), []Point{point(0, 0), point(-210, -400)}, MeterBeyond},
		"no number":               {current(), []Point{point(0, 0), point(-210, math.NaN())}, MeterBeyond},
		"too many":                {current(), make([]Point, MaxPoints+1), TooMany},
		"meter's leads reversed":  {both, []Point{point(12.6, -12.7)}, Reversed},
		"a thermometer elsewhere": {temps, []Point{point(20, 55)}, OffsetLarge},
	} {
		_, refusal := Work(tt.c, Meter{Share: 0.02, Fixed: 0.5}, tt.points)
		if assert.NotNil(t, refusal, name) {
			assert.Equal(t, tt.want, refusal.ID, "%s: %v", name, refusal)
		}
	}
	_, refusal := Zero(current(), point(-5.5, 0))
	require.NotNil(t, refusal)
	assert.Equal(t, ZeroLarge, refusal.ID)
	assert.ErrorContains(t, refusal, "zero-large: -5.5: want 0.5")
}

// A gain far from its class wants a second measurement that says the same; one from a meter that is no
// better than the sensor says so.
func TestConfirmation(t *testing.T) {
	clamp := Meter{Share: 0.005, Fixed: 0.1}
	r, refusal := Work(current(), clamp, []Point{point(0.1, 0), point(-100, -108)})
	require.Nil(t, refusal)
	assert.True(t, r.Confirm)
	assert.False(t, r.NoBetter)
	r, refusal = Work(current(), clamp, []Point{point(0.1, 0), point(-100, -108), point(-60, -64.9)})
	require.Nil(t, refusal)
	assert.False(t, r.Confirm)
	assert.Positive(t, r.Spread)
	r, refusal = Work(current(), Meter{Share: 0.03, Fixed: 1}, []Point{point(0.1, 0), point(-100, -101)})
	require.Nil(t, refusal)
	assert.True(t, r.NoBetter)
	assert.False(t, r.Confirm)
}

// One point: a temperature's offset, a low voltage's offset, another voltage's gain; by hand.
func TestOnePoint(t *testing.T) {
	volts := Channel{Quantity: Voltage, Class: Class{Zero: 0.01, Gain: 0.01, Noise: 0.002, Step: 0.0014}, MaxOffset: 2,
		Min: -1, Max: 32, Was: calibration.Correction{OffsetAdd: 0.02, Gain: 1.01}}
	r, refusal := Work(volts, Meter{Share: 0.005, Fixed: 0.02}, []Point{point(12.58, 12.70)})
	require.Nil(t, refusal)
	assert.Equal(t, 0.02, math.Round(r.Correction.OffsetAdd*1e12)/1e12)
	assert.InDelta(t, 12.70/12.60, r.Correction.Gain, 1e-12)
	assert.False(t, r.ZeroKnown)
	assert.InDelta(t, 12.70, r.Points[0].After, 1e-12)
	assert.InDelta(t, 1.01*12.60, r.Points[0].Before, 1e-12)
	// By hand: the meter's 0.005·12.7 and 0.02 as rectangles, the last digit, and the reading. The kept
	// zero moves the gain and not the value at the point.
	g := r.Correction.Gain
	sigma := math.Sqrt(sq(0.005*12.7)/3 + sq(0.02)/3 + sq(0.05)/3 + sq(g)*(sq(0.02)+sq(0.0014)/12))
	assert.InEpsilon(t, 1.96*sigma, r.Points[0].U, 0.01)

	low := volts
	r, refusal = Work(low, Meter{Share: 0.005, Fixed: 0.003}, []Point{point(0.05, 0.02)})
	require.Nil(t, refusal)
	assert.Equal(t, 1.01, r.Correction.Gain)
	assert.InDelta(t, 0.02/1.01-0.05, r.Correction.OffsetAdd, 1e-12)
	assert.Zero(t, r.GainU)

	temps := Channel{Quantity: Temperature, Class: Class{Zero: 1, Noise: 0.1}, MaxOffset: 20, Min: -50, Max: 90}
	r, refusal = Work(temps, Meter{Fixed: 1}, []Point{point(21.5, 20), point(21.7, 20.3)})
	require.Nil(t, refusal)
	assert.InDelta(t, -1.45, r.Correction.OffsetAdd, 1e-9)
	assert.InDelta(t, 1.14, r.Points[0].U, 0.03, "1/√3 · 1.96 and a little")
}

func TestZero(t *testing.T) {
	c := current()
	c.Was = calibration.Correction{OffsetAdd: 0.5, Gain: 1.02}
	p := point(1.3, 0)
	p.FlowSigma = 0.1
	r, refusal := Zero(c, p)
	require.Nil(t, refusal)
	assert.InDelta(t, -1.3, r.Correction.OffsetAdd, 1e-12)
	assert.Equal(t, 1.02, r.Correction.Gain)
	assert.True(t, r.ZeroKnown)
	assert.InEpsilon(t, 1.96*math.Hypot(0.1, 1.02*0.021), r.ZeroU, 0.02)
	assert.InDelta(t, 0, r.Correction.Apply(1.3), 1e-12)
}

func TestCheckZero(t *testing.T) {
	open, shut := false, true
	class := []Class{hall, hall}
	show := func(a ...float64) (m []Mean) {
		for _, x := range a {
			m = append(m, Mean{Value: x})
		}
		return m
	}
	for _, tt := range []struct {
		a     Around
		shown []Mean
		want  string
	}{
		{Around{MotorRuns: true, Parted: true}, show(0, 0), MotorRuns},
		{Around{ChargerOn: true, Parted: true}, show(0, 0), ChargerOn},
		{Around{Contact: &shut}, show(0, 0), ContactShut},
		{Around{Contact: &shut, Parted: true}, show(0, 0), ""},
		{Around{}, show(-1.3, -1.1), FlowsAlike},
		{Around{}, show(-1.3), ""},
		{Around{Contact: &open}, show(-1.3, -1.1), ""},
		{Around{Contact: &open}, show(-0.9, 0.8), Circulates},
		{Around{Contact: &open}, show(-0.7, 0.8), ""},
		{Around{Parted: true}, show(-3, 3), ""},
		{Around{Contact: &open, Ways: 1}, show(-0.9, 0.8), ""}, // two sensors of one string
		{Around{Contact: &open, Ways: 2}, show(-0.9, 0.8), Circulates},
	} {
		got := ""
		if r := CheckZero(tt.a, tt.shown, class); r != nil {
			got = r.ID
		}
		assert.Equal(t, tt.want, got, "%+v %v", tt.a, tt.shown)
	}
	assert.Zero(t, FlowSigma(Around{Parted: true, OwnA: 0.1}, 100, 4))
	assert.InDelta(t, 0.30/2/math.Sqrt(3), FlowSigma(Around{RestFor: time.Hour}, 100, 2), 1e-9)
	assert.InDelta(t, 0.1/math.Sqrt(3), FlowSigma(Around{OwnA: 0.1}, 100, 1), 1e-9)
	assert.InDelta(t, 0.1/math.Sqrt(3), FlowSigma(Around{OwnA: 0.1, Ways: 1}, 100, 2), 1e-9, "all of it through both sensors of a string")
}

// Whatever the points, a correction that comes out is one that the board takes, and its figures are
// numbers; what is refused says why by one of the reasons.
func TestAnyPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom([]Quantity{Current, Voltage, Temperature}).Draw(t, "quantity")
		c := Channel{Quantity: q, Class: hall, MaxOffset: 20, Min: -220, Max: 220}
		any := rapid.Float64Range(-300, 300)
		var points []Point
		for range rapid.IntRange(0, MaxPoints+1).Draw(t, "points") {
			points = append(points, Point{
				Reading: Mean{Value: any.Draw(t, "x"), Sigma: rapid.Float64Range(0, 2).Draw(t, "s"), DF: 7},
				Meter:   any.Draw(t, "m"), Half: 0.05,
			})
		}
		r, refusal := Work(c, Meter{Share: 0.02, Fixed: 0.5}, points)
		if refusal != nil {
			assert.Contains(t, Reasons, refusal.ID)
			return
		}
		require.NoError(t, r.Correction.Validate())
		for _, p := range r.Points {
			for _, x := range []float64{p.After, p.Before, p.U, r.ZeroU, r.GainU, r.UAt(100)} {
				require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%+v", r)
			}
		}
	})
}

func TestMeters(t *testing.T) {
	for _, q := range []Quantity{Current, Voltage, Temperature} {
		for _, m := range Meters(q) {
			assert.True(t, m.Possible(), m.ID)
			got, ok := MeterOf(q, m.ID)
			assert.True(t, ok)
			assert.Equal(t, m, got)
		}
		_, ok := MeterOf(q, "none")
		assert.False(t, ok)
	}
	for _, m := range []Meter{{}, {Share: 0.2}, {Fixed: -1, Share: 0.1}, {Fixed: math.NaN()}, {Share: math.Inf(1)}} {
		assert.False(t, m.Possible(), "%+v", m)
	}
	assert.InDelta(t, 2.5, Meter{Share: 0.02, Fixed: 0.5}.LimitAt(-100), 1e-12)
}

// ACS750xCA-100 (data sheet ACS750100-DS, rev. 6): sensitivity 19.75 mV/A, 18.75 to 20.75 at 25 °C and 17.5
// to 21.5 over temperature; offset ±40 mV, magnetic offset after 100 A ±0.8 A. Each corner of what its maker
// allows is calibrated, the outermost ones with a second load; none is refused.
func TestCornersOfADataSheet(t *testing.T) {
	const nominal = 19.75 // mV/A
	c := current()
	c.Class.Zero, c.Class.Gain = 40/nominal, 1/nominal
	c.Min, c.Max = -150, 150
	for _, mvPerA := range []float64{17.5, 18.75, 20.75, 21.5} {
		for _, zeroA := range []float64{-40/nominal - 0.8, 40/nominal + 0.8} {
			shown := func(a float64) float64 { return a*mvPerA/nominal + zeroA }
			points := []Point{point(shown(0), 0), point(shown(-100), -100), point(shown(-60), -60)}
			r, refusal := Work(c, Meter{Share: 0.005, Fixed: 0.05}, points)
			require.Nil(t, refusal, "%g mV/A, %.1f A: %v", mvPerA, zeroA, refusal)
			assert.False(t, r.Confirm)
			assert.InDelta(t, nominal/mvPerA, r.Correction.Gain, 0.002)
			assert.InDelta(t, -zeroA, r.Correction.OffsetAdd, 0.05)
			r, refusal = Work(c, Meter{Share: 0.005, Fixed: 0.05}, points[:2])
			require.Nil(t, refusal)
			assert.False(t, r.Confirm, "within four times its class")
		}
	}
	_, refusal := Work(c, Meter{Share: 0.005, Fixed: 0.05}, []Point{point(0, 0), point(-202, -100)})
	require.NotNil(t, refusal, "the cable goes through twice")
	assert.Equal(t, GainWrong, refusal.ID)
}

// Two taps over one ground, each off within its class, calibrated one after the other against one meter that is
// itself off anywhere within its accuracy: what the two batteries of a string then seem to differ by is never more
// than the meter's constant part and the last digits, and less than an eighth of what it was. A meter for each tap would leave
// its share of the reading, too.
func TestTwoTapsAgainstOneMeter(t *testing.T) {
	volts := Channel{Quantity: Voltage, Class: Class{Zero: 0.01, Gain: 0.01, Noise: 0.002, Step: 0.002}, MaxOffset: 2,
		Min: -1, Max: 60, Was: calibration.Correction{Gain: 1}}
	meter, ok := MeterOf(Voltage, "multimeter")
	require.True(t, ok)
	const digit = 0.01
	r := rand.New(rand.NewPCG(5, 5))
	to := func() float64 { return 2*r.Float64() - 1 }
	worst, before, apart := 0.0, 0.0, 0.0
	for range 2000 {
		gain := [2]float64{1 + 0.01*to(), 1 + 0.01*to()}
		zero := [2]float64{0.01 * to(), 0.01 * to()}
		post := [2]float64{12.6 + 0.2*to(), 0}
		post[1] = post[0] + 12.6 + 0.2*to()
		reads := func(k int, v float64) float64 { return v*gain[k] + zero[k] }
		difference := func(at [2]float64, c [2]calibration.Correction) float64 {
			low, high := c[0].Apply(reads(0, at[0])), c[1].Apply(reads(1, at[1]))
			return (high - 2*low) - (at[1] - 2*at[0])
		}
		calibrated := func(meters [2][2]float64) (c [2]calibration.Correction) {
			for k := range 2 {
				m, ok := Average(noisySpan(r, reads(k, post[k]), 0.002, 0, 16))
				require.True(t, ok)
				shown := math.Round((post[k]*(1+meter.Share*meters[k][0])+meter.Fixed*meters[k][1])/digit) * digit
				got, refusal := Work(volts, meter, []Point{{Reading: m, Meter: shown, Half: digit / 2}})
				require.Nil(t, refusal)
				c[k] = got.Correction
			}
			return c
		}
		none := [2]calibration.Correction{{Gain: 1}, {Gain: 1}}
		same := [2]float64{to(), to()}
		one := calibrated([2][2]float64{same, same})
		two := calibrated([2][2]float64{{to(), to()}, {to(), to()}})
		half := [2]float64{12.1, 24.2} // half charged
		worst = max(worst, math.Abs(difference(post, one)), math.Abs(difference(half, one)))
		before = max(before, math.Abs(difference(post, none)))
		apart = max(apart, math.Abs(difference(post, two)))
	}
	t.Logf("before %.3f V, one meter %.3f V, a meter for each %.3f V", before, worst, apart)
	assert.LessOrEqual(t, worst, meter.Fixed+3*digit/2+0.004, "and the noise of the readings")
	assert.Less(t, worst, before/8)
	assert.Greater(t, apart, 2*worst)
}
