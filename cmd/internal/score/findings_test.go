package score

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/scenariofile"
	"liftbank/rules"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
	"liftbank/sim"
)

// The scenario's words for a subject and the rules' words.
func TestSameSubject(t *testing.T) {
	ids := []string{"a", "b", "c"}
	for _, c := range []struct {
		finding, truth, found string
		same                  bool
	}{
		{"battery-tired", "b", "b", true},
		{"battery-tired", "b", "a", false},
		{"bank-low", "", "", true},
		{"sense-fault", "voltage-b", "battery b voltage", true},
		{"sense-fault", "voltage-b", "battery a voltage", false},
		{"sense-fault", "current-a/current-b", "battery b current", true},
		{"sense-fault", "current-a/current-b", "battery c current", false},
		{"sense-fault", "feed", "feed voltage", true},
		{"sense-fault", "chip 1", "battery a current", true},
		{"link-resistive", "positive-link-ab", "positive link a-b", true},
		{"link-resistive", "positive-link-ab", "negative link a-b", false},
		{"link-resistive", "positive-link-ab", "positive link b-c", false},
		{"link-resistive", "negative-post-b", "negative post b", true},
		{"link-resistive", "negative-post-a", "negative link a-b", true},
		{"link-resistive", "negative-post-b", "negative link a-b", false},
	} {
		assert.Equal(t, c.same, sameSubject(c.finding, c.truth, c.found, ids), "%+v", c)
	}
	ids = append(ids, "d") // of two strings
	for _, c := range []struct {
		truth, found string
		same         bool
	}{
		{"middle-link-ab", "middle link a-b", true},
		{"middle-link-ab", "middle link c-d", false},
		{"positive-post-a", "middle link a-b", true},
		{"negative-post-b", "middle link a-b", true},
		{"negative-post-a", "middle link a-b", false},
		{"positive-link-bd", "positive link b-d", true},
		{"positive-post-b", "positive link b-d", true},
		{"negative-post-b", "positive link b-d", false},
		{"negative-post-c", "negative link a-c", true},
	} {
		assert.Equal(t, c.same, sameSubject("link-resistive", c.truth, c.found, ids), "%+v", c)
	}
}

// A raise is true while its condition is, and shortly after; early if the condition comes before it
// clears; else false.
func TestTrueEarlyOrFalse(t *testing.T) {
	f := &Findings{ids: []string{"a", "b"}, Spans: []Span{{Finding: "hot", Subject: "a", From: 2 * time.Hour,
		To: 3 * time.Hour}}}
	raise := func(subject string, from, to time.Duration) (bool, time.Duration) {
		return f.True(&Raise{Finding: "hot", Subject: subject, From: from, To: to})
	}
	judge := func(subject string, from, to time.Duration, ok bool, early time.Duration) {
		t.Helper()
		gotOK, gotEarly := raise(subject, from, to)
		assert.Equal(t, ok, gotOK)
		assert.Equal(t, early, gotEarly)
	}
	judge("a", 150*time.Minute, 4*time.Hour, true, 0)
	judge("a", 3*time.Hour+Linger, 4*time.Hour, true, 0)
	judge("a", 3*time.Hour+Linger+1, 4*time.Hour, false, 0)
	judge("a", time.Hour, 150*time.Minute, true, time.Hour)
	judge("a", time.Hour, 2*time.Hour-1, false, 0)
	judge("b", 150*time.Minute, 4*time.Hour, false, 0)
}

// What comes and goes with the drives is one condition and one finding; after some days it is
// another one, and what does not come and go is always another one.
func TestEpisodesAreOne(t *testing.T) {
	f := &Findings{
		Spans: []Span{
			{Finding: "feed-high", From: time.Hour, To: 2 * time.Hour},
			{Finding: "motor-drop", From: time.Hour, To: 2 * time.Hour},
		},
		Raises: []Raise{
			{Finding: "feed-high", From: time.Hour, To: 2 * time.Hour},
			{Finding: "motor-drop", From: time.Hour, To: 2 * time.Hour},
		},
	}
	for _, c := range []struct {
		name string
		at   time.Duration
		want int
	}{
		{"feed-high", 20 * time.Hour, 0}, {"feed-high", 60 * time.Hour, -1}, {"motor-drop", 20 * time.Hour, -1},
		{"hot", 20 * time.Hour, -1},
	} {
		rec := finding.NewRecord(detect.Lookup(c.name), "", 0, 0)
		assert.Equal(t, c.want, f.sameSpan(c.name, "", c.at), c.name)
		assert.Equal(t, c.want, f.sameRaise(&rec, c.at), c.name)
	}
}

// A finding that stands when its condition becomes true has found it, and was not false.
func TestFoundBeforeTheOnsetIsFound(t *testing.T) {
	sc, err := scenariofile.Load("healthy-day")
	require.NoError(t, err)
	u, err := sim.New(sc, 0)
	require.NoError(t, err)
	f := NewFindings(u, []string{"a", "b"}, 24*time.Hour)
	rec := finding.NewRecord(detect.Lookup("bank-low"), "", 0, 0)
	rec.Holding = true
	out := &rules.Output{Findings: []finding.Record{rec}}
	f.raised(time.Hour, &rec, out)
	assert.False(t, f.Raises[0].Behind)
	f.Spans = append(f.Spans, f.begin(sim.Condition{Finding: "bank-low", Active: true, Since: 3 * time.Hour}, out))
	s := &f.Spans[0]
	assert.Equal(t, 3*time.Hour, s.Found)
	assert.Equal(t, 2*time.Hour, s.Early)
	assert.True(t, f.Raises[0].Before)
	assert.InDelta(t, 7200, s.score().EarlyS, 0)
	assert.Zero(t, *s.score().DelayS)
	x := f.begin(sim.Condition{Finding: "hot", Subject: "a", Active: true, Since: 3 * time.Hour}, out)
	assert.Negative(t, x.Found, "another finding")
}
