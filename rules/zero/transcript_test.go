package zero_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// What is learned in a few histories, to four digits: whoever changes the learner or a constant of it
// sees here what that does. What is true is for the other tests to say.
func TestWhatHistoriesTeach(t *testing.T) {
	told := func(b *bench) (text string) {
		for i := range b.n {
			z, warm := b.zero(i), b.l.ZeroA(i, good(b.tempC+20))
			text += fmt.Sprintf("%.4f±%.4f %.4f±%.4f %v; ", z.Value, z.Sigma, warm.Value, warm.Sigma, b.l.Off(i))
		}
		d := b.l.DrainA()
		return text + fmt.Sprintf("drain %.4f±%.4f", d.Value, d.Sigma)
	}
	for _, tt := range []struct {
		name string
		play func() *bench
		want []string // after a rest, a day and a warmer rest, and five more days
	}{
		{"one off, two batteries", func() *bench { b := newBench(2); b.errA = only(0, 0.7); return b }, []string{
			"0.6823±0.1177 0.6823±0.2321 true; -0.0126±0.1070 -0.0126±0.2268 false; drain 0.0204±0.2128",
			"0.6852±0.1084 0.6878±0.1181 true; -0.0147±0.1083 -0.0167±0.1268 false; drain 0.0205±0.2130",
			"0.6852±0.1085 0.6878±0.1154 true; -0.0148±0.1085 -0.0167±0.1245 false; drain 0.0205±0.2139",
		}},
		{"all off a little, four batteries", func() *bench {
			b := newBench(4)
			b.errA = func(i int) float64 { return 0.15 - 0.1*float64(i) }
			return b
		}, []string{
			"0.1348±0.0677 0.1348±0.2111 false; 0.0449±0.0677 0.0449±0.2111 false; -0.0449±0.0677 -0.0449±0.2111 false; -0.1348±0.0677 -0.1348±0.2111 false; drain 0.0500±0.2124",
			"0.1498±0.0580 0.1636±0.0852 false; 0.0499±0.0580 0.0545±0.0852 false; -0.0499±0.0580 -0.0545±0.0852 false; -0.1498±0.0580 -0.1636±0.0852 false; drain 0.0500±0.2127",
			"0.1500±0.0574 0.1639±0.0791 false; 0.0500±0.0574 0.0546±0.0791 false; -0.0500±0.0574 -0.0546±0.0791 false; -0.1500±0.0574 -0.1639±0.0791 false; drain 0.0500±0.2136",
		}},
		{"a drain, one battery", func() *bench {
			b := newBench(1)
			b.flow, b.fallPerH = func(int) float64 { return -0.5 }, 0.0063
			return b
		}, []string{
			"-0.0900±0.1346 -0.0900±0.2411 false; drain 0.4093±0.1348",
			"-0.0907±0.1358 -0.0914±0.1432 false; drain 0.4093±0.1353",
			"-0.0907±0.1372 -0.0914±0.1441 false; drain 0.4093±0.1366",
		}},
		{"currents between neighbors", func() *bench {
			b := newBench(2)
			b.flow = func(i int) float64 { return 0.3 - 0.6*float64(i) - 0.025 }
			return b
		}, []string{
			"0.2696±0.0933 0.2696±0.2207 false; -0.2696±0.0933 -0.2696±0.2207 false; drain 0.0500±0.1736",
			"0.2996±0.0892 0.3272±0.1054 false; -0.2996±0.0892 -0.3272±0.1054 false; drain 0.0500±0.1740",
			"0.3000±0.0895 0.3277±0.1025 false; -0.3000±0.0895 -0.3277±0.1025 false; drain 0.0500±0.1751",
		}},
		{"a charger that trickles", func() *bench {
			b := newBench(2)
			b.flow, b.fallPerH = func(int) float64 { return 0.1 }, -0.05
			return b
		}, []string{
			"0.0000±0.1504 0.0000±0.2503 false; 0.0000±0.1504 0.0000±0.2503 false; drain 0.0500±0.3000",
			"0.0000±0.2526 0.0000±0.4287 false; 0.0000±0.2526 0.0000±0.4287 false; drain 0.0500±0.3002",
			"0.0000±0.2600 0.0000±0.4331 false; 0.0000±0.2600 0.0000±0.4331 false; drain 0.0500±0.3009",
		}},
	} {
		b := tt.play()
		var got []string
		b.rests(5 * time.Hour)
		got = append(got, told(b))
		b.wakes()
		b.now, b.tempC = b.now+24*time.Hour, 45
		b.rests(9 * time.Hour)
		got = append(got, told(b))
		for range 5 {
			b.wakes()
			b.now, b.volts = b.now+12*time.Hour, 12.6
			b.rests(8 * time.Hour)
		}
		got = append(got, told(b))
		if !assert.Equal(t, tt.want, got, tt.name) {
			for _, g := range got {
				fmt.Printf("\t\t\t%q,\n", g)
			}
		}
	}
}
