package page

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// Who acknowledged or shelved a finding, until when, and what was written on it, by whom and when: on its card, in the
// visit's report, its JSON and its table; of one that cleared during the visit, too.
func TestWhatWasSaidOfAFindingIsListed(t *testing.T) {
	first := simulated(t, "battery-tired")
	at := func(h int) *time.Time {
		x := first.At.Add(time.Duration(h) * time.Hour).Truncate(time.Minute)
		return &x
	}
	f := &first.Findings[0]
	f.State, f.AckBy, f.AckAt, f.ShelvedBy, f.ShelvedUntil = "shelved", "R. Vega", at(-5), "Ines {time} K.", at(72)
	f.Remarks = []snapshot.Remark{{At: *at(-4), By: "Ines K.", Text: "Battery ordered, " + hostile}, {At: *at(-3), By: "Ada", Text: "in on Monday"}}
	hot := *f
	hot.Name, hot.State, hot.ShelvedBy, hot.ShelvedUntil, hot.Remarks = "hot", "acknowledged", "", nil, nil
	first.Findings = append(first.Findings, hot)
	s, hub, _ := unit(t, first, full(t))
	utc := func(x *time.Time) string { return x.UTC().Format("2006-01-02 15:04 UTC") }

	card := get(s, "/findings").Body.String()
	assert.NotContains(t, card, "<script>alert")
	assert.Regexp(t, `<p class="status">Acknowledged by R\. Vega, <time [^>]*datetime="`+at(-5).UTC().Format(time.RFC3339), card)
	assert.Regexp(t, `<p class="status">Shelved by Ines \{time\} K\. until <time [^>]*datetime="`+at(72).UTC().Format(time.RFC3339), card)
	assert.Regexp(t, `<p class="remark">“Battery ordered, [^”]*” Ines K\., <time [^>]*datetime="`+at(-4).UTC().Format(time.RFC3339), card)
	assert.Less(t, strings.Index(card, "Battery ordered"), strings.Index(card, "in on Monday"))

	begin(t, s)
	next := *first
	next.Findings = append([]snapshot.Finding(nil), first.Findings...)
	over := &next.Findings[1]
	over.Active, over.State, over.Remarks = false, "normal", []snapshot.Remark{{At: *at(-1), By: "R. Vega", Text: "shaded the box"}}
	hub.Publish(numbered(&next, first.Seq+1))
	id := finished(t, s)

	report := get(s, "/visits/"+id).Body.String()
	assert.NotContains(t, report, "<script>alert")
	for _, want := range []string{
		"Acknowledged by R. Vega, " + utc(at(-5)), "Shelved by Ines {time} K. until " + utc(at(72)), "Ines K., " + utc(at(-4)),
		"“in on Monday” Ada, " + utc(at(-3)), "Cleared during the visit", "“shaded the box” R. Vega, " + utc(at(-1)),
	} {
		assert.Contains(t, report, want)
	}
	var v visit.Visit
	require.NoError(t, json.Unmarshal(get(s, "/visits/"+id+".json").Body.Bytes(), &v))
	require.Len(t, v.Findings, 1)
	left := v.Findings[0]
	assert.Equal(t, f.Remarks, left.Remarks)
	assert.Equal(t, []any{"R. Vega", at(-5).UTC(), f.ShelvedBy, at(72).UTC()}, []any{left.AckBy, left.AckAt.UTC(), left.ShelvedBy, left.ShelvedUntil.UTC()})
	require.Len(t, v.Found, 2)
	assert.Equal(t, over.Remarks, v.Found[1].Remarks, "written during the visit")
	table := get(s, "/visits/"+id+".csv").Body.String()
	assert.Contains(t, table, "finding,b,battery-tired: remark,"+at(-3).UTC().Format(time.RFC3339)+",,,Ada: in on Monday")
	assert.Contains(t, table, "finding,b,battery-tired: shelved until,"+at(72).UTC().Format(time.RFC3339)+",,,Ines {time} K.")
	assert.Contains(t, table, "found,b,hot: remark,"+at(-1).UTC().Format(time.RFC3339)+",,,R. Vega: shaded the box")
}
