package rules_test

import (
	"os"
	"testing"

	"liftbank/cmd/slowtest"
)

// Properties of the whole engine play weeks for each case.
func TestMain(m *testing.M) {
	slowtest.Checks(25, 25)
	os.Exit(m.Run())
}
