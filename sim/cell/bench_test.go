package cell

import "testing"

// One battery-step is a step and the two questions a network solver asks before it.
func BenchmarkStep(b *testing.B) {
	cases := []struct {
		name     string
		amps, dt float64
	}{{"rest", 0, 1}, {"motor run", -60, 0.005}, {"parked drain", -0.02, 1}, {"charge", 10, 1}}
	for _, c := range cases {
		b.Run(c.name, func(b *testing.B) {
			start := newBattery(b, range12V[0], 80, 25)
			cell, n, sum := start, 0, 0.0
			b.ReportAllocs()
			for b.Loop() {
				v, _ := cell.Terminal(c.amps + 0.01)
				w, _ := cell.Terminal(c.amps)
				cell.Step(c.dt, c.amps, 25)
				sum += v + w
				if n++; n%4000 == 0 {
					cell = start
				}
			}
			sink = sum
		})
	}
}

func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		newBattery(b, range12V[0], 80, 25)
	}
}

func BenchmarkCrankingA(b *testing.B) {
	cell := newBattery(b, range12V[0], 80, 25)
	for b.Loop() {
		sink += cell.CrankingA()
	}
}

var sink float64
