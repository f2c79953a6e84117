package sim_test

import (
	"fmt"
	"time"

	"liftbank/cmd/scenariofile"
	"liftbank/sim"
)

func Example() {
	sc, err := scenariofile.Load("feed-lost")
	if err != nil {
		panic(err)
	}
	unit, err := sim.New(sc, 0)
	if err != nil {
		panic(err)
	}
	edge, ok := unit.NextEdge(24 * time.Hour) // the first ignition
	fmt.Println(edge, ok)
	unit.AdvanceTo(6 * time.Hour)
	for _, c := range unit.Truth().Conditions {
		fmt.Println(c.Finding, c.Active, c.Cause)
	}
	// Output:
	// 1h0m0s true
	// feed-lost true true
}
