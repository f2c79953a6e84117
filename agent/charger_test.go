package agent

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules"
	"liftbank/rules/unit"
)

// A bank of 24 V at rest is no charger, though its posts are over any battery's; a charger's voltage on one of
// its batteries is one, and a feed ahead of the whole string.
func TestChargerOn(t *testing.T) {
	v := func(x float64) unit.Reading { return unit.Reading{Value: x, Quality: unit.Good} }
	in := func(feed float64, own ...float64) *rules.Input {
		var s rules.Input
		for i, x := range own {
			s.Battery[i].VoltageV = v(x)
		}
		s.FeedV = v(feed)
		return &s
	}
	for _, tt := range []struct {
		layout unit.Layout
		in     *rules.Input
		n      int
		want   bool
	}{
		{unit.Parallel, in(12.7, 12.7, 12.7), 2, false}, {unit.Parallel, in(13.2, 12.7, 12.7), 2, true}, {unit.Parallel, in(13.6, 13.6, 13.6), 2, true},
		{unit.Series, in(25.4, 12.7, 12.7), 2, false}, {unit.Series, in(25.9, 12.7, 12.7), 2, false}, {unit.Series, in(26.1, 12.7, 12.7), 2, true},
		{unit.Series, in(25.4, 13.6, 11.8), 2, true}, {unit.Series, in(0, 12.7, 12.7), 2, false},
		{unit.SeriesPairs, in(25.4, 12.7, 12.7, 12.6, 12.8), 4, false}, {unit.SeriesPairs, in(26.1, 12.7, 25.0, 12.6, 12.8), 4, true},
	} {
		assert.Equal(t, tt.want, chargerOn(tt.in, tt.layout, tt.n), "%v %+v", tt.layout, tt.in.Battery)
	}
	unread := in(25.4, 12.7)
	assert.False(t, chargerOn(unread, unit.Series, 2), "half a string says nothing of the feed")
	unread.WakeLine = unit.ContactOn
	assert.True(t, chargerOn(unread, unit.Series, 2))
}
