package bank

import (
	"flag"
	"os"
	"testing"

	"liftbank/cmd/slowtest"
)

func TestMain(m *testing.M) {
	flag.Parse()
	if slowtest.UnderRace {
		if err := flag.Set("rapid.checks", "25"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
