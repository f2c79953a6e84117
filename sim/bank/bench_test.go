package bank

import (
	"testing"

	"liftbank/sim/cell"
)

func pair(tb testing.TB) *Bank {
	tb.Helper()
	batteries := make([]cell.Battery, 2)
	for k := range batteries {
		var err error
		if batteries[k], err = cell.New(cell.Spec{Chemistry: cell.Flooded, RatedAh: 100, RatedCCA: 950}, 90,
			20); err != nil {
			tb.Fatal(err)
		}
	}
	w := Wiring{
		PositiveLink: [3]float64{0.5e-3}, NegativeLink: [3]float64{0.5e-3},
		FeedNegative: Lead{At: 1, Ohm: 2e-3}, FeedPositive: Lead{Ohm: 2e-3},
		LoadNegative: Lead{At: 1, Ohm: 1e-3}, LoadPositive: Lead{Ohm: 1.5e-3},
	}
	for k := range w.PositivePost {
		w.PositivePost[k], w.NegativePost[k] = 1e-4, 1e-4
	}
	b, err := New(w, batteries)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// One step is a solution and the passing of its time, both batteries included.
func BenchmarkStepTwoBatteries(b *testing.B) {
	off, on := Source{Joined: true}, Source{Joined: true, On: true, SetV: 14.4, LimitA: 40, LimitW: 500}
	for _, c := range []struct {
		name string
		src  Source
		load Load
		dtS  float64
	}{
		{"rest", off, Load{DrainA: 0.015}, 1},
		{"charge", on, Load{DrainA: 0.015}, 1},
		{"run", off, Load{Joined: true, BackEMFV: 8.5, Ohm: 0.026, DrainA: 0.015}, 0.005},
	} {
		b.Run(c.name, func(b *testing.B) {
			bank := pair(b)
			b.ReportAllocs()
			n := 0
			for i := 0; b.Loop(); i++ {
				if i%20000 == 0 {
					bank = pair(b)
				}
				bank.Solve(c.src, c.load)
				bank.Step(c.dtS, 20)
				n += bank.iterations
			}
			b.ReportMetric(float64(n)/float64(b.N), "iterations/op")
		})
	}
}
