package sim

import (
	"flag"
	"os"
	"testing"
)

func TestMain(m *testing.M) {
	flag.Parse()
	if underRace {
		if err := flag.Set("rapid.checks", "8"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
