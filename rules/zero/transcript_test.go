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
			"0.6877±0.0950 0.6877±0.2214 true; -0.0078±0.0869 -0.0078±0.2181 false; drain 0.0300±0.1668",
			"0.6900±0.0860 0.6921±0.0999 true; -0.0099±0.0858 -0.0119±0.1062 false; drain 0.0301±0.1671",
			"0.6901±0.0861 0.6921±0.0967 true; -0.0099±0.0861 -0.0119±0.1034 false; drain 0.0301±0.1683",
		}},
		{"all off a little, four batteries", func() *bench {
			b := newBench(4)
			b.errA = func(i int) float64 { return 0.15 - 0.1*float64(i) }
			return b
		}, []string{
			"0.1348±0.0592 0.1348±0.2086 false; 0.0449±0.0592 0.0449±0.2086 false; -0.0449±0.0592 -0.0449±0.2086 false; -0.1348±0.0592 -0.1348±0.2086 false; drain 0.0500±0.1665",
			"0.1498±0.0477 0.1636±0.0786 false; 0.0499±0.0477 0.0545±0.0786 false; -0.0499±0.0477 -0.0545±0.0786 false; -0.1498±0.0477 -0.1636±0.0786 false; drain 0.0500±0.1669",
			"0.1500±0.0470 0.1639±0.0719 false; 0.0500±0.0470 0.0546±0.0719 false; -0.0500±0.0470 -0.0546±0.0719 false; -0.1500±0.0470 -0.1639±0.0719 false; drain 0.0500±0.1682",
		}},
		{"a drain, one battery", func() *bench {
			b := newBench(1)
			b.flow, b.fallPerH = func(int) float64 { return -0.5 }, 0.0063
			return b
		}, []string{
			"-0.1618±0.1205 -0.1618±0.2335 false; drain 0.3369±0.1204",
			"-0.1631±0.1216 -0.1643±0.1296 false; drain 0.3369±0.1210",
			"-0.1631±0.1231 -0.1643±0.1306 false; drain 0.3369±0.1225",
		}},
		{"currents between neighbors", func() *bench {
			b := newBench(2)
			b.flow = func(i int) float64 { return 0.3 - 0.6*float64(i) - 0.025 }
			return b
		}, []string{
			"0.2696±0.0807 0.2696±0.2157 false; -0.2696±0.0807 -0.2696±0.2157 false; drain 0.0500±0.1458",
			"0.2996±0.0758 0.3272±0.0942 false; -0.2996±0.0758 -0.3272±0.0942 false; drain 0.0500±0.1462",
			"0.3000±0.0760 0.3277±0.0909 false; -0.3000±0.0760 -0.3277±0.0909 false; drain 0.0500±0.1476",
		}},
		{"a charger that trickles", func() *bench {
			b := newBench(2)
			b.flow, b.fallPerH = func(int) float64 { return 0.1 }, -0.05
			return b
		}, []string{
			"0.0000±0.1504 0.0000±0.2503 false; 0.0000±0.1504 0.0000±0.2503 false; drain 0.0500±0.2000",
			"0.0000±0.2526 0.0000±0.4287 false; 0.0000±0.2526 0.0000±0.4287 false; drain 0.0500±0.2004",
			"0.0000±0.2600 0.0000±0.4331 false; 0.0000±0.2600 0.0000±0.4331 false; drain 0.0500±0.2014",
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
