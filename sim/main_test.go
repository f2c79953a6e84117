package sim

import (
	"os"
	"testing"

	"liftbank/cmd/slowtest"
)

func TestMain(m *testing.M) {
	slowtest.Checks(8, 10)
	os.Exit(m.Run())
}
