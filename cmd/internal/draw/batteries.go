package draw

import (
	"fmt"
	"math/rand/v2"

	"liftbank/sim/cell"
	"liftbank/sim/scenario"
)

// Between returns a random number from a to b.
func Between(random *rand.Rand, a, b float64) float64 { return a + (b-a)*random.Float64() }

// Batteries returns a unit n batteries of one kind, a third of them weak, and describes them.
func Batteries(sc *scenario.Scenario, n int, random *rand.Rand) (about string) {
	chemistry := []cell.Chemistry{cell.Flooded, cell.AGM, cell.Gel}[random.IntN(3)]
	rating := []struct{ ah, cca float64 }{{70, 700}, {80, 500}, {90, 750}, {100, 950}, {110, 850}}[random.IntN(5)]
	about = fmt.Sprintf(" %s %g A", chemistry, rating.cca)
	sc.Bank.Batteries = nil
	for k := range n {
		b := scenario.Battery{
			ID: string(rune('a' + k)), Chemistry: chemistry, RatedAh: rating.ah, RatedCCA: rating.cca,
			SoCPct: Between(random, 85, 100),
			Aging: scenario.Aging{
				LostCapacityPct: Between(random, 0, 5), RaisedResistancePct: Between(random, 0, 5),
			},
		}
		if random.IntN(3) == 0 {
			b.Aging = []scenario.Aging{
				{RaisedResistancePct: Between(random, 20, 100)},
				{LostCapacityPct: Between(random, 10, 40)},
				{SulfationPct: Between(random, 5, 20)},
				{LostCapacityPct: 13, RaisedResistancePct: 25, SulfationPct: 5},
			}[random.IntN(4)]
			about += fmt.Sprintf(", %s weak %v", b.ID, b.Aging)
		}
		sc.Bank.Batteries = append(sc.Bank.Batteries, b)
	}
	return about
}

// DiagonalLeads places the leads of feed and load diagonally, with links of linkMohm and good
// joints.
func DiagonalLeads(sc *scenario.Scenario, linkMohm float64) {
	w := &sc.Bank.Wiring
	w.PositiveLinkMohm, w.NegativeLinkMohm = []float64{linkMohm}, []float64{linkMohm}
	w.PositivePostMohm, w.NegativePostMohm = nil, nil
	for _, l := range []*scenario.Leads{&w.FeedLeads, &w.LoadLeads} {
		l.At, l.PositiveAt, l.NegativeAt = "diagonal", "", ""
	}
	sc.Complete()
}
