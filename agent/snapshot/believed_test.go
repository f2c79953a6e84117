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

// In a string, the battery above stands on the tap of the one below, and all have one current.
func TestBelievedOfStrings(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	known := Estimate{Value: v(1), Sigma: v(1)}
	for _, tt := range []struct {
		name, subject string
		doubted       string // batteries whose figures can't be believed
		strings       []bool // whose differences can
	}{
		{"sense-fault", "battery a voltage", "ab", []bool{false, true}},
		{"sense-fault", "battery b voltage", "b", []bool{false, true}},
		{"sense-fault", "battery c current", "cd", []bool{true, false}},
		{"sense-fault", "battery d temperature", "d", []bool{true, true}},
		{"sense-fault", "feed voltage", "", []bool{true, true}},
		{"middle-tap-open", "c", "cd", []bool{true, false}},
		{"parallel-wired", "", "abcd", []bool{false, false}},
	} {
		s := &Snapshot{Findings: []Finding{{Name: tt.name, Subject: tt.subject, Active: true}}}
		for _, id := range []string{"a", "b", "c", "d"} {
			s.Batteries = append(s.Batteries, Battery{ID: id, Verdict: "fit", VoltageV: v(12.6)})
		}
		s.Strings = []String{{From: "a", To: "b", RestDiffV: known, Weakest: "a"}, {From: "c", To: "d", RestDiffV: known, Weakest: "d"}}
		got := s.Believed()
		doubted := ""
		for _, b := range got.Batteries {
			if b.Verdict == "unknown" {
				doubted += b.ID
			}
			assert.NotNil(t, b.VoltageV, "what was measured stays")
		}
		assert.Equal(t, tt.doubted, doubted, "%s of %s", tt.name, tt.subject)
		for i, believed := range tt.strings {
			assert.Equal(t, believed, got.Strings[i].RestDiffV.Value != nil, "%s of %s: string %d", tt.name, tt.subject, i)
			assert.Equal(t, believed, got.Strings[i].Weakest != "")
		}
		assert.NotNil(t, s.Strings[0].RestDiffV.Value, "the snapshot itself stays")
	}
}

func TestMadeAt(t *testing.T) {
	for _, tt := range []struct {
		p    *Passport
		want string // empty: not known
	}{
		{nil, ""}, {&Passport{}, ""}, {&Passport{Made: "2025-08"}, "2025-08-01"}, {&Passport{Made: "2025-08-14"}, "2025-08-14"},
		{&Passport{Made: "2025-W33"}, "2025-08-16"}, {&Passport{Made: "2025-W99", Installed: "2025-10"}, "2025-10-01"},
		{&Passport{Made: "last summer", Installed: "2025-10-16"}, "2025-10-16"}, {&Passport{Made: "-W1"}, ""}, {&Passport{Made: "2025-W"}, ""},
		{&Passport{Installed: "2025-13"}, ""},
	} {
		at, ok := tt.p.MadeAt()
		assert.Equal(t, tt.want != "", ok, "%+v", tt.p)
		if ok {
			assert.Equal(t, tt.want, at.Format("2006-01-02"))
		}
	}
}
