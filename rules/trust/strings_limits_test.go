package trust_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/unit"
)

// Each limit from both sides.
func TestLimitsOfStrings(t *testing.T) {
	for v, ok := range map[float64]bool{17.5: true, 18.5: false, 5.2: true, 4.8: false} {
		b, step := newStrings(t, unit.Series, 2)
		b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV, b.in.Battery[1].NegativeV = good(v), good(v+12.6), unit.Reading{}
		step(time.Second)
		assert.Equal(t, ok, believed(b, unit.Series)[0], "%g V", v)
	}
	for v, wrongFeed := range map[float64]bool{15.4: true, 15.8: false, 9.8: true, 9.4: false} {
		b, step := newStrings(t, unit.Series, 2)
		b.in.WakeLine, b.in.Battery[0].CurrentA, b.in.MotorV, b.in.FeedV = unit.ContactOn, good(10), unit.Reading{}, good(v)
		for range 10 {
			step(time.Minute)
		}
		assert.Equal(t, !wrongFeed, b.c.Doubted(unit.Feed), "%g V", v)
	}
	for part, swapped := range map[float64]bool{0.77: true, 0.73: false} {
		b, step := newStrings(t, unit.SeriesPairs, 4)
		b.in.Battery[0].VoltageV, b.in.Battery[3].VoltageV = good(part*25.2), good(12.6)
		for range 10 {
			step(time.Second)
		}
		assert.False(t, b.c.Doubted(voltA), "not for 10 s yet")
		step(time.Second)
		assert.Equal(t, swapped, b.c.Doubted(voltA), "%g of the string's voltage", part)
	}
}

// A charger for 12 V on one battery of two: at rest its output shows that battery alone. A tap of the feed that
// shows no battery's voltage is still a fault.
func TestAFeedOnOneBattery(t *testing.T) {
	for v, fault := range map[float64]bool{12.9: false, 18.0: true} {
		b, step := newStrings(t, unit.Series, 2)
		b.in.WakeLine, b.in.MotorV, b.in.FeedV = unit.ContactOff, unit.Reading{}, good(v)
		b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV = good(12.9), good(12.9+6)
		for range 300 {
			step(time.Minute)
		}
		assert.Equal(t, fault, b.c.Doubted(unit.Feed), "%g V", v)
	}
}
