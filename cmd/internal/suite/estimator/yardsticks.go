package estimator

import (
	"time"

	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/sim/scenario"
)

// yardsticks are the two simple ways that the estimator is measured against: the terminal voltage
// through the table, and counted charge limited to 0 to 100 % that starts at what the table says.
type yardsticks struct {
	chem    []*leadacid.Chemistry
	ratedAh []float64
	table   []float64
	counted []float64
	lastA   []float64
	last    time.Duration
	started bool
}

func newYardsticks(sc *scenario.Scenario) *yardsticks {
	y := &yardsticks{}
	for _, b := range sc.Bank.Batteries {
		chem, err := leadacid.Parse(string(b.Label()))
		if err != nil {
			panic("bug: scenario's chemistry: " + err.Error())
		}
		y.chem, y.ratedAh = append(y.chem, chem), append(y.ratedAh, b.RatedAh)
	}
	n := len(y.chem)
	y.table, y.counted, y.lastA = make([]float64, n), make([]float64, n), make([]float64, n)
	return y
}

func (y *yardsticks) step(out *rules.Output, fast bool) {
	dt := out.At.Mono - y.last
	for i := range y.chem {
		in := &out.Battery[i].In
		if in.VoltageV.OK() && !fast {
			soc, _ := y.chem[i].SoCFromRestedV(in.VoltageV.Value)
			y.table[i] = min(max(soc, 0), 100)
		}
		if !y.started {
			y.counted[i] = y.table[i]
		} else {
			y.counted[i] = min(max(y.counted[i]+100*y.lastA[i]*dt.Hours()/y.ratedAh[i], 0), 100)
		}
		y.lastA[i] = 0
		if in.CurrentA.OK() {
			y.lastA[i] = in.CurrentA.Value
		}
	}
	y.started, y.last = true, out.At.Mono
}

func (y *yardsticks) tableSoC(i int) rules.Estimate {
	return rules.Estimate{Value: y.table[i], Known: true}
}

func (y *yardsticks) countedSoC(i int) rules.Estimate {
	return rules.Estimate{Value: y.counted[i], Known: true}
}
