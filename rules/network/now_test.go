package network

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/unit"
)

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

func TestMohmNow(t *testing.T) {
	assert.InDelta(t, 2.743, MohmNow(good(-58.4), good(-0.1602)).Value, 0.001)
	assert.InDelta(t, -2, MohmNow(good(50), good(-0.1)).Value, 1e-9, "against its current: shown, so that it is seen")
	assert.True(t, MohmNow(good(LeastNowA), good(0.001)).OK())
	assert.False(t, MohmNow(good(4.99), good(0.1)).OK(), "too little current")
	assert.False(t, MohmNow(unit.Reading{}, good(0.1)).OK())
	assert.False(t, MohmNow(good(50), unit.Reading{}).OK())
}

func TestPathNow(t *testing.T) {
	drop, mohm := PathNow(good(12.2), good(11.639), good(116.6))
	assert.InDelta(t, 0.561, drop.Value, 1e-9)
	assert.InDelta(t, 4.811, mohm.Value, 0.001)
	for _, c := range [][3]unit.Reading{
		{good(12), good(11), good(-50)}, {good(12), good(11), good(1)}, {good(12), good(11), {}},
		{{}, good(11), good(50)}, {good(12), {}, good(50)},
	} {
		drop, mohm = PathNow(c[0], c[1], c[2])
		assert.False(t, drop.OK() || mohm.OK(), "%v", c)
	}
}
