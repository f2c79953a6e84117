package desk

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/figures"
	"liftbank/agent/snapshot"
)

// The desk shows which battery it is, and since when, as far as somebody wrote it down.
func TestPassportOnTheDesk(t *testing.T) {
	for want, p := range map[string]*snapshot.Passport{
		"M2-77105, street side": {Serial: "M2-77105", DateCode: "H5", Place: "street side"},
		"H5":                    {DateCode: "H5"}, "street side": {Place: "street side"}, figures.Unknown: {Make: "group 31"},
	} {
		assert.Equal(t, want, serialOf(&snapshot.Battery{Passport: p}))
	}
	assert.Equal(t, figures.Unknown, serialOf(&snapshot.Battery{}))
	for text, day := range map[string]string{"2025-10-16": "2025-10-16", "2025-10": "2025-10-01", "soon": "", "": ""} {
		at, ok := installedBy(&snapshot.Battery{Passport: &snapshot.Passport{Installed: text}})
		assert.Equal(t, day != "", ok, text)
		if ok {
			assert.Equal(t, day, at.Format("2006-01-02"))
		}
	}
	_, ok := installedBy(&snapshot.Battery{})
	assert.False(t, ok)
}

// The page of a unit has both which battery it is and how it did over months.
func TestUnitHasPassportsAndPast(t *testing.T) {
	f := newFixture(t)
	f.fill()
	code, body := f.as(RoleRead).get("/units/4017")
	require.Equal(t, http.StatusOK, code)
	for _, want := range []string{"Serial, place", "M2-77105, street side", "2025-10-16 (", "Cold cranking, A</b>", "Feed a day, at most 3 h"} {
		assert.Contains(t, body, want)
	}
}
