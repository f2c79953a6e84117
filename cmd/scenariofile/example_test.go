package scenariofile_test

import (
	"fmt"

	"liftbank/cmd/scenariofile"
)

func ExampleParse() {
	_, err := scenariofile.Parse("unit.yaml",
		[]byte("days: 2\nbank:\n  batteries:\n    - {id: a, rated_ah: -3}\nfaults:\n  - {kind: feed-unplugged, at: "+
			"5d}\n"))
	fmt.Println(err)
	sc, err := scenariofile.Parse("unit.yaml", []byte("days: 2\nfaults:\n  - {kind: feed-unplugged, at: 1d6h}\n"))
	fmt.Println(sc.Name, sc.Length(), sc.Faults[0].Kind, sc.Faults[0].At, err)
	// Output:
	// unit.yaml:4: bank.batteries[0].rated_ah: -3: want 20 to 400
	// unit.yaml:6: faults[0].at: 5d: want a time within the run of 2 days
	// unit 48h0m0s feed-unplugged 30h0m0s <nil>
}
