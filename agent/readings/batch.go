package readings

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"strconv"
)

// Bounds are the largest errors that thinning may make, in the figures' units.
type Bounds struct {
	VoltageV     float64 `json:"voltage_v"`
	CurrentA     float64 `json:"current_a"`
	TemperatureC float64 `json:"temperature_c"`
	SoCPct       float64 `json:"soc_pct"`
}

// DefaultBounds are 10 mV, 0.5 A, 0.5 K and 1 %.
func DefaultBounds() Bounds {
	return Bounds{VoltageV: 0.01, CurrentA: 0.5, TemperatureC: 0.5, SoCPct: 1}
}

// Widened returns the bounds times factor.
func (b Bounds) Widened(factor float64) Bounds {
	r := func(x float64) float64 { return math.Round(x*factor*1000) / 1000 }
	return Bounds{r(b.VoltageV), r(b.CurrentA), r(b.TemperatureC), r(b.SoCPct)}
}

func (b Bounds) of(figure string) float64 {
	switch figure {
	case VoltageV, FeedV, MotorV:
		return b.VoltageV
	case CurrentA:
		return b.CurrentA
	case TemperatureC:
		return b.TemperatureC
	}
	return b.SoCPct
}

// Batch is a span of aggregates as sent. A bin in which nothing is known has no value.
type Batch struct {
	StepS  int           `json:"step_s"` // width of a bin
	Bins   int           `json:"bins"`
	Within Bounds        `json:"within"` // every value is right to these
	Series []BatchSeries `json:"series"`
}

// BatchSeries is one figure of a batch. Min and Max are left out where the mean is within the
// bounds of them.
type BatchSeries struct {
	Series
	Mean Polyline  `json:"mean"`
	Min  *Polyline `json:"min,omitempty"`
	Max  *Polyline `json:"max,omitempty"`
}

// Polyline is a line through corners: in JSON the numbers bin, value, bin, value and so on. Between
// two corners values lie on the straight line; a value of null means that nothing is known from
// that bin on until the next corner.
type Polyline struct {
	points []point
	scale  float64
}

// Corners returns the bin and value of each corner, those where values become unknown left out.
func (l Polyline) Corners() iter.Seq2[int, float64] {
	return func(yield func(int, float64) bool) {
		for _, p := range l.points {
			if p.ok && !yield(p.bin, float64(p.v)/l.scale) {
				return
			}
		}
	}
}

// Values returns the value of each bin of a batch of bins that is known, corners and what lies
// between them.
func (l Polyline) Values(bins int) iter.Seq2[int, float64] {
	return func(yield func(int, float64) bool) {
		if n := len(l.points); n > 0 {
			bins = max(bins, l.points[n-1].bin+1)
		}
		for bin, s := range restore(l.points, bins) {
			if s.ok && !yield(bin, float64(s.v)/l.scale) {
				return
			}
		}
	}
}

// MarshalJSON writes the corners.
func (l Polyline) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, p := range l.points {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendInt(b, int64(p.bin), 10)
		b = append(b, ',')
		if p.ok {
			b = strconv.AppendFloat(b, float64(p.v)/l.scale, 'f', -1, 64)
		} else {
			b = append(b, "null"...)
		}
	}
	return append(b, ']'), nil
}

// maxBins bounds a batch: a week of minutes.
const maxBins = 7 * 24 * 60

// derived reports whether a figure is left out of batches because others give it: the bank's
// voltage is the mean of its batteries'. (The bank's current is sent: the sum of the batteries'
// would have the sum of their errors.) The doubt of a charge is for the unit's own charts; the present one is in
// each snapshot.
func (l Layout) derived(i int) bool {
	if l[i].Figure == SoCSigmaPct {
		return true
	}
	return l[i] == Series{Figure: VoltageV} && slices.ContainsFunc(l,
		func(s Series) bool { return s.Figure == VoltageV && s.Battery != "" })
}

// Compress makes a batch of rows in time order. The batch begins with the first row; of rows of the
// same bin the last one counts. Rows over more than a week are an error.
func Compress(l Layout, rows []Row, within Bounds) (Batch, error) {
	if len(rows) == 0 || !l.valid() {
		return Batch{}, errors.New("batch: empty")
	}
	first := rows[0].Start
	last := rows[len(rows)-1].Start
	bins := int((last-first)/Step) + 1
	if bins < 1 || bins > maxBins {
		return Batch{}, fmt.Errorf("batch: %d bins: want 1 to %d", bins, maxBins)
	}
	out := Batch{StepS: int(Step.Seconds()), Bins: bins, Within: within, Series: []BatchSeries{}}
	mean, low, high := make([]sample, bins), make([]sample, bins), make([]sample, bins)
	for i, s := range l {
		if l.derived(i) {
			continue
		}
		clear(mean)
		clear(low)
		clear(high)
		any := false
		for _, r := range rows {
			bin := int((r.Start - first) / Step)
			if bin < 0 || bin >= bins || i >= len(r.Stats) || !r.Stats[i].Known {
				continue
			}
			st := r.Stats[i]
			mean[bin], low[bin], high[bin] = sample{st.Mean, true}, sample{st.Min, true}, sample{st.Max, true}
			any = true
		}
		if any {
			out.Series = append(out.Series, thinSeries(s, l.scale(i), within.of(s.Figure), mean, low, high))
		}
	}
	return out, nil
}

// thinSeries thins one figure. It keeps half a step of the bound for the rounding of what is
// restored.
func thinSeries(s Series, scale, within float64, mean, low, high []sample) BatchSeries {
	bound := int32(min(max(math.Floor(within*scale+1e-9), 0), math.MaxInt32/4))
	inner := max(bound-1, 0)
	t := BatchSeries{Series: s, Mean: Polyline{swingingDoor(mean, inner), scale}}
	told := restore(t.Mean.points, len(mean))
	if !covers(told, low, bound) {
		t.Min = &Polyline{swingingDoor(low, inner), scale}
	}
	if !covers(told, high, bound) {
		t.Max = &Polyline{swingingDoor(high, inner), scale}
	}
	return t
}

// covers reports whether one series is within a distance of another.
func covers(told, actual []sample, within int32) bool {
	for i, v := range actual {
		if d := int64(told[i].v) - int64(v.v); v.ok && (d > int64(within) || d < -int64(within)) {
			return false
		}
	}
	return true
}

// UnmarshalJSON reads a batch strictly: unknown fields, more bins than a week has, and corners that
// are out of order or outside the batch are errors.
func (b *Batch) UnmarshalJSON(data []byte) error {
	var in struct {
		StepS  int    `json:"step_s"`
		Bins   int    `json:"bins"`
		Within Bounds `json:"within"`
		Series []struct {
			Figure  string     `json:"figure"`
			Battery string     `json:"battery"`
			Mean    []*float64 `json:"mean"`
			Min     []*float64 `json:"min"`
			Max     []*float64 `json:"max"`
		} `json:"series"`
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&in); err != nil {
		return fmt.Errorf("batch: %w", err)
	}
	if in.StepS != int(Step.Seconds()) || in.Bins < 1 || in.Bins > maxBins || len(in.Series) > maxSeries {
		return fmt.Errorf("batch: %d bins of %d s, %d series: want up to %d bins of 60 s, up to %d series", in.Bins,
			in.StepS, len(in.Series), maxBins, maxSeries)
	}
	*b = Batch{StepS: in.StepS, Bins: in.Bins, Within: in.Within, Series: []BatchSeries{}}
	for _, s := range in.Series {
		t := BatchSeries{Series: Series{s.Figure, s.Battery}}
		places, known := decimals[s.Figure]
		if !known {
			return fmt.Errorf("batch: figure %q: not known", s.Figure)
		}
		scale := math.Pow10(places)
		mean, err := parsePolyline(s.Mean, scale, in.Bins)
		if err != nil {
			return err
		}
		if mean == nil {
			return fmt.Errorf("batch: %s: no mean", s.Figure)
		}
		t.Mean = *mean
		if t.Min, err = parsePolyline(s.Min, scale, in.Bins); err != nil {
			return err
		}
		if t.Max, err = parsePolyline(s.Max, scale, in.Bins); err != nil {
			return err
		}
		b.Series = append(b.Series, t)
	}
	return nil
}

// parsePolyline reads corners; without any it returns nil.
func parsePolyline(numbers []*float64, scale float64, bins int) (*Polyline, error) {
	if numbers == nil {
		return nil, nil
	}
	l := &Polyline{scale: scale}
	if len(numbers)%2 != 0 || len(numbers) > 2*bins {
		return nil, fmt.Errorf("batch: line of %d numbers: want pairs, one a bin at most", len(numbers))
	}
	before := -1
	for i := 0; i < len(numbers); i += 2 {
		at, v := numbers[i], numbers[i+1]
		if at == nil || *at != math.Trunc(*at) || *at <= float64(before) || *at >= float64(bins) {
			return nil, errors.New("batch: corner: want bins in order")
		}
		p := point{bin: int(*at), ok: v != nil}
		if v != nil {
			steps := math.Round(*v * scale)
			if !(math.Abs(steps) <= math.MaxInt32) {
				return nil, errors.New("batch: value out of range")
			}
			p.v = int32(steps)
		}
		before = p.bin
		l.points = append(l.points, p)
	}
	return l, nil
}
