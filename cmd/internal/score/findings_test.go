package score

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
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
