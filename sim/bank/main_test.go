package bank

import (
	"os"
	"testing"

	"liftbank/cmd/slowtest"
)

func TestMain(m *testing.M) {
	slowtest.Checks(25, 100)
	os.Exit(m.Run())
}
