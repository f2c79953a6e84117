package limit_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/limit"
)

type three struct {
	LowV, ClearV float64
	After        time.Duration
	Cycles       uint64
}

func (t *three) limits() []limit.Limit {
	return []limit.Limit{
		limit.Number{
			To:      &t.LowV,
			Default: 12.4,
			Min:     11.5,
			Max:     12.9,
			Unit:    "V",
			About:   limit.About{Path: "low_v", Below: "clear_v"},
		},
		limit.Number{
			To:      &t.ClearV,
			Default: 0,
			Min:     11.5,
			Max:     13,
			Unit:    "V",
			About:   limit.About{Path: "clear_v", Tracks: "low_v", Plus: 0.05},
		},
		limit.Span{
			To:      &t.After,
			Default: time.Hour,
			Min:     time.Minute,
			Max:     48 * time.Hour,
			About:   limit.About{Path: "after"},
		},
		limit.Count{To: &t.Cycles, Default: 7, Max: 9, About: limit.About{Path: "cycles"}},
	}
}

func TestApply(t *testing.T) {
	var x three
	require.NoError(t, limit.Apply(x.limits(), nil))
	assert.Equal(t, three{12.4, 12.45, time.Hour, 7}, x)
	require.NoError(t, limit.Apply(x.limits(), limit.Values{"low_v": 12.3, "after": 90, "cycles": 0}))
	assert.Equal(t, three{12.3, 12.35, 90 * time.Second, 0}, x, "a default that follows another moves with it")
	require.NoError(t, limit.Apply(x.limits(), nil))
	assert.Equal(t, three{12.4, 12.45, time.Hour, 7}, x, "what is not set has its default again")
	require.NoError(t, limit.Apply(x.limits()[1:], limit.Values{"low_v": 12.2}))
	assert.InDelta(t, 12.25, x.ClearV, 1e-9, "the other one is of another part")
}

func TestWhatIsRefused(t *testing.T) {
	for path, bad := range map[string][]float64{
		"low_v": {11.4, 13, math.NaN(), math.Inf(1)}, "after": {59, 3e6, math.NaN()}, "cycles": {-1, 10, 2.5, math.NaN()},
	} {
		for _, v := range bad {
			var x three
			err := limit.Apply(x.limits(), limit.Values{path: v})
			assert.ErrorContains(t, err, path+": ", "%g", v)
		}
	}
	var x three
	err := limit.Apply(x.limits(), limit.Values{"after": 1})
	assert.EqualError(t, err, "after: 1s: want 1m to 2d")
	assert.EqualError(t, limit.Apply(x.limits(), limit.Values{"cycles": 1.5}), "cycles: 1.5: want a whole number from "+
		"0 to 9")
}

func TestLimitsOutOfOrderAreBothNamed(t *testing.T) {
	var x three
	require.NoError(t, limit.Apply(x.limits(), limit.Values{"low_v": 12.6, "clear_v": 12.5}))
	got := limit.Conflicts(x.limits())
	require.Len(t, got, 1)
	assert.EqualError(t, got[0], "low_v: 12.6: want less than clear_v (12.5)")
	require.NoError(t, limit.Apply(x.limits(), nil))
	assert.Empty(t, limit.Conflicts(x.limits()))
}

func TestWords(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0s", time.Second: "1s", 90 * time.Second: "90s", 15 * time.Minute: "15m", time.Hour: "1h",
		14 * 24 * time.Hour: "14d", 250 * time.Millisecond: "250ms",
	} {
		assert.Equal(t, want, limit.Words(d))
	}
}
