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
		want []string // after a rest, as it goes on, a day and a warmer rest, and five more days
	}{
		{"one off, two batteries", func() *bench { b := newBench(2); b.errA = only(0, 0.7); return b }, []string{
			"0.6877±0.0950 0.6877±0.2214 true; -0.0078±0.0869 -0.0078±0.2181 false; drain 0.0300±0.1668",
			"0.6893±0.0887 0.6893±0.2188 true; -0.0087±0.0849 -0.0087±0.2173 false; drain 0.0307±0.1661",
			"0.6899±0.0863 0.6899±0.2178 true; -0.0090±0.0842 -0.0090±0.2170 false; drain 0.0310±0.1659",
			"0.6902±0.0852 0.6902±0.2174 true; -0.0092±0.0840 -0.0092±0.2169 false; drain 0.0311±0.1658",
			"0.6904±0.0846 0.6904±0.2172 true; -0.0092±0.0838 -0.0092±0.2169 false; drain 0.0311±0.1657",
			"0.6904±0.0843 0.6904±0.2170 true; -0.0093±0.0838 -0.0093±0.2168 false; drain 0.0311±0.1657",
			"0.6906±0.0855 0.6907±0.0976 true; -0.0094±0.0854 -0.0096±0.0980 false; drain 0.0311±0.1662",
			"0.6906±0.0857 0.6907±0.0942 true; -0.0094±0.0857 -0.0096±0.0946 false; drain 0.0311±0.1673",
		}},
		{"all off a little, four batteries", func() *bench {
			b := newBench(4)
			b.errA = func(i int) float64 { return 0.15 - 0.1*float64(i) }
			return b
		}, []string{
			"0.1348±0.0592 0.1348±0.2086 false; 0.0449±0.0592 0.0449±0.2086 false; -0.0449±0.0592 -0.0449±0.2086 false; -0.1348±0.0592 -0.1348±0.2086 false; drain 0.0500±0.1665",
			"0.1429±0.0511 0.1429±0.2064 false; 0.0476±0.0511 0.0476±0.2064 false; -0.0476±0.0511 -0.0476±0.2064 false; -0.1429±0.0511 -0.1429±0.2064 false; drain 0.0500±0.1666",
			"0.1461±0.0475 0.1461±0.2056 false; 0.0487±0.0475 0.0487±0.2056 false; -0.0487±0.0475 -0.0487±0.2056 false; -0.1461±0.0475 -0.1461±0.2056 false; drain 0.0500±0.1666",
			"0.1477±0.0458 0.1477±0.2052 false; 0.0492±0.0458 0.0492±0.2052 false; -0.0492±0.0458 -0.0492±0.2052 false; -0.1477±0.0458 -0.1477±0.2052 false; drain 0.0500±0.1666",
			"0.1485±0.0449 0.1485±0.2050 false; 0.0495±0.0449 0.0495±0.2050 false; -0.0495±0.0449 -0.0495±0.2050 false; -0.1485±0.0449 -0.1485±0.2050 false; drain 0.0500±0.1666",
			"0.1490±0.0444 0.1490±0.2049 false; 0.0497±0.0444 0.0497±0.2049 false; -0.0497±0.0444 -0.0497±0.2049 false; -0.1490±0.0444 -0.1490±0.2049 false; drain 0.0500±0.1666",
			"0.1500±0.0477 0.1509±0.0699 false; 0.0500±0.0477 0.0503±0.0699 false; -0.0500±0.0477 -0.0503±0.0699 false; -0.1500±0.0477 -0.1509±0.0699 false; drain 0.0500±0.1671",
			"0.1500±0.0471 0.1509±0.0619 false; 0.0500±0.0471 0.0503±0.0619 false; -0.0500±0.0471 -0.0503±0.0619 false; -0.1500±0.0471 -0.1509±0.0619 false; drain 0.0500±0.1683",
		}},
		{"a drain, one battery", func() *bench {
			b := newBench(1)
			b.flow, b.fallPerH = func(int) float64 { return -0.5 }, 0.0063
			return b
		}, []string{
			"-0.1618±0.1205 -0.1618±0.2335 false; drain 0.3369±0.1204",
			"-0.1621±0.1206 -0.1621±0.2335 false; drain 0.3372±0.1204",
			"-0.1623±0.1207 -0.1623±0.2336 false; drain 0.3373±0.1204",
			"-0.1624±0.1208 -0.1624±0.2337 false; drain 0.3373±0.1204",
			"-0.1625±0.1209 -0.1625±0.2337 false; drain 0.3373±0.1204",
			"-0.1626±0.1209 -0.1626±0.2337 false; drain 0.3373±0.1204",
			"-0.1627±0.1216 -0.1628±0.1287 false; drain 0.3373±0.1210",
			"-0.1627±0.1231 -0.1628±0.1297 false; drain 0.3373±0.1225",
		}},
		{"currents between neighbors", func() *bench {
			b := newBench(2)
			b.flow = func(i int) float64 { return 0.3 - 0.6*float64(i) - 0.025 }
			return b
		}, []string{
			"0.2696±0.0807 0.2696±0.2157 false; -0.2696±0.0807 -0.2696±0.2157 false; drain 0.0500±0.1458",
			"0.2858±0.0769 0.2858±0.2143 false; -0.2858±0.0769 -0.2858±0.2143 false; drain 0.0500±0.1458",
			"0.2922±0.0755 0.2922±0.2138 false; -0.2922±0.0755 -0.2922±0.2138 false; drain 0.0500±0.1458",
			"0.2953±0.0748 0.2953±0.2135 false; -0.2953±0.0748 -0.2953±0.2135 false; drain 0.0500±0.1458",
			"0.2970±0.0744 0.2970±0.2134 false; -0.2970±0.0744 -0.2970±0.2134 false; drain 0.0500±0.1458",
			"0.2980±0.0743 0.2980±0.2133 false; -0.2980±0.0743 -0.2980±0.2133 false; drain 0.0500±0.1458",
			"0.3000±0.0758 0.3019±0.0893 false; -0.3000±0.0758 -0.3019±0.0893 false; drain 0.0500±0.1463",
			"0.3000±0.0761 0.3019±0.0857 false; -0.3000±0.0761 -0.3019±0.0857 false; drain 0.0500±0.1477",
		}},
		{"a charger that trickles", func() *bench {
			b := newBench(2)
			b.flow, b.fallPerH = func(int) float64 { return 0.1 }, -0.05
			return b
		}, []string{
			"0.0000±0.1504 0.0000±0.2503 false; 0.0000±0.1504 0.0000±0.2503 false; drain 0.0500±0.2000",
			"0.0000±0.1507 0.0000±0.2504 false; 0.0000±0.1507 0.0000±0.2504 false; drain 0.0500±0.2001",
			"0.0000±0.1509 0.0000±0.2506 false; 0.0000±0.1509 0.0000±0.2506 false; drain 0.0500±0.2001",
			"0.0000±0.1512 0.0000±0.2507 false; 0.0000±0.1512 0.0000±0.2507 false; drain 0.0500±0.2001",
			"0.0000±0.1513 0.0000±0.2508 false; 0.0000±0.1513 0.0000±0.2508 false; drain 0.0500±0.2001",
			"0.0000±0.1513 0.0000±0.2508 false; 0.0000±0.1513 0.0000±0.2508 false; drain 0.0500±0.2001",
			"0.0000±0.2508 0.0000±0.4277 false; 0.0000±0.2508 0.0000±0.4277 false; drain 0.0500±0.2001",
			"0.0000±0.2608 0.0000±0.4336 false; 0.0000±0.2608 0.0000±0.4336 false; drain 0.0500±0.2015",
		}},
	} {
		b := tt.play()
		var got []string
		b.rests(5 * time.Hour)
		got = append(got, told(b))
		for range 5 {
			b.goesOn(2 * time.Hour)
			got = append(got, told(b))
		}
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
