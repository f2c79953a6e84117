package readings

import (
	"encoding/json"
	"maps"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestAMinuteIsWeighedByTime(t *testing.T) {
	a := NewAggregator(LayoutOf([]string{"a"}))
	values := make([]Value, len(a.layout))
	add := func(at time.Duration, v float64) (Row, bool) {
		values[5] = Value{v, true}
		return a.Add(at, values)
	}
	for s := range 50 { // 50 s at 12.6 V, then 9 s at 12.0 V read a hundred times as often
		_, done := add(time.Duration(s)*time.Second, 12.6)
		assert.False(t, done)
	}
	for ms := 49010; ms <= 58000; ms += 10 {
		add(time.Duration(ms)*time.Millisecond, 12.0)
	}
	row, done := add(61*time.Second, 12.6)
	require.True(t, done)
	assert.Equal(t, time.Duration(0), row.Start)
	assert.Equal(t, Stat{Min: 12000, Mean: 12508, Max: 12600, Known: true}, row.Stats[5],
		"(50 s × 12.6 V + 9 s × 12.0 V) / 59 s")
	assert.False(t, row.Stats[0].Known, "never given")
	row, done = a.Take()
	assert.True(t, done)
	assert.Equal(t, time.Minute, row.Start)
	_, done = a.Take()
	assert.False(t, done)
	values[5] = Value{math.NaN(), true}
	a.Add(200*time.Second, values)
	_, done = a.Take()
	assert.False(t, done, "not a number is not known")
}

func TestAddingAllocatesNothing(t *testing.T) {
	a := NewAggregator(LayoutOf([]string{"a", "b", "c", "d"}))
	values := make([]Value, len(a.layout))
	at := time.Duration(0)
	assert.Zero(t, testing.AllocsPerRun(100, func() { at += time.Millisecond; a.Add(at, values) }))
}

func drawRow(t *rapid.T, n int) Row {
	r := Row{Stats: make([]Stat, n)}
	for i := range r.Stats {
		if rapid.Bool().Draw(t, "known") {
			v := []int32{rapid.Int32().Draw(t, "v"), rapid.Int32().Draw(t, "v"), rapid.Int32().Draw(t, "v")}
			lo, hi := min(v[0], v[1], v[2]), max(v[0], v[1], v[2])
			r.Stats[i] = Stat{Min: lo, Mean: min(max(v[1], lo), hi), Max: hi, Known: true}
		}
	}
	return r
}

func TestRowsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "n")
		r := drawRow(t, n)
		back, err := ParseRow(n, AppendRow(nil, r))
		require.NoError(t, err)
		require.Equal(t, r, back)
	})
}

func FuzzParseRow(f *testing.F) {
	f.Add(AppendRow(nil, Row{Stats: []Stat{{1, 2, 3, true}, {}}}))
	f.Add([]byte{1, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 1})
	f.Fuzz(func(t *testing.T, data []byte) {
		if r, err := ParseRow(2, data); err == nil {
			for _, s := range r.Stats {
				if s.Min > s.Mean || s.Mean > s.Max {
					t.Errorf("%+v", s)
				}
			}
		}
	})
}

// Whatever the series, no value restored is further away than the bound, and a bin is known exactly
// if it was.
func TestTheDoorKeepsItsBound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 80).Draw(t, "n")
		rows := make([]Row, n)
		walk := int32(12600)
		for i := range rows {
			walk += rapid.Int32Range(-40, 40).Draw(t, "step")
			rows[i] = Row{Start: time.Duration(i) * Step, Stats: make([]Stat, 5)}
			if rapid.IntRange(0, 9).Draw(t, "gap") > 0 {
				rows[i].Stats[0] = Stat{walk - rapid.Int32Range(0, 30).Draw(t, "below"), walk,
					walk + rapid.Int32Range(0, 900).Draw(t, "above"), true}
			}
		}
		rows[0].Stats[0] = Stat{walk, walk, walk, true}
		b, err := Compress(LayoutOf(nil), rows, DefaultBounds())
		require.NoError(t, err)
		text, err := json.Marshal(b)
		require.NoError(t, err)
		var again Batch
		require.NoError(t, json.Unmarshal(text, &again))
		_, back := again.expand(0)
		require.Len(t, back, n)
		for i := range rows {
			want, got := rows[i].Stats[0], back[i].Stats[0]
			require.Equal(t, want.Known, got.Known, "bin %d", i)
			if want.Known {
				require.InDelta(t, want.Mean, got.Mean, 10, "mean of bin %d", i)
				require.InDelta(t, want.Min, got.Min, 10, "min of bin %d", i)
				require.InDelta(t, want.Max, got.Max, 10, "max of bin %d", i)
			}
		}
	})
}

// A straight line and a level need two corners each, a bend one more: what makes the door worth
// having.
func TestTheDoorThins(t *testing.T) {
	series := make([]sample, 60)
	for i := range series {
		series[i] = sample{int32(12000 + 10*min(i, 30)), true}
	}
	assert.Equal(t, []point{{0, 12000, true}, {30, 12300, true}, {59, 12300, true}}, swingingDoor(series, 0))
	series[40] = sample{}
	assert.Equal(t, []point{{0, 12000, true}, {30, 12300, true}, {39, 12300, true}, {40, 0, false},
		{41, 12300, true}, {59, 12300, true}}, swingingDoor(series, 9)[:6])
}

func TestBatchOnTheWire(t *testing.T) {
	rows := make([]Row, 30)
	for i := range rows {
		rows[i] = Row{Start: time.Duration(i) * Step, Stats: make([]Stat, 9)}
		rows[i].Stats[5] = Stat{12609, 12612, 12615, true}
		rows[i].Stats[6] = Stat{-11876, -40, 12, i == 7 || i == 8}
	}
	b, err := Compress(LayoutOf([]string{"a"}), rows, DefaultBounds())
	require.NoError(t, err)
	text, err := json.Marshal(b)
	require.NoError(t, err)
	assert.JSONEq(t, `{"step_s":60,"bins":30,"within":{"voltage_v":0.01,"current_a":0.5,"temperature_c":0.5,
		"soc_pct":1},"series":[
		{"figure":"voltage_v","battery":"a","mean":[0,12.612,29,12.612]},
		{"figure":"current_a","battery":"a","mean":[7,-0.4,8,-0.4,9,null],"min":[7,-118.76,8,-118.76,9,null],
			"max":[7,0.12,8,0.12,9,null]}]}`, string(text))
}

func TestValuesLieOnTheLine(t *testing.T) {
	var b Batch
	require.NoError(t, json.Unmarshal([]byte(`{"step_s":60,"bins":12,"within":{},"series":[
		{"figure":"voltage_v","mean":[1,12,3,12.5,4,null,7,11,9,11.004]}]}`), &b))
	assert.Equal(t, map[int]float64{1: 12, 2: 12.25, 3: 12.5, 7: 11, 8: 11.002, 9: 11.004},
		maps.Collect(b.Series[0].Mean.Values(b.Bins)))
	for range b.Series[0].Mean.Values(b.Bins) {
		break // whoever looks may stop
	}
	assert.Len(t, maps.Collect(b.Series[0].Mean.Values(0)), 6, "a line is as long as it is")
}

// expand returns the rows of a batch again, each figure right to Within. start is the beginning of
// its first bin.
func (b Batch) expand(start time.Duration) (Layout, []Row) {
	rows := make([]Row, b.Bins)
	l := make(Layout, len(b.Series))
	for i := range rows {
		rows[i] = Row{Start: start + time.Duration(i)*time.Duration(b.StepS)*time.Second,
			Stats: make([]Stat, len(b.Series))}
	}
	for i, t := range b.Series {
		l[i] = t.Series
		mean := restore(t.Mean.points, b.Bins)
		low, high := mean, mean
		if t.Min != nil {
			low = restore(t.Min.points, b.Bins)
		}
		if t.Max != nil {
			high = restore(t.Max.points, b.Bins)
		}
		for k := range rows {
			if mean[k].ok {
				rows[k].Stats[i] = Stat{Min: low[k].v, Mean: mean[k].v, Max: high[k].v, Known: true}
			}
		}
	}
	return l, rows
}

func FuzzBatch(f *testing.F) {
	f.Add([]byte(`{"step_s":60,"bins":3,"within":{},"series":[{"figure":"voltage_v","mean":[0,1.5,2,null]}]}`))
	f.Add([]byte(`{"step_s":60,"bins":3,"series":[{"figure":"soc_pct","mean":[0,1e300]}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		var b Batch
		if err := json.Unmarshal(data, &b); err == nil {
			_, rows := b.expand(0)
			for i, s := range b.Series {
				known := 0
				for _, r := range rows {
					if r.Stats[i].Known {
						known++
					}
				}
				if n := len(maps.Collect(s.Mean.Values(b.Bins))); n != known {
					t.Errorf("%d values of %d", n, known)
				}
			}
			if _, err := json.Marshal(b); err != nil {
				t.Error(err)
			}
		}
	})
}

func TestTracesComeBack(t *testing.T) {
	var in []Sample
	for i := range 200 {
		v := 12.5 - 1.2*float64(min(i, 20))/20
		in = append(in, Sample{time.Duration(i) * 5100 * time.Microsecond,
			[]Value{{v, true}, {-60.25, i != 7}, {v - 0.02, true}}})
	}
	data := AppendTrace(nil, in)
	assert.Less(t, len(data), 200*7)
	back, err := ParseTrace(data)
	require.NoError(t, err)
	require.Len(t, back, 200)
	for i, s := range back {
		assert.Equal(t, in[i].At, s.At)
		for k, v := range s.Values {
			assert.Equal(t, in[i].Values[k].OK, v.OK)
			if v.OK {
				assert.InDelta(t, in[i].Values[k].X, v.X, 0.00501)
			}
		}
	}
}

func FuzzParseTrace(f *testing.F) {
	f.Add(AppendTrace(nil, []Sample{{0, []Value{{12.5, true}, {-60, true}, {}}},
		{time.Millisecond, []Value{{12.4, true}, {}, {1, true}}}}))
	f.Fuzz(func(t *testing.T, data []byte) {
		if s, err := ParseTrace(data); err == nil {
			if _, err := ParseTrace(AppendTrace(nil, s)); len(s) > 0 && err != nil {
				t.Error(err)
			}
		}
	})
}
