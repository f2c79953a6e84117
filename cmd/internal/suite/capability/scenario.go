package capability

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"liftbank/cmd/internal/draw"
	"liftbank/sim/scenario"
)

// kinds are the ways a battery ages, each scaled so that x = 1 leaves about 70 % of the rated
// capability.
var kinds = []struct {
	name string
	at   func(x float64) scenario.Aging
}{
	{"new", func(float64) scenario.Aging { return scenario.Aging{} }},
	{"metal", func(x float64) scenario.Aging { return scenario.Aging{RaisedResistancePct: 64 * x} }},
	{"capacity", func(x float64) scenario.Aging { return scenario.Aging{LostCapacityPct: 25 * x} }},
	{"sulfation", func(x float64) scenario.Aging { return scenario.Aging{SulfationPct: 19 * x} }},
	{"mixed", func(x float64) scenario.Aging {
		return scenario.Aging{LostCapacityPct: 9 * x, RaisedResistancePct: 23 * x, SulfationPct: 6 * x}
	}},
}

// Scenario draws a unit of one to three batteries, and names how each is aged: new or in one of the
// ways, at -20 to 40 °C, ordinary duty with short lifts.
func Scenario(seed uint64) (sc scenario.Scenario, aged []string) {
	random := rand.New(rand.NewPCG(seed, 0x61676564))
	sc = scenario.Default()
	sc.Name, sc.Seed, sc.Days = fmt.Sprintf("aged-%d", seed), seed, days
	sc.Start = time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC) // begins with a night's rest
	layers := rand.New(rand.NewPCG(seed, 0x6c61796572))
	n := 1 + random.IntN(3)
	draw.Batteries(&sc, n, random)
	for k := range sc.Bank.Batteries {
		kind := &kinds[random.IntN(len(kinds))]
		sc.Bank.Batteries[k].Aging = kind.at(draw.Between(random, 0.2, 1.1))
		sc.Bank.Batteries[k].Layer = layerOf(layers)
		aged = append(aged, kind.name)
	}
	draw.DiagonalLeads(&sc, 0.5)
	sc.Weather = scenario.Weather{
		MeanC: draw.Between(random, -20, 40), DayC: draw.Between(random, 1, 8), SpellC: draw.Between(random, 0, 5),
		WarmestDay: 200,
	}
	sc.Duty.Stops, sc.Duty.Up = [2]int{5, 8}, [2]time.Duration{2 * time.Second, 6 * time.Second}
	if n == 1 { // a small bank carries a small motor
		sc.Motor.RunA, sc.Motor.ReliefA, sc.Motor.BreakerA, sc.Motor.ResistanceMohm = 80, 107, 100, 39
	}
	return sc, aged
}

// Layers are drawn log-uniform. The lags are those of the two electrodes in PyBaMM's Sulzer2019
// parameters (0.03 and 0.5 s) and beyond. The reaction's share, from half of to three times that of
// the typical battery, is our choice: no published range was found. The bands of resistance over
// temperature end near 14 %, and Sulzer2019 has some 75 %, which is not drawn.
const (
	leastLagS, mostLagS             = 0.01, 0.6
	leastTransferPct, mostTransfPct = 5.0, 30.0
)

func layerOf(random *rand.Rand) scenario.Layer {
	between := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, random.Float64()) }
	return scenario.Layer{
		TransferPct: between(leastTransferPct, mostTransfPct), RelaxationS: between(leastLagS, mostLagS),
	}
}

// describe returns what --only is matched with.
func describe(seed uint64) string {
	sc, aged := Scenario(seed)
	return fmt.Sprintf("%d %s, %s, %.0f °C", len(aged), sc.Bank.Batteries[0].Chemistry, strings.Join(aged, " "),
		sc.Weather.MeanC)
}
