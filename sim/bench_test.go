package sim

import (
	"testing"
	"time"

	"liftbank/cmd/scenariofile"
)

// One operation is a simulated working day: rest, charge and some thirty runs.
func BenchmarkDay(b *testing.B) {
	sc, err := scenariofile.Load("healthy-day")
	if err != nil {
		b.Fatal(err)
	}
	sc.Days = 4000
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
