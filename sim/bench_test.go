package sim

import (
	"testing"
	"time"

	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

// One operation is a simulated working day: rest, charge and some thirty runs; of two and four batteries in
// parallel and in series, and of strings with something on one battery alone.
func BenchmarkDay(b *testing.B) {
	for _, name := range []string{"healthy-day", "series-healthy", "healthy-four", "pairs-healthy", "series-tap-load",
		"series-equalizer"} {
		b.Run(name, func(b *testing.B) { benchmarkDay(b, name) })
	}
}

func benchmarkDay(b *testing.B, name string) {
	sc, err := scenariofile.Load(name)
	if err != nil {
		b.Fatal(err)
	}
	sc.Days, sc.Weather = 4000, scenario.Default().Weather
	sc.Duty = scenario.Default().Duty
	sc.Duty.WorkDays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}
	u, err := New(sc, 0)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for at := time.Duration(0); b.Loop(); {
		at += 24 * time.Hour
		u.AdvanceTo(at)
	}
	b.ReportMetric(86400*float64(b.N)/b.Elapsed().Seconds(), "simulated_s/s")
}
