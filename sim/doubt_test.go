package sim_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/scenariofile"
	"liftbank/sim"
)

// A bank that loses its charge by itself comes to the limit so slowly that for days nobody can
// tell: then it is in doubt, before not, and afterwards it is so.
func TestNearFullIsInDoubt(t *testing.T) {
	sc, err := scenariofile.Load("parked-month")
	require.NoError(t, err)
	u, err := sim.New(sc, sc.Seed)
	require.NoError(t, err)
	u.Coarsen(30 * time.Second)
	was := ""
	var course []string
	for at := time.Duration(0); at < 20*24*time.Hour; at += time.Hour {
		u.AdvanceTo(at)
		is := "charged"
		for _, c := range u.Conditions() {
			if c.Finding == "bank-undercharged" && c.Active {
				is = "undercharged"
			}
		}
		if is == "charged" && u.Doubtful("bank-undercharged", "") {
			is = "in doubt"
		}
		if is != was {
			course = append(course, is)
		}
		was = is
	}
	assert.Equal(t, []string{"charged", "in doubt", "undercharged"}, course)
}
