package snapshot

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// What rests on a channel with a fault is unknown, and nothing else.
func TestBelievedLeavesOutWhatRestsOnAFault(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	known := Estimate{Value: v(1), Sigma: v(1)}
	make := func(name, subject string, active bool) *Snapshot {
		s := &Snapshot{
			Findings: []Finding{{Name: name, Subject: subject, Active: active}},
			Links:    []Link{{Side: "positive", From: "a", To: "b", ResistanceMohm: known}},
		}
		for _, id := range []string{"a", "b"} {
			s.Batteries = append(s.Batteries, Battery{ID: id, Verdict: "fit", SoCPct: known, CrankingA: known, VoltageV: v(12)})
		}
		s.Bank = Bank{VoltageV: v(12), SoCPct: known, LiftsLeft: known, TimeToFullS: known}
		s.Feed.PathMohm, s.Motor.PathMohm = known, known
		return s
	}
	for subject, want := range map[string]struct{ a, b, charge, lifts, full, feed, motor bool }{
		"battery b voltage":     {a: true, feed: true, motor: true},
		"battery b temperature": {a: true, charge: true, feed: true, motor: true},
		"feed voltage":          {a: true, b: true, charge: true, lifts: true, motor: true},
		"motor voltage":         {a: true, b: true, charge: true, full: true, feed: true},
	} {
		s := make("sense-fault", subject, true)
		got := s.Believed()
		is := func(e Estimate) bool { return e.Value != nil }
		assert.Equal(t, want.a, got.Batteries[0].Verdict == "fit", subject)
		assert.Equal(t, want.b, got.Batteries[1].Verdict == "fit", subject)
		assert.Equal(t, want.charge, is(got.Bank.SoCPct), subject)
		assert.Equal(t, want.lifts, is(got.Bank.LiftsLeft), subject)
		assert.Equal(t, want.full, is(got.Bank.TimeToFullS), subject)
		assert.Equal(t, want.feed, is(got.Feed.PathMohm), subject)
		assert.Equal(t, want.motor, is(got.Motor.PathMohm), subject)
		assert.Equal(t, "fit", s.Batteries[1].Verdict, "the snapshot itself stays")
	}
	for _, name := range []string{"series-wired", "reversed"} {
		got := make(name, "", true).Believed()
		assert.Nil(t, got.Links[0].ResistanceMohm.Value)
		assert.Nil(t, got.Bank.VoltageV)
		assert.Equal(t, "unknown", got.Batteries[0].Verdict)
		assert.NotNil(t, got.Batteries[0].VoltageV, "what was measured stays")
		over := make(name, "", false)
		assert.Same(t, over, over.Believed(), "over")
	}
	corrected := make("sense-fault", "battery b current", true)
	corrected.Findings[0].Evidence = []Evidence{{Words: &Text{ID: "sensor.zero"}}}
	assert.Same(t, corrected, corrected.Believed(), "an error that is known is taken off")
}
