package tries

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

type clock struct{ t time.Time }

func (c *clock) now() time.Time { return c.t }

func limit() (*Limit, *clock) {
	c := &clock{time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)}
	return New(Options{OfOne: 5, OfAll: 20, Every: time.Minute, Now: c.now}), c
}

func TestOneAddressUsesUpItsOwn(t *testing.T) {
	l, c := limit()
	for range 5 {
		assert.Zero(t, l.Take("10.0.0.1"))
	}
	assert.Equal(t, time.Minute, l.Take("10.0.0.1"))
	assert.Zero(t, l.Take("10.0.0.2"))
	for range 100 { // what is turned away costs nobody else anything
		assert.NotZero(t, l.Take("10.0.0.1"))
	}
	assert.InDelta(t, 14, l.Left(), 1e-9)
	c.t = c.t.Add(time.Minute)
	assert.Zero(t, l.Take("10.0.0.1"))
	assert.NotZero(t, l.Take("10.0.0.1"))
	l.Right("10.0.0.1", false)
	for range 5 {
		assert.Zero(t, l.Take("10.0.0.1"))
	}
}

// A day of tries from ever new addresses: not more than the burst and one a minute.
func TestManyAddressesHaveALimitTogether(t *testing.T) {
	l, c := limit()
	taken := 0
	for i := range 24 * 3600 {
		if l.Take(fmt.Sprintf("10.%d.%d.%d", i>>16, i>>8&255, i&255)) == 0 {
			taken++
		}
		c.t = c.t.Add(time.Second)
	}
	assert.InDelta(t, 24*60+20, taken, 1)
	assert.LessOrEqual(t, len(l.address), maxAddresses)
	assert.Zero(t, l.TakeKnown("device"), "who is known is not shut out")
}

func TestKnownOnesHaveALimitToo(t *testing.T) {
	l, _ := limit()
	for range 5 {
		assert.Zero(t, l.TakeKnown("device"))
	}
	assert.Equal(t, time.Minute, l.TakeKnown("device"))
	assert.InDelta(t, 20, l.Left(), 1e-9)
}

func TestAClockPutBackGivesNothing(t *testing.T) {
	l, c := limit()
	l.SetLeft(0)
	c.t = c.t.Add(-time.Hour)
	assert.Equal(t, time.Minute, l.Take("10.2.0.1"))
	for _, bad := range []float64{math.NaN(), -1, math.Inf(-1)} {
		l.SetLeft(bad)
		assert.Equal(t, time.Minute, l.Take("10.2.0.1"))
	}
	l.SetLeft(math.Inf(1))
	assert.InDelta(t, 20, l.Left(), 1e-9)
}

func TestHost(t *testing.T) {
	for from, want := range map[string]string{
		"10.0.0.1:80": "10.0.0.1", "[::ffff:10.0.0.1]:80": "10.0.0.1", "[2001:db8::1]:80": "2001:db8::/64",
		"[2001:db8::ffff:1]:80": "2001:db8::/64", "[fe80::1%eth0]:1": "fe80::/64", "pipe": "pipe", "x:1": "x", "": "",
	} {
		assert.Equal(t, want, Host(from), from)
	}
}
