package calibrate

import (
	"math"

	"liftbank/sensors/calibration"
)

// Point is a steady reading beside what is true there.
type Point struct {
	Reading Mean    `json:"reading"` // nominal
	Meter   float64 `json:"meter"`   // its value; 0 at a zero
	Half    float64 `json:"half"`    // half of the last digit that the meter's value was given with
	// Zero is a point without a meter: nothing flows, but for FlowSigma.
	Zero      bool    `json:"zero,omitempty"`
	FlowSigma float64 `json:"flow_sigma,omitempty"`
}

// Channel is what must be known of a channel.
type Channel struct {
	Quantity  Quantity
	Class     Class
	MaxOffset float64 // that a correction may have
	Min, Max  float64 // that the channel can show
	Was       calibration.Correction
	WasSigma  float64 // standard uncertainty of the present zero, where a point alone gives the gain
}

// Limits of a calibration.
const (
	MaxPoints   = 12
	minGain     = 0.5  // ratio: outside it is no tolerance but a wrong scale; as in the configuration
	maxGain     = 2.0  // ratio: the same, upward
	wideZero    = 10.0 // ratio: of the class's zero; more is a sensor that is wrong; our choice
	farGain     = 4.0  // ratio: of the class's gain; further off wants a second measurement; our choice
	farFromZero = 8.0  // V: from here a voltage alone gives the gain, below it the offset; our choice
	agrees      = 3.5  // ratio: of its uncertainty, that a point may be off the line; our choice
)

// apart is how far two points must be from each other, in the unit of the quantity; our choice: at
// the commonest meters' resolution a gain is then good to 1 %.
var apart = map[Quantity]float64{Current: 20, Voltage: 1, Temperature: 10}

// At is a channel at one point, before and after.
type At struct {
	Meter  float64 `json:"meter"`
	Before float64 `json:"before"`
	After  float64 `json:"after"`
	U      float64 `json:"u"`     // of After, 95 %
	Drift  float64 `json:"drift"` // in the span
	Spread float64 `json:"spread"`
	Zero   bool    `json:"zero,omitempty"`
}

// Result is a correction with what is known of it.
type Result struct {
	Correction calibration.Correction
	ZeroU      float64 // of the corrected quantity at 0, 95 %
	GainU      float64 // of the gain, as a share, 95 %; 0: the gain was not measured
	ZeroSigma  float64 // standard uncertainty of the corrected quantity at 0
	Spread     float64 // of the points about the line, standard deviation; 0 with as many points as figures
	Points     []At
	ZeroKnown  bool // the zero was measured
	// Confirm: the gain is so far from its class that a second measurement must say the same before it
	// is used.
	Confirm bool
	// NoBetter: the meter is no better than the sensor's own class: the correction is no surer than none.
	NoBetter bool

	fit line
}

// line is m = a + b·x with how both follow from the points.
type line struct {
	a, b      float64
	m, ca, cb []float64 // each point's value, and what it counts for in a and b
	variance  []float64 // of each point's value, by itself
	read      []float64 // of that, from the scatter of the readings
	df        []float64
	metered   []bool
	share, fx float64 // standard uncertainties that all of the meter's values have in common
	// What was kept as it is, with its variance and what a and b move by with it.
	keptZero, keptGain    bool
	kept, keptForA, keptB float64
}

// at returns value and variance of the line at x, with its effective degrees of freedom.
func (l *line) at(x float64) (value, variance, df float64) { return l.of(1, x) }

// of returns ka·a + kb·b with its variance.
func (l *line) of(ka, kb float64) (value, variance, df float64) {
	fixed, share, below := 0.0, 0.0, 0.0
	for i := range l.m {
		c := ka*l.ca[i] + kb*l.cb[i]
		variance += sq(c) * l.variance[i]
		below += sq(sq(c)*l.read[i]) / l.df[i]
		share += c * l.m[i]
		if l.metered[i] {
			fixed += c
		}
	}
	variance += sq(share*l.share) + sq(fixed*l.fx) + sq(ka*l.keptForA+kb*l.keptB)*l.kept
	df = math.Inf(1)
	if below > 0 {
		df = sq(variance) / below
	}
	return ka*l.a + kb*l.b, variance, df
}

// expanded returns the interval of 95 % of a variance.
func expanded(variance, df float64) float64 { return student95(df) * math.Sqrt(variance) }

// Zero returns the correction that has a channel show 0 at a point where nothing flows, and leaves its
// gain.
func Zero(c Channel, p Point) (Result, *Refusal) {
	p.Zero, p.Meter, p.Half = true, 0, 0
	if limit := wideZero * c.Class.Zero; math.Abs(p.Reading.Value) > limit {
		return Result{}, &Refusal{ID: ZeroLarge, Value: p.Reading.Value, Want: c.Class.Zero}
	}
	return c.finish(c.keepGain(p, Meter{}), []Point{p})
}

// Work returns the correction that points beside a meter ask for: a line through two or more; of one,
// the offset of a temperature and of a voltage near zero, and the gain of another voltage.
func Work(c Channel, m Meter, points []Point) (Result, *Refusal) {
	for i := range points {
		p := &points[i]
		if !p.Zero && !(p.Meter >= c.Min && p.Meter <= c.Max) {
			return Result{}, &Refusal{ID: MeterBeyond, Value: p.Meter, Want: c.Max}
		}
		if limit := wideZero * c.Class.Zero; p.Zero && math.Abs(p.Reading.Value) > limit {
			return Result{}, &Refusal{ID: ZeroLarge, Value: p.Reading.Value, Want: c.Class.Zero}
		}
	}
	switch n := len(points); {
	case n == 0:
		return Result{}, &Refusal{ID: NoPoints}
	case n > MaxPoints:
		return Result{}, &Refusal{ID: TooMany, Value: float64(n), Want: MaxPoints}
	}
	low, high := span(points)
	if high-low < apart[c.Quantity] { // one point, however often it was taken
		p := points[0]
		switch {
		case c.Quantity == Temperature || c.Quantity == Voltage && math.Abs(p.Meter) < farFromZero:
			return c.finish(c.meanOf(points, m, c.keepGain), points)
		case c.Quantity == Voltage && math.Abs(p.Reading.Value) >= farFromZero/2:
			if math.Signbit(p.Meter) != math.Signbit(p.Reading.Value) {
				return Result{}, &Refusal{ID: Reversed, Value: p.Reading.Value, Want: p.Meter}
			}
			return c.finish(c.meanOf(points, m, c.keepZero), points)
		case len(points) == 1:
			return Result{}, &Refusal{ID: WantsZero, Want: apart[c.Quantity]}
		}
		return Result{}, &Refusal{ID: PointsClose, Value: high - low, Want: apart[c.Quantity]}
	}
	return c.finish(c.line(points, m), points)
}

func span(points []Point) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := range points {
		low, high = math.Min(low, points[i].Reading.Value), math.Max(high, points[i].Reading.Value)
	}
	return low, high
}

func gainOf(c calibration.Correction) float64 {
	if c.Gain == 0 {
		return 1
	}
	return c.Gain
}

// point returns the variance of a point's value by itself, and what of it is from the scatter of the
// readings, at a gain.
func (c Channel) point(p *Point, gain float64) (all, read float64) {
	s := p.Reading.sigma(c.Class)
	return sq(gain*s) + sq(p.Half)/3 + sq(p.FlowSigma), sq(gain * p.Reading.Sigma)
}

func rectangular(m Meter) (share, fixed float64) {
	return m.Share / math.Sqrt(3), m.Fixed / math.Sqrt(3)
}

// line returns the line of least squares through points, each by how well it is known.
func (c Channel) line(points []Point, m Meter) line {
	n := len(points)
	l := line{m: make([]float64, n), ca: make([]float64, n), cb: make([]float64, n), variance: make([]float64, n), read: make([]float64, n),
		df: make([]float64, n), metered: make([]bool, n)}
	l.share, l.fx = rectangular(m)
	gain := 1.0
	for range 2 { // the gain weighs the readings' part
		var s, sx, sxx float64
		for i := range points {
			p := &points[i]
			l.variance[i], l.read[i] = c.point(p, gain)
			l.variance[i] = math.Max(l.variance[i], 1e-18)
			l.m[i], l.df[i], l.metered[i] = p.Meter, math.Max(p.Reading.DF, 1), !p.Zero
			w, x := 1/l.variance[i], p.Reading.Value
			s, sx, sxx = s+w, sx+w*x, sxx+w*x*x
		}
		det := s*sxx - sx*sx
		l.a, l.b = 0, 0
		for i := range points {
			w, x := 1/l.variance[i], points[i].Reading.Value
			l.cb[i], l.ca[i] = w*(s*x-sx)/det, w*(sxx-x*sx)/det
			l.a, l.b = l.a+l.ca[i]*points[i].Meter, l.b+l.cb[i]*points[i].Meter
		}
		gain = l.b
	}
	if n > 2 { // points that scatter more than they should are less sure than they say (Birge)
		if chi := l.chi(points) / float64(n-2); chi > 1 {
			for i := range l.variance {
				l.read[i] += (chi - 1) * l.variance[i]
				l.variance[i] *= chi
				l.df[i] = math.Min(l.df[i], float64(n-2))
			}
		}
	}
	return l
}

// chi returns the sum of squares of what the points are off, over their variances.
func (l *line) chi(points []Point) (sum float64) {
	for i := range points {
		sum += sq(points[i].Meter-l.a-l.b*points[i].Reading.Value) / l.variance[i]
	}
	return sum
}

// keepGain returns the line through a point with the present gain.
func (c Channel) keepGain(p Point, m Meter) line {
	g := gainOf(c.Was)
	l := c.single(&p, m, g)
	l.a, l.b, l.ca[0] = p.Meter-g*p.Reading.Value, g, 1
	l.keptGain, l.kept, l.keptB, l.keptForA = true, sq(c.Class.Gain/math.Sqrt(3)*g), 1, -p.Reading.Value
	return l
}

// keepZero returns the line through a point with the present offset.
func (c Channel) keepZero(p Point, m Meter) line {
	x := p.Reading.Value + c.Was.OffsetAdd
	b := p.Meter / x
	l := c.single(&p, m, b)
	l.a, l.b, l.ca[0], l.cb[0] = b*c.Was.OffsetAdd, b, c.Was.OffsetAdd/x, 1/x
	sigma := c.WasSigma
	if sigma == 0 {
		sigma = c.Class.Zero / math.Sqrt(3)
	}
	l.keptZero, l.kept, l.keptB, l.keptForA = true, sq(sigma), -b/x, b-b*c.Was.OffsetAdd/x
	return l
}

func (c Channel) single(p *Point, m Meter, gain float64) line {
	all, read := c.point(p, gain)
	l := line{m: []float64{p.Meter}, ca: []float64{0}, cb: []float64{0}, variance: []float64{all}, read: []float64{read},
		df: []float64{math.Max(p.Reading.DF, 1)}, metered: []bool{!p.Zero}}
	l.share, l.fx = rectangular(m)
	return l
}

// meanOf returns the line of one point that was taken several times: the points are averaged.
func (c Channel) meanOf(points []Point, m Meter, of func(Point, Meter) line) line {
	mean, n := points[0], float64(len(points))
	mean.Reading.Value, mean.Meter = 0, 0
	variance := 0.0
	for i := range points {
		p := &points[i]
		mean.Reading.Value += p.Reading.Value / n
		mean.Meter += p.Meter / n
		v, _ := c.point(p, 1)
		variance += v / n / n
	}
	l := of(mean, m)
	if n == 1 {
		return l
	}
	scatter := 0.0
	for i := range points {
		scatter += sq(points[i].Meter-points[i].Reading.Value-mean.Meter+mean.Reading.Value) / (n - 1) / n
	}
	l.variance[0] = math.Max(variance, scatter)
	if scatter > variance {
		l.read[0], l.df[0] = scatter, n-1
	}
	return l
}

// finish checks a line and returns the correction that it is.
func (c Channel) finish(l line, points []Point) (Result, *Refusal) {
	if !(l.b > 0) {
		return Result{}, &Refusal{ID: Reversed, Value: l.b, Want: 1}
	}
	if l.b < minGain || l.b > maxGain {
		return Result{}, &Refusal{ID: GainWrong, Value: l.b, Want: c.Class.Gain}
	}
	r := Result{Correction: calibration.Correction{OffsetAdd: l.a / l.b, Gain: l.b}, fit: l}
	if off := math.Abs(r.Correction.OffsetAdd); off > c.MaxOffset {
		return Result{}, &Refusal{ID: OffsetLarge, Value: r.Correction.OffsetAdd, Want: c.MaxOffset}
	}
	metered, residual := 0, 0.0
	for i := range points {
		p := &points[i]
		after, variance, df := l.at(p.Reading.Value)
		r.Points = append(r.Points, At{
			Meter: p.Meter, Before: c.Was.Apply(p.Reading.Value), After: after, U: expanded(variance, df), Zero: p.Zero,
			Drift: p.Reading.Drift * l.b, Spread: p.Reading.Spread * l.b,
		})
		off := p.Meter - after
		residual += sq(off)
		if !p.Zero {
			metered++
		}
		own, _ := c.point(p, l.b)
		if limit := agrees*math.Sqrt(own) + c.Class.readsOff(p.Meter)/2; len(points) > 1 && math.Abs(off) > limit {
			return Result{}, &Refusal{ID: Disagree, Value: off, Want: limit}
		}
	}
	if free := len(points) - 2; free > 0 {
		r.Spread = math.Sqrt(residual / float64(free))
	}
	_, v0, df0 := l.at(-l.a / l.b)
	r.ZeroU, r.ZeroSigma = expanded(v0, df0), math.Sqrt(v0)
	r.ZeroKnown = !l.keptZero
	if !l.keptGain {
		_, vb, dfb := l.of(0, 1)
		r.GainU = expanded(vb, dfb) / l.b
		if math.Abs(l.b-1) > farGain*c.Class.Gain {
			r.Confirm = metered < 2
		}
		top := math.Max(math.Abs(r.Points[0].Meter), math.Abs(r.Points[len(r.Points)-1].Meter))
		for _, p := range r.Points {
			if math.Abs(p.Meter) >= top {
				top = math.Abs(p.Meter)
				r.NoBetter = p.U > c.Class.readsOff(top)
			}
		}
	}
	return r, nil
}

// UAt returns the uncertainty, 95 %, of the corrected quantity at a nominal reading.
func (r *Result) UAt(reading float64) float64 {
	_, v, df := r.fit.at(reading)
	return expanded(v, df)
}
