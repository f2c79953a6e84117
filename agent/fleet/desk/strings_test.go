package desk

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/fleet/worklist"
	"liftbank/agent/snapshot"
)

// putStrings adds a unit with two batteries in series, of which b is behind.
func (f *fixture) putStrings(unit string) {
	s := sample(f)
	v := func(x float64) *float64 { return &x }
	s.Batteries, s.Links = s.Batteries[:2], []snapshot.Link{
		{Side: "middle", From: "a", To: "b", ResistanceMohm: snapshot.Estimate{Value: v(0.44), Sigma: v(0.05)}},
	}
	s.Strings = []snapshot.String{{From: "a", To: "b", VoltageV: v(25.02), CurrentA: v(-0.2), Weakest: "b",
		RestDiffV: snapshot.Estimate{Value: v(-0.31), Sigma: v(0.04)}, SpreadPct: snapshot.Estimate{Value: v(21), Sigma: v(5)}}}
	s.Bank.Layout, s.Bank.VoltageV = "series", v(25.02)
	s.Bank.MixedKnown, s.Bank.Mixed = true, []snapshot.Mixed{{Battery: "b", From: "a", What: "chemistry", Series: true}}
	s.Bank.MotorLeadsAt, s.Bank.FeedLeadsAt = nil, nil
	f.store.put(worklist.Unit{ID: unit, Snapshot: s, HeardAt: f.now.Add(-12 * time.Minute),
		Findings: []snapshot.Finding{fnd("blocks-unequal", "b", "repair", 30*time.Hour)}}, Data{Place: "Lock Road", Group: "South"})
}

// The page of a unit with batteries in series has their string, and nothing that has no meaning there.
func TestUnitPageOfStrings(t *testing.T) {
	f := newFixture(t)
	f.fill()
	f.putStrings("4200")
	c := f.as(RoleDesk)
	code, page := c.get("/units/4200")
	assert.Equal(t, http.StatusOK, code)
	for _, want := range []string{
		"Battery b is behind its partner", "Strings</h2>", "a\u2011b", "25.02", "−0.31", "Weaker battery", "In its string", ">upper<",
		"no charge voltage is right for both chemistries", ">bank 25.02 V<", "b stands on a in series",
	} {
		assert.Contains(t, page, want)
	}
	assert.NotContains(t, page, "Discharge share", "one string shares with nothing")
	assert.Equal(t, 1, strings.Count(page, ">Current, A<"), "the string has one")
	_, page = c.get("/units/4017")
	assert.Contains(t, page, "Discharge share")
	assert.NotContains(t, page, "Strings</h2>")
	_, page = c.get("/")
	assert.Contains(t, page, "Measure both; look for a load on the middle, charge each alone")
}
