package finding_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/finding"
)

const name = "lost"

// events of the life table.
var events = map[string]func(b *finding.Book, at time.Duration) error{
	"alarm":      func(b *finding.Book, at time.Duration) error { b.Judge(0, at, holds()); return nil },
	"over":       func(b *finding.Book, at time.Duration) error { b.Judge(0, at, absent); return nil },
	"ack":        func(b *finding.Book, at time.Duration) error { return b.Acknowledge(name, "", "kim", at) },
	"shelve":     func(b *finding.Book, at time.Duration) error { return b.Shelve(name, "", "kim", at, time.Hour) },
	"unshelve":   func(b *finding.Book, at time.Duration) error { return b.Unshelve(name, "", "kim", at) },
	"time-out":   func(b *finding.Book, at time.Duration) error { b.Judge(0, at+2*time.Hour, same); return nil },
	"out":        func(b *finding.Book, at time.Duration) error { return b.TakeOut(name, "", "kim", at) },
	"back":       func(b *finding.Book, at time.Duration) error { return b.PutBack(name, "", "kim", at) },
	"not judged": func(b *finding.Book, at time.Duration) error { b.Judge(0, at, finding.Unjudged(noOne)); return nil },
}

// Every state with every event. Source: ANSI/ISA-18.2-2016 and IEC 62682 state model (states A, B,
// C, D, G and I with their ways out, as implemented in open software and in OPC UA Part 9, clause
// 4.8); here nothing is latched and suppression is by CausedBy.
func TestLifeTable(t *testing.T) {
	const (
		A, B, C, D = finding.Normal, finding.Unacknowledged, finding.Acknowledged, finding.ReturnedUnacknowledged
		G, I       = finding.Shelved, finding.OutOfService
	)
	reach := map[finding.State][]string{
		A: {}, B: {"alarm"}, C: {"alarm", "ack"}, D: {"alarm", "over"}, G: {"shelve"}, I: {"out"},
	}
	type to struct {
		state finding.State
		err   error
	}
	not := finding.ErrNotShelved
	want := map[finding.State]map[string]to{
		A: {
			"alarm": {B, nil}, "over": {A, nil}, "ack": {A, finding.ErrCleared}, "shelve": {G, nil},
			"unshelve": {A, not},
			"time-out": {A, nil}, "out": {I, nil}, "back": {A, not}, "not judged": {A, nil},
		},
		B: {
			"alarm": {B, nil}, "over": {D, nil}, "ack": {C, nil}, "shelve": {G, nil}, "unshelve": {B, not},
			"time-out": {B, nil}, "out": {I, nil}, "back": {B, not}, "not judged": {B, nil},
		},
		C: {
			"alarm": {C, nil}, "over": {A, nil}, "ack": {C, finding.ErrAlreadyAcked}, "shelve": {G, nil},
			"unshelve": {C, not},
			"time-out": {C, nil}, "out": {I, nil}, "back": {C, not}, "not judged": {C, nil},
		},
		D: {
			"alarm": {B, nil}, "over": {D, nil}, "ack": {A, nil}, "shelve": {G, nil}, "unshelve": {D, not},
			"time-out": {D, nil}, "out": {I, nil}, "back": {D, not}, "not judged": {D, nil},
		},
		G: {
			"alarm": {G, nil}, "over": {G, nil}, "ack": {G, finding.ErrShelved}, "shelve": {G, nil},
			"unshelve": {A, nil},
			"time-out": {A, nil}, "out": {I, nil}, "back": {G, not}, "not judged": {G, nil},
		},
		I: {
			"alarm": {I, nil}, "over": {I, nil}, "ack": {I, finding.ErrShelved}, "shelve": {I, finding.ErrShelved},
			"unshelve": {I, not}, "time-out": {I, nil}, "out": {I, finding.ErrShelved}, "back": {A, nil},
			"not judged": {I, nil},
		},
	}
	for _, from := range finding.States {
		row := want[from]
		require.Len(t, row, len(events))
		for event, to := range row {
			b := one(0, 0)
			for i, e := range reach[from] {
				require.NoError(t, events[e](b, time.Duration(i)))
			}
			require.Equal(t, from, b.Records[0].State)
			err := events[event](b, time.Minute)
			assert.ErrorIs(t, err, to.err, "%s + %s", from, event)
			assert.Equal(t, to.state, b.Records[0].State, "%s + %s", from, event)
			assert.Equal(t, to.state != finding.Normal, b.Records[0].Listed(), "%s + %s", from, event)
		}
	}
}

func TestShelvedFindingThatHoldsComesBackUnacknowledged(t *testing.T) {
	for _, way := range []string{"unshelve", "time-out"} {
		b := one(0, 0)
		for i, e := range []string{"alarm", "ack", "shelve"} {
			require.NoError(t, events[e](b, time.Duration(i)))
		}
		b.Judge(0, time.Hour, same)
		require.Equal(t, finding.Shelved, b.Records[0].State, "its time is not up: it was shelved at 2 ns")
		require.NoError(t, events[way](b, time.Hour+2))
		assert.Equal(t, finding.Unacknowledged, b.Records[0].State, way)
		changes := b.Take()
		last := changes[len(changes)-1]
		assert.Equal(t, finding.WasUnshelved, last.Kind)
		assert.Equal(t, way == "unshelve", last.By == "kim", "by nobody when its time was up")
	}
	b := one(0, 0)
	require.NoError(t, b.TakeOut(name, "", "kim", 0))
	b.Judge(0, 1, holds())
	changes := b.Take()
	assert.True(t, changes[len(changes)-1].Muted, "nobody is called for what is out of service")
	require.NoError(t, b.PutBack(name, "", "kim", 2))
	assert.Equal(t, finding.Unacknowledged, b.Records[0].State)
}

func TestRefusals(t *testing.T) {
	b := one(0, 0)
	b.Judge(0, 0, holds())
	assert.ErrorIs(t, b.Acknowledge("lots", "", "kim", 0), finding.ErrUnknown)
	assert.ErrorIs(t, b.Acknowledge(name, "b", "kim", 0), finding.ErrUnknown)
	for _, who := range []string{"", " ", "k\xff", strings.Repeat("k", 65)} {
		assert.ErrorIs(t, b.Acknowledge(name, "", who, 0), finding.ErrNoName, "%q", who)
		assert.ErrorIs(t, b.Shelve(name, "", who, 0, 1), finding.ErrNoName)
		assert.ErrorIs(t, b.Unshelve(name, "", who, 0), finding.ErrNoName)
		assert.ErrorIs(t, b.TakeOut(name, "", who, 0), finding.ErrNoName)
		assert.ErrorIs(t, b.PutBack(name, "", who, 0), finding.ErrNoName)
		assert.ErrorIs(t, b.Remark(name, "", who, "x", 0), finding.ErrNoName)
	}
	assert.ErrorIs(t, b.Shelve(name, "", "kim", 0, 0), finding.ErrShelveTime)
	assert.ErrorIs(t, b.Shelve(name, "", "kim", 0, -time.Second), finding.ErrShelveTime)
	assert.ErrorIs(t, b.Shelve(name, "", "kim", 0, b.MaxShelve+1), finding.ErrShelveTime)
	b.MaxShelve = time.Hour
	assert.EqualError(t, b.Shelve(name, "", "kim", 0, 2*time.Hour),
		`shelve "lost": for 2h0m0s: want more than 0, up to 1h0m0s: want an end time`)
	for _, text := range []string{"", " ", "\xff", strings.Repeat("é", 1001)} {
		assert.ErrorIs(t, b.Remark(name, "", "kim", text, 0), finding.ErrNoText, "%.9q", text)
	}
	assert.EqualError(t, b.Unshelve(name, "", "kim", 0), `unshelve "lost": neither shelved nor out of service`)
	assert.Len(t, b.Take(), 1, "what is refused changes nothing")

	require.NoError(t, b.Shelve(name, "", strings.Repeat("é", 64), 0, time.Hour))
	require.NoError(t, b.Remark(name, "", "kim", " "+strings.Repeat("é", 1000)+" ", 0))
	assert.Len(t, b.Records[0].Remarks[0].Text, 2000)
}

func TestEveryChangeIsNumbered(t *testing.T) {
	b := one(0, 0)
	for i, e := range []string{"alarm", "ack", "over", "alarm", "shelve", "unshelve", "out", "back"} {
		require.NoError(t, events[e](b, time.Duration(i)))
	}
	require.NoError(t, b.Remark(name, "", "kim", "plug wet", 9))
	kinds := ""
	for i, c := range b.Take() {
		assert.EqualValues(t, i+1, c.Seq)
		assert.Equal(t, 0, c.Record)
		kinds += c.Kind.String() + ", "
	}
	assert.Equal(t, "raised, acknowledged, cleared, raised, shelved, unshelved, "+
		"taken out of service, returned to service, remarked, ", kinds)
	assert.EqualValues(t, 9, b.Records[0].Seq)
	for k := range 12 {
		require.NoError(t, b.Remark(name, "", "kim", fmt.Sprint(k), 10))
	}
	require.Len(t, b.Records[0].Remarks, 8)
	assert.Equal(t, "4", b.Records[0].Remarks[0].Text, "the oldest go first")
	assert.Equal(t, "11", b.Records[0].Remarks[7].Text)
}

func TestAcknowledgingACauseAcknowledgesWhatItExplains(t *testing.T) {
	b := one(0, 0)
	var of [3]int
	for i, subject := range []string{"a", "b", "c"} {
		of[i] = b.Add(finding.NewRecord(&low, subject, 0, 0))
		b.Judge(of[i], 0, holds())
		b.Explain(of[i], 0, 0)
	}
	b.Judge(0, 0, holds())
	require.NoError(t, b.Shelve("low", "b", "kim", 1, time.Hour))
	b.Explain(of[2], -1, 1)
	require.NoError(t, b.Acknowledge(name, "", "kim", 2))
	assert.Equal(t, finding.Acknowledged, b.Records[of[0]].State)
	assert.Equal(t, "kim", b.Records[of[0]].AckBy)
	assert.Equal(t, 2*time.Nanosecond, b.Records[of[0]].AckAt)
	assert.Equal(t, finding.Shelved, b.Records[of[1]].State)
	assert.Equal(t, finding.Unacknowledged, b.Records[of[2]].State, "it is explained by nothing")
}

// More than 10 in 10 minutes is a flood, fewer than 5 its end (ISA-18.2, from memory; EEMUA 191's
// peak). Urgent ones are told in it.
func TestFlood(t *testing.T) {
	b := &finding.Book{}
	for range 14 {
		b.Add(finding.NewRecord(&low, "", 0, 0))
	}
	urgent := b.Add(finding.NewRecord(&wired, "", 0, 0))
	for i := range 13 {
		b.Judge(i, time.Duration(i)*time.Second, holds())
	}
	b.Judge(urgent, 14*time.Second, holds())
	changes := b.Take()
	require.Len(t, changes, 14)
	for i, c := range changes {
		assert.Equal(t, i >= 10 && i < 13, c.Muted, i)
	}
	// The last five were raised 9, 10, 11, 12 and 14 s in.
	assert.True(t, b.Flooded(10*time.Minute+9*time.Second))
	assert.False(t, b.Flooded(10*time.Minute+10*time.Second))
	b.Judge(13, 12*time.Minute, holds())
	assert.False(t, b.Take()[0].Muted)
}

func TestElevenRaisesInMoreThanTenMinutesAreNoFlood(t *testing.T) {
	for _, c := range []struct {
		apart time.Duration
		muted bool
	}{{time.Minute, true}, {time.Minute + time.Second, false}} {
		b := &finding.Book{}
		for range 11 {
			b.Add(finding.NewRecord(&low, "", 0, 0))
		}
		for i := range 11 {
			b.Judge(i, time.Duration(i)*c.apart, holds())
		}
		changes := b.Take()
		assert.Equal(t, c.muted, changes[10].Muted, c.apart)
	}
}

// A finding that was raised three times in an hour stays until it has been over for an hour.
func TestChatteringStaysUntilItHasBeenOverForAnHour(t *testing.T) {
	b := one(0, 0)
	at := time.Duration(0)
	for range 20 {
		b.Judge(0, at, holds())
		b.Judge(0, at+time.Minute, absent)
		at += 2 * time.Minute
	}
	r := &b.Records[0]
	assert.EqualValues(t, 3, r.Times)
	assert.True(t, r.Active())
	assert.True(t, r.Chattering)
	seen := r.HeldAt
	b.Judge(0, seen+time.Hour-1, absent)
	assert.True(t, r.Active())
	b.Judge(0, seen+time.Hour, absent)
	assert.False(t, r.Active())
	b.Take()
	b.Judge(0, seen+time.Hour+1, holds())
	assert.False(t, b.Take()[0].Muted, "the third raise is more than an hour back")
}

func TestThreeRaisesInMoreThanAnHourAreNoChatter(t *testing.T) {
	for _, c := range []struct {
		apart   time.Duration
		chatter bool
	}{{30 * time.Minute, true}, {31 * time.Minute, false}} {
		b := one(0, 0)
		for k := range 3 {
			at := time.Duration(k) * c.apart
			b.Judge(0, at, holds())
			assert.Equal(t, c.chatter && k == 2, b.Records[0].Chattering, "%v, raise %d", c.apart, k+1)
			b.Judge(0, at+time.Minute, absent)
		}
		muted := false
		for _, change := range b.Take() {
			muted = muted || change.Muted
		}
		assert.False(t, muted, "the raise that makes it chatter is told")
	}
}

// The one after is not told: nobody is called a fourth time in an hour. Only work on the unit ends
// one that chatters so soon.
func TestAChatteringFindingIsRaisedAgainMuted(t *testing.T) {
	b := one(0, 0)
	for k := range 4 {
		b.Judge(0, time.Duration(k)*time.Minute, holds())
		assert.Equal(t, k == 3, b.Take()[0].Muted, "raise %d", k+1)
		b.End(0, time.Duration(k)*time.Minute+time.Second)
		b.Take()
	}
}

// Saved, sent through JSON and restored in the middle, a book says the same as one that never
// stopped.
func TestRestartChangesNothing(t *testing.T) {
	names := []string{"alarm", "over", "ack", "shelve", "unshelve", "time-out", "out", "back", "not judged"}
	rapid.Check(t, func(t *rapid.T) {
		build := func() *finding.Book {
			b := one(time.Second, 2*time.Second)
			b.Add(finding.NewRecord(&low, "a", 0, 0))
			return b
		}
		straight, stopped := build(), build()
		at := time.Duration(0)
		for range 40 {
			at += time.Duration(rapid.IntRange(0, 3000).Draw(t, "dt")) * time.Millisecond
			e := rapid.SampledFrom(names).Draw(t, "event")
			other, cause := rapid.Bool().Draw(t, "low"), rapid.IntRange(-1, 0).Draw(t, "cause")
			for _, b := range []*finding.Book{straight, stopped} {
				if other {
					b.Judge(1, at, (&finding.Proof{}).Holds(volts.Is(at.Seconds()), lamp.Says(on)).Suspect(fuse, wet))
					b.Explain(1, cause, at)
				}
			}
			require.Equal(t, events[e](straight, at), events[e](stopped, at))
			if rapid.IntRange(0, 5).Draw(t, "restart") == 0 {
				saved, err := json.Marshal(stopped.State())
				require.NoError(t, err)
				var s finding.BookState
				require.NoError(t, json.Unmarshal(saved, &s))
				stopped = build()
				require.NoError(t, stopped.Restore(s))
				straight.Take()
			}
			require.Equal(t, straight.State(), stopped.State())
			require.Equal(t, straight.AnyActive(name), stopped.AnyActive(name))
			require.Equal(t, straight.Flooded(at), stopped.Flooded(at))
			require.Equal(t, straight.Take(), stopped.Take())
		}
	})
}

func TestRestoreRefusesWhatCannotBe(t *testing.T) {
	bad := func(what string, change func(*finding.BookState)) {
		t.Helper()
		b := one(0, 0)
		b.Judge(0, 5, holds())
		s := b.State()
		change(&s)
		fresh := one(0, 0)
		assert.Error(t, fresh.Restore(s), what)
		assert.Equal(t, one(0, 0), fresh, what)
	}
	bad("state", func(s *finding.BookState) { s.Records[0].State = 77 })
	bad("sequence", func(s *finding.BookState) { s.Seq = 0 })
	bad("evidence", func(s *finding.BookState) { s.Records[0].Evidence = make([]finding.Evidence, 9) })
	bad("causes", func(s *finding.BookState) { s.Records[0].Likely = make([]finding.Likely, 4) })
	bad("remarks", func(s *finding.BookState) { s.Records[0].Remarks = make([]finding.Remark, 9) })
	bad("number", func(s *finding.BookState) { s.Records[0].Evidence = []finding.Evidence{{Value: math.NaN()}} })
	bad("infinity", func(s *finding.BookState) { s.Records[0].Evidence = []finding.Evidence{{Value: math.Inf(-1)}} })
	bad("shelved without end", func(s *finding.BookState) { s.Records[0].IsShelved = true })
	bad("raises", func(s *finding.BookState) { s.Raises = make([]time.Duration, 12) })
}

func TestRestoreOfAnotherUnit(t *testing.T) {
	b := one(0, 0)
	gone := finding.BookState{Seq: 3, Records: []finding.RecordState{{Name: "no-more", Subject: "e",
		Life: finding.Life{Seq: 3}}}}
	require.NoError(t, b.Restore(gone), "another bank is no error")
	assert.EqualValues(t, 3, b.State().Seq, "and the changes are counted on")

	// Taken out of service in the configuration since then.
	old := one(0, 0)
	old.Judge(0, 5, holds())
	require.NoError(t, b.TakeOut(name, "", "configuration", 0))
	require.NoError(t, b.Restore(old.State()))
	assert.Equal(t, finding.OutOfService, b.Records[0].State)

	// A cause that is gone explains nothing.
	s := old.State()
	s.Records[0].CausedBy = "no-more"
	b = one(0, 0)
	require.NoError(t, b.Restore(s))
	assert.Negative(t, b.Records[0].CausedBy)
	assert.True(t, b.AnyActive(name))
}

// What is saved is a copy: what happens later does not change it.
func TestStateSharesNoMemory(t *testing.T) {
	b := one(0, 0)
	var p finding.Proof
	b.Judge(0, 1, p.Holds(volts.Is(1)).Suspect(fuse, wet))
	require.NoError(t, b.Remark(name, "", "kim", "first", 1))
	s := b.State()
	before, err := json.Marshal(s)
	require.NoError(t, err)
	b.Judge(0, 2, p.Holds(volts.Is(2)).Suspect(plug, wet))
	require.NoError(t, b.Remark(name, "", "kim", "second", 2))
	after, err := json.Marshal(s)
	require.NoError(t, err)
	assert.JSONEq(t, string(before), string(after))
	fresh := one(0, 0)
	require.NoError(t, fresh.Restore(s))
	fresh.Judge(0, 3, p.Holds(volts.Is(3)))
	after, err = json.Marshal(s)
	require.NoError(t, err)
	assert.JSONEq(t, string(before), string(after))
}

func TestWhatExplainsAFindingIsToldMuted(t *testing.T) {
	b := one(0, 0)
	of := b.Add(finding.NewRecord(&low, "", 0, 0))
	b.Judge(of, 0, holds())
	b.Explain(of, -1, 0)
	b.Judge(0, time.Minute, holds())
	b.Explain(of, 0, time.Minute)
	b.Explain(of, 0, 2*time.Minute)
	assert.True(t, b.Pending())
	changes := b.Take()
	require.Len(t, changes, 3)
	assert.Equal(t, finding.Explained, changes[2].Kind)
	assert.True(t, changes[2].Muted)
	assert.EqualValues(t, 3, changes[2].Seq)
	assert.False(t, b.Pending())
	b.Judge(of, 3*time.Minute, absent)
	b.Judge(of, 4*time.Minute, holds())
	b.Explain(of, 0, 4*time.Minute)
	assert.Len(t, b.Take(), 2, "explained when raised: that goes with the raise")
	assert.Zero(t, b.Records[of].CausedBy)
}

func TestWords(t *testing.T) {
	var severities, states []string
	for _, s := range finding.Severities {
		severities = append(severities, s.String())
	}
	for _, s := range finding.States {
		states = append(states, s.String())
	}
	assert.Equal(t, []string{"note", "repair", "urgent"}, severities)
	assert.Equal(t, []string{
		"normal", "unacknowledged", "acknowledged", "returned to normal unacknowledged", "shelved", "out of service",
	}, states)
	assert.Equal(t, "explained", finding.Explained.String())
	assert.Equal(t, "joint", finding.Joint.String())
}
