package moment_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/moment"
)

type inner struct{ At time.Time }

type outer struct {
	inner
	At      time.Time
	Pointer *time.Time
	None    *time.Time
	List    []inner
	Pair    [2]inner
	Nested  *inner
	hidden  time.Time
	Name    string
}

func TestEveryStandInIsResolved(t *testing.T) {
	fixed := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	pointed := moment.StandIn(3 * time.Minute)
	o := outer{
		inner: inner{moment.StandIn(0)}, At: moment.StandIn(-time.Hour), Pointer: &pointed,
		List: []inner{{moment.StandIn(time.Second)}, {fixed}},
		Pair: [2]inner{{moment.StandIn(2 * time.Second)}}, Nested: &inner{moment.StandIn(time.Hour)},
		hidden: moment.StandIn(1),
	}
	start := time.Date(2026, 3, 9, 12, 0, 0, 0, time.UTC)
	moment.Resolve(&o, func(mono time.Duration) time.Time { return start.Add(mono) })
	assert.Equal(t, start.Add(-time.Hour), o.At)
	assert.Equal(t, start, o.inner.At)
	assert.Equal(t, start.Add(3*time.Minute), *o.Pointer)
	assert.Nil(t, o.None)
	assert.Equal(t, []inner{{start.Add(time.Second)}, {fixed}}, o.List)
	assert.Equal(t, [2]inner{{start.Add(2 * time.Second)}, {}}, o.Pair, "the zero time is none")
	assert.Equal(t, start.Add(time.Hour), o.Nested.At)
	assert.Equal(t, moment.StandIn(1), o.hidden)
}

// A stand-in survives JSON, and no clock shows one.
func TestStandIns(t *testing.T) {
	for _, mono := range []time.Duration{0, -90 * 365 * 24 * time.Hour, 34 * 365 * 24 * time.Hour,
		1234567 * time.Microsecond} {
		text, err := json.Marshal(moment.StandIn(mono))
		require.NoError(t, err)
		var back time.Time
		require.NoError(t, json.Unmarshal(text, &back))
		got, ok := moment.IsStandIn(back)
		assert.True(t, ok)
		assert.Equal(t, mono, got)
	}
	for _, at := range []time.Time{{}, time.Unix(0, 0), time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC),
		time.Date(1601, 1, 1, 0, 0, 0, 0, time.UTC)} {
		_, ok := moment.IsStandIn(at)
		assert.False(t, ok, at)
	}
}
