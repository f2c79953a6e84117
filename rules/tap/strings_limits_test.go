package tap_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/tap"
)

// Each limit from both sides.
func TestLimitsOfStrings(t *testing.T) {
	learned := func(restFor time.Duration, windows int) *pair {
		p := newPair(1, 1)
		for range windows*31 + 2 {
			p.step(time.Minute, 12.6, 12.7, 0, func(in *tap.StringsScan) { in.RestFor, in.Full[0] = restFor, true })
		}
		return p
	}
	assert.False(t, learned(175*time.Minute, 2).l.TapsV(0, 12).Known, "the surface charges are not gone yet")
	assert.True(t, learned(185*time.Minute, 2).l.TapsV(0, 12).Known)

	p := learned(4*time.Hour, 5)
	five := p.l.TapsV(0, 12)
	for range 32 {
		p.step(time.Minute, 12.6, 12.9, 0, func(in *tap.StringsScan) { in.RestFor, in.Full[0] = 4*time.Hour, true })
	}
	six := p.l.TapsV(0, 12)
	assert.Greater(t, six.Value, five.Value, "the sixth average counts")
	for range 96 {
		p.step(time.Minute, 12.6, 13.4, 0, func(in *tap.StringsScan) { in.RestFor, in.Full[0] = 4*time.Hour, true })
	}
	assert.Equal(t, six, p.l.TapsV(0, 12), "and no other")

	p = newPair(1, 1)
	held := func(seconds int, diff float64) {
		for range seconds {
			p.step(time.Second, 14, 14+diff, 1, func(in *tap.StringsScan) { in.Held[0] = true })
		}
	}
	held(1200, 0.8)
	held(300, 1.2)
	assert.InDelta(t, 0.8+0.4*(1-math.Exp(-1)), p.l.HeldV(0).Value, 0.002, "5 min")

	run := func(from time.Duration, seconds, diff, a float64) {
		for k := range int(seconds * 100) {
			p.step(10*time.Millisecond, a, a+diff, -60, func(in *tap.StringsScan) {
				in.Running, in.RunFor = true, from+time.Duration(k)*10*time.Millisecond
			})
		}
	}
	run(1100*time.Millisecond, 0.1, 0.3, 12)
	assert.True(t, p.l.RunV(0).Known, "the inrush is over")
	run(1200*time.Millisecond, 6, 0.3, 12)
	run(8*time.Second, 2, 0.5, 12)
	assert.InDelta(t, 0.3+0.2*(1-math.Exp(-1)), p.l.RunV(0).Value, 0.003, "2 s")

	for _, c := range []struct {
		a, diff float64
		ok      bool
	}{{3.1, 0, true}, {2.9, 0, false}, {12, 39, true}, {12, 41, false}, {12, -39, true}, {12, -41, false}} {
		p = newPair(1, 1)
		run(2*time.Second, 0.1, c.diff, c.a)
		assert.Equal(t, c.ok, p.l.RunV(0).Known, "%+v", c)
	}

	p = newPair(1, 1)
	p.l.Recalibrated(0, true)
	p.l.Recalibrated(1, true)
	run(2*time.Second, 0.1, 0, 12.6)
	assert.InDelta(t, math.Sqrt(0.03*0.03+0.01*0.01+5*0.002*0.002), p.l.RunV(0).Sigma, 1e-9)
}
