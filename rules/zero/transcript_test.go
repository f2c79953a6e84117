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
			"0.6823±0.1177 0.6823±0.2321 true; -0.0126±0.1070 -0.0126±0.2268 false; drain 0.0204±0.2128",
			"0.6845±0.1111 0.6845±0.2288 true; -0.0133±0.1062 -0.0133±0.2264 false; drain 0.0215±0.2114",
			"0.6853±0.1086 0.6853±0.2276 true; -0.0135±0.1059 -0.0135±0.2263 false; drain 0.0220±0.2109",
			"0.6857±0.1075 0.6857±0.2270 true; -0.0136±0.1059 -0.0136±0.2263 false; drain 0.0221±0.2107",
			"0.6859±0.1069 0.6859±0.2268 true; -0.0137±0.1059 -0.0137±0.2263 false; drain 0.0222±0.2106",
			"0.6860±0.1066 0.6860±0.2266 true; -0.0137±0.1059 -0.0137±0.2263 false; drain 0.0222±0.2106",
			"0.6861±0.1073 0.6863±0.1171 true; -0.0139±0.1073 -0.0140±0.1177 false; drain 0.0223±0.2109",
			"0.6861±0.1075 0.6863±0.1143 true; -0.0139±0.1075 -0.0140±0.1149 false; drain 0.0223±0.2118",
		}},
		{"all off a little, four batteries", func() *bench {
			b := newBench(4)
			b.errA = func(i int) float64 { return 0.15 - 0.1*float64(i) }
			return b
		}, []string{
			"0.1348±0.0677 0.1348±0.2111 false; 0.0449±0.0677 0.0449±0.2111 false; -0.0449±0.0677 -0.0449±0.2111 false; -0.1348±0.0677 -0.1348±0.2111 false; drain 0.0500±0.2124",
			"0.1429±0.0607 0.1429±0.2090 false; 0.0476±0.0607 0.0476±0.2090 false; -0.0476±0.0607 -0.0476±0.2090 false; -0.1429±0.0607 -0.1429±0.2090 false; drain 0.0500±0.2124",
			"0.1461±0.0578 0.1461±0.2082 false; 0.0487±0.0578 0.0487±0.2082 false; -0.0487±0.0578 -0.0487±0.2082 false; -0.1461±0.0578 -0.1461±0.2082 false; drain 0.0500±0.2124",
			"0.1477±0.0564 0.1477±0.2078 false; 0.0492±0.0564 0.0492±0.2078 false; -0.0492±0.0564 -0.0492±0.2078 false; -0.1477±0.0564 -0.1477±0.2078 false; drain 0.0500±0.2124",
			"0.1485±0.0557 0.1485±0.2076 false; 0.0495±0.0557 0.0495±0.2076 false; -0.0495±0.0557 -0.0495±0.2076 false; -0.1485±0.0557 -0.1485±0.2076 false; drain 0.0500±0.2124",
			"0.1490±0.0553 0.1490±0.2075 false; 0.0497±0.0553 0.0497±0.2075 false; -0.0497±0.0553 -0.0497±0.2075 false; -0.1490±0.0553 -0.1490±0.2075 false; drain 0.0500±0.2124",
			"0.1500±0.0580 0.1509±0.0773 false; 0.0500±0.0580 0.0503±0.0773 false; -0.0500±0.0580 -0.0503±0.0773 false; -0.1500±0.0580 -0.1509±0.0773 false; drain 0.0500±0.2127",
			"0.1500±0.0574 0.1509±0.0701 false; 0.0500±0.0574 0.0503±0.0701 false; -0.0500±0.0574 -0.0503±0.0701 false; -0.1500±0.0574 -0.1509±0.0701 false; drain 0.0500±0.2137",
		}},
		{"a drain, one battery", func() *bench {
			b := newBench(1)
			b.flow, b.fallPerH = func(int) float64 { return -0.5 }, 0.0063
			return b
		}, []string{
			"-0.0900±0.1346 -0.0900±0.2411 false; drain 0.4093±0.1348",
			"-0.0902±0.1347 -0.0902±0.2411 false; drain 0.4094±0.1347",
			"-0.0903±0.1349 -0.0903±0.2412 false; drain 0.4095±0.1346",
			"-0.0904±0.1350 -0.0904±0.2413 false; drain 0.4095±0.1346",
			"-0.0904±0.1351 -0.0904±0.2413 false; drain 0.4095±0.1347",
			"-0.0904±0.1351 -0.0904±0.2414 false; drain 0.4095±0.1347",
			"-0.0905±0.1358 -0.0905±0.1421 false; drain 0.4095±0.1352",
			"-0.0905±0.1371 -0.0905±0.1430 false; drain 0.4095±0.1366",
		}},
		{"currents between neighbors", func() *bench {
			b := newBench(2)
			b.flow = func(i int) float64 { return 0.3 - 0.6*float64(i) - 0.025 }
			return b
		}, []string{
			"0.2696±0.0933 0.2696±0.2207 false; -0.2696±0.0933 -0.2696±0.2207 false; drain 0.0500±0.1736",
			"0.2858±0.0902 0.2858±0.2194 false; -0.2858±0.0902 -0.2858±0.2194 false; drain 0.0500±0.1735",
			"0.2922±0.0889 0.2922±0.2189 false; -0.2922±0.0889 -0.2922±0.2189 false; drain 0.0500±0.1736",
			"0.2953±0.0884 0.2953±0.2187 false; -0.2953±0.0884 -0.2953±0.2187 false; drain 0.0500±0.1736",
			"0.2970±0.0881 0.2970±0.2185 false; -0.2970±0.0881 -0.2970±0.2185 false; drain 0.0500±0.1736",
			"0.2980±0.0879 0.2980±0.2185 false; -0.2980±0.0879 -0.2980±0.2185 false; drain 0.0500±0.1736",
			"0.3000±0.0893 0.3019±0.1010 false; -0.3000±0.0893 -0.3019±0.1010 false; drain 0.0500±0.1740",
			"0.3000±0.0895 0.3019±0.0978 false; -0.3000±0.0895 -0.3019±0.0978 false; drain 0.0500±0.1751",
		}},
		{"a charger that trickles", func() *bench {
			b := newBench(2)
			b.flow, b.fallPerH = func(int) float64 { return 0.1 }, -0.05
			return b
		}, []string{
			"0.0000±0.1504 0.0000±0.2503 false; 0.0000±0.1504 0.0000±0.2503 false; drain 0.0500±0.3000",
			"0.0000±0.1507 0.0000±0.2504 false; 0.0000±0.1507 0.0000±0.2504 false; drain 0.0500±0.3000",
			"0.0000±0.1509 0.0000±0.2506 false; 0.0000±0.1509 0.0000±0.2506 false; drain 0.0500±0.3001",
			"0.0000±0.1512 0.0000±0.2507 false; 0.0000±0.1512 0.0000±0.2507 false; drain 0.0500±0.3001",
			"0.0000±0.1513 0.0000±0.2508 false; 0.0000±0.1513 0.0000±0.2508 false; drain 0.0500±0.3001",
			"0.0000±0.1513 0.0000±0.2508 false; 0.0000±0.1513 0.0000±0.2508 false; drain 0.0500±0.3001",
			"0.0000±0.2508 0.0000±0.4277 false; 0.0000±0.2508 0.0000±0.4277 false; drain 0.0500±0.3001",
			"0.0000±0.2608 0.0000±0.4336 false; 0.0000±0.2608 0.0000±0.4336 false; drain 0.0500±0.3010",
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
