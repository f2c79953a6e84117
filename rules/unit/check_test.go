package unit_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/unit"
)

func TestCheck(t *testing.T) {
	var nan, inf = math.NaN(), math.Inf(1)
	for _, tt := range []struct {
		name  string
		check func(c *unit.Check)
		want  string // empty: nothing is wrong
	}{
		{"in", func(c *unit.Check) { c.In("x", 1, 1, 2); c.In("x", 2, 1, 2) }, ""},
		{"below", func(c *unit.Check) { c.In("x", 0.9, 1, 2) }, "x: 0.9: want 1 to 2"},
		{"above", func(c *unit.Check) { c.In("x", 2.1, 1, 2) }, "x: 2.1: want 1 to 2"},
		{"nan in", func(c *unit.Check) { c.In("x", nan, 1, 2) }, "x: NaN: want 1 to 2"},
		{"finite", func(c *unit.Check) { c.Finite("x", -1e12, 0, 1e12) }, ""},
		{"nan", func(c *unit.Check) { c.Finite("x", 0, nan) }, "x: NaN: want -1e+15 to 1e+15"},
		{"inf", func(c *unit.Check) { c.Finite("x", inf) }, "x: +Inf: want -1e+15 to 1e+15"},
		{"minus inf", func(c *unit.Check) { c.Finite("x", -inf) }, "x: -Inf: want -1e+15 to 1e+15"},
		{"sum", func(c *unit.Check) { c.Sum("x", 0, 1e12) }, ""},
		{"negative sum", func(c *unit.Check) { c.Sum("x", 0, -1) }, "x: -1: want 0 to 1e+15"},
		{"inf sum", func(c *unit.Check) { c.Sum("x", inf) }, "x: +Inf: want 0 to 1e+15"},
		{"nan sum", func(c *unit.Check) { c.Sum("x", nan) }, "x: NaN: want 0 to 1e+15"},
		{"time", func(c *unit.Check) { c.Time("x", 0, 100*365*24*time.Hour) }, ""},
		{"negative time", func(c *unit.Check) { c.Time("x", time.Second, -time.Second) }, "x: -1s: want 0 or more"},
		{"no room", func(c *unit.Check) { c.Time("x", math.MaxInt64) }, "x: 2562047h47m16.854775807s: want 0 or more"},
		{"all", func(c *unit.Check) { c.Sum("x", -1, -2); c.Wrong("y %d", 3) },
			"x: -1: want 0 to 1e+15\nx: -2: want 0 to 1e+15\ny 3"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var c unit.Check
			tt.check(&c)
			if tt.want == "" {
				assert.NoError(t, c.Err())
				return
			}
			assert.EqualError(t, c.Err(), tt.want)
		})
	}
}
