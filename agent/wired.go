package agent

import (
	"liftbank/agent/snapshot"
	"liftbank/rules"
	"liftbank/rules/network"
)

// leadsAt names the batteries that a pair of leads sits on, nil where neither can be told.
func leadsAt(out *rules.Output, l network.Leads) *snapshot.Leads {
	name := func(i int) string {
		if i < 0 || i >= len(out.Battery) {
			return ""
		}
		return out.Battery[i].ID
	}
	at := snapshot.Leads{Positive: name(l.Positive), Negative: name(l.Negative)}
	if at == (snapshot.Leads{}) {
		return nil
	}
	return &at
}

// runBatteries gives the load test in the last run, of each battery that showed one. Under
// leastStepA a quotient says nothing: a step of the input chip in voltage would be a milliohm.
func (c *Core) runBatteries() []snapshot.RunBattery {
	const leastStepA = 3.0
	var tests []snapshot.RunBattery
	for i := range c.cfg.Bank.Batteries {
		stepV, stepA, ok := c.engine.LastStep(i)
		if !ok || stepA > -leastStepA {
			continue
		}
		tests = append(tests, snapshot.RunBattery{
			Battery: c.cfg.Bank.Batteries[i].ID, StepV: round(stepV, voltDecimals), StepA: round(stepA, ampereDecimals),
			DropMohm: round(1000*stepV/stepA, mohmDecimals),
		})
	}
	return tests
}
