package finding_test

import (
	"encoding/json"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/finding"
)

// one is a book with one finding that needs no hold.
func one() *finding.Book {
	b := &finding.Book{}
	b.Add(finding.NewRecord(&finding.FeedLost, "", 0, 0))
	return b
}

const name = "feed-lost"

// events of the life table.
var events = map[string]func(b *finding.Book, at time.Duration) error{
	"alarm":    func(b *finding.Book, at time.Duration) error { b.Judge(0, at, finding.Present, ""); return nil },
	"over":     func(b *finding.Book, at time.Duration) error { b.Judge(0, at, finding.Absent, ""); return nil },
	"ack":      func(b *finding.Book, at time.Duration) error { return b.Acknowledge(name, "", "kim", at) },
	"shelve":   func(b *finding.Book, at time.Duration) error { return b.Shelve(name, "", "kim", at, time.Hour) },
	"unshelve": func(b *finding.Book, at time.Duration) error { return b.Unshelve(name, "", "kim", at) },
	"time-out": func(b *finding.Book, at time.Duration) error {
		b.Judge(0, at+2*time.Hour, finding.Between, "")
		return nil
	},
	"out":  func(b *finding.Book, at time.Duration) error { return b.TakeOut(name, "", "kim", at) },
	"back": func(b *finding.Book, at time.Duration) error { return b.PutBack(name, "", "kim", at) },
	"not judged": func(b *finding.Book, at time.Duration) error {
		b.Judge(0, at, finding.NotJudged, "no sensor")
		return nil
	},
}

// Every state with every event. Source: ANSI/ISA-18.2-2016 and IEC 62682 state model (states A, B, C, D, G and I with their ways out, as
// implemented in open software and in OPC UA Part 9, clause 4.8); here nothing is latched and suppression is by CausedBy.
func TestLifeTable(t *testing.T) {
	const (
		A, B, C, D = finding.Normal, finding.Unacknowledged, finding.Acknowledged, finding.ReturnedUnacknowledged
		G, I       = finding.Shelved, finding.OutOfService
	)
	reach := map[finding.State][]string{A: {}, B: {"alarm"}, C: {"alarm", "ack"}, D: {"alarm", "over"}, G: {"shelve"}, I: {"out"}}
	type to struct {
		state finding.State
		err   error
	}
	want := map[finding.State]map[string]to{
		A: {"alarm": {B, nil}, "over": {A, nil}, "ack": {A, finding.ErrGone}, "shelve": {G, nil}, "unshelve": {A, finding.ErrNotAside}, "time-out": {A, nil}, "out": {I, nil}, "back": {A, finding.ErrNotAside}, "not judged": {A, nil}},
		B: {"alarm": {B, nil}, "over": {D, nil}, "ack": {C, nil}, "shelve": {G, nil}, "unshelve": {B, finding.ErrNotAside}, "time-out": {B, nil}, "out": {I, nil}, "back": {B, finding.ErrNotAside}, "not judged": {B, nil}},
		C: {"alarm": {C, nil}, "over": {A, nil}, "ack": {C, finding.ErrDone}, "shelve": {G, nil}, "unshelve": {C, finding.ErrNotAside}, "time-out": {C, nil}, "out": {I, nil}, "back": {C, finding.ErrNotAside}, "not judged": {C, nil}},
		D: {"alarm": {B, nil}, "over": {D, nil}, "ack": {A, nil}, "shelve": {G, nil}, "unshelve": {D, finding.ErrNotAside}, "time-out": {D, nil}, "out": {I, nil}, "back": {D, finding.ErrNotAside}, "not judged": {D, nil}},
		G: {"alarm": {G, nil}, "over": {G, nil}, "ack": {G, finding.ErrAside}, "shelve": {G, nil}, "unshelve": {A, nil}, "time-out": {A, nil}, "out": {I, nil}, "back": {G, finding.ErrNotAside}, "not judged": {G, nil}},
		I: {"alarm": {I, nil}, "over": {I, nil}, "ack": {I, finding.ErrAside}, "shelve": {I, finding.ErrAside}, "unshelve": {I, finding.ErrNotAside}, "time-out": {I, nil}, "out": {I, finding.ErrAside}, "back": {A, nil}, "not judged": {I, nil}},
	}
	for from, row := range want {
		require.Len(t, row, len(events))
		for event, to := range row {
			b := one()
			for i, e := range reach[from] {
				require.NoError(t, events[e](b, time.Duration(i)))
			}
			require.Equal(t, from, b.Records[0].State)
			err := events[event](b, time.Minute)
			assert.ErrorIs(t, err, to.err, "%s + %s", from, event)
			assert.Equal(t, to.state, b.Records[0].State, "%s + %s", from, event)
		}
	}
}

func TestShelvedFindingThatHoldsComesBackUnacknowledged(t *testing.T) {
	for _, way := range []string{"unshelve", "time-out"} {
		b := one()
		for i, e := range []string{"alarm", "ack", "shelve"} {
			require.NoError(t, events[e](b, time.Duration(i)))
		}
		require.NoError(t, events[way](b, time.Minute))
		assert.Equal(t, finding.Unacknowledged, b.Records[0].State, way)
	}
	b := one()
	require.NoError(t, b.TakeOut(name, "", "kim", 0))
	b.Judge(0, 1, finding.Present, "")
	changes := b.Take()
	assert.True(t, changes[len(changes)-1].Quiet, "nobody is called for what is out of service")
	require.NoError(t, b.PutBack(name, "", "kim", 2))
	assert.Equal(t, finding.Unacknowledged, b.Records[0].State)
}

func TestRefusals(t *testing.T) {
	b := one()
	b.Judge(0, 0, finding.Present, "")
	assert.ErrorIs(t, b.Acknowledge("feed-lots", "", "kim", 0), finding.ErrUnknown)
	assert.ErrorIs(t, b.Acknowledge(name, "b", "kim", 0), finding.ErrUnknown)
	assert.ErrorIs(t, b.Acknowledge(name, "", " ", 0), finding.ErrActor)
	assert.ErrorIs(t, b.Acknowledge(name, "", "k\xff", 0), finding.ErrActor)
	assert.ErrorIs(t, b.Shelve(name, "", "kim", 0, 0), finding.ErrEnd)
	assert.ErrorIs(t, b.Shelve(name, "", "kim", 0, -time.Second), finding.ErrEnd)
	assert.ErrorIs(t, b.Shelve(name, "", "kim", 0, finding.DefaultLongest+1), finding.ErrEnd)
	b.Longest = time.Hour
	assert.EqualError(t, b.Shelve(name, "", "kim", 0, 2*time.Hour), `shelve "feed-lost": for 2h0m0s: want more than 0, to 1h0m0s: want an end`)
	assert.ErrorIs(t, b.Remark(name, "", "kim", " ", 0), finding.ErrText)
	assert.Len(t, b.Take(), 1, "what is refused changes nothing")
}

func TestEveryChangeIsNumbered(t *testing.T) {
	b := one()
	for i, e := range []string{"alarm", "ack", "over", "alarm", "shelve", "unshelve", "out", "back"} {
		require.NoError(t, events[e](b, time.Duration(i)))
	}
	require.NoError(t, b.Remark(name, "", "kim", "plug wet", 9))
	for i, c := range b.Take() {
		assert.EqualValues(t, i+1, c.Seq)
		assert.Equal(t, 0, c.Record)
	}
	assert.EqualValues(t, 9, b.Records[0].Seq)
	for range 2 * finding.MaxRemarks {
		require.NoError(t, b.Remark(name, "", "kim", "again", 10))
	}
	assert.Len(t, b.Records[0].Remarks, finding.MaxRemarks)
}

func TestAcknowledgingACauseAcknowledgesWhatItExplains(t *testing.T) {
	b := one()
	low := b.Add(finding.NewRecord(&finding.BankLow, "", 0, 0))
	b.Judge(0, 0, finding.Present, "")
	b.Judge(low, 0, finding.Present, "")
	b.Records[low].CausedBy = 0
	require.NoError(t, b.Acknowledge(name, "", "kim", 1))
	assert.Equal(t, finding.Acknowledged, b.Records[low].State)
}

// More than 10 in 10 minutes is a flood, fewer than 5 its end (ISA-18.2, from memory; EEMUA 191's peak). Urgent ones are told in it.
func TestFlood(t *testing.T) {
	b := &finding.Book{}
	for range 14 {
		b.Add(finding.NewRecord(&finding.BankLow, "", 0, 0))
	}
	urgent := b.Add(finding.NewRecord(&finding.SeriesWired, "", 0, 0))
	for i := range 13 {
		b.Judge(i, time.Duration(i)*time.Second, finding.Present, "")
	}
	b.Judge(urgent, 14*time.Second, finding.Present, "")
	changes := b.Take()
	for i, c := range changes {
		assert.Equal(t, i >= 10 && i < 13, c.Quiet, i)
	}
	assert.True(t, b.Flooded(9*time.Minute))
	assert.False(t, b.Flooded(11*time.Minute))
	b.Judge(13, 12*time.Minute, finding.Present, "")
	assert.False(t, b.Take()[0].Quiet)
}

func TestChatteringStaysUntilItHasBeenOverForAnHour(t *testing.T) {
	b := one()
	at := time.Duration(0)
	for range 20 {
		b.Judge(0, at, finding.Present, "")
		b.Judge(0, at+time.Minute, finding.Absent, "")
		at += 2 * time.Minute
	}
	assert.EqualValues(t, 3, b.Records[0].Times)
	assert.True(t, b.Records[0].Active())
	b.Judge(0, at, finding.Absent, "")
	b.Judge(0, at+61*time.Minute, finding.Absent, "")
	assert.False(t, b.Records[0].Active())
}

func TestCausesInTheOrderOfTheEvidence(t *testing.T) {
	r := finding.NewRecord(&finding.FeedLost, "", 0, 0)
	assert.Equal(t, finding.FeedLost.Causes, r.Causes())
	r.Suspect(finding.Likely{Cause: 2, Reason: "seen"}, finding.Likely{Cause: 99, Reason: "none"}, finding.Likely{Cause: 2, Reason: "twice"})
	got := r.Causes()
	assert.Len(t, got, len(finding.FeedLost.Causes))
	assert.Equal(t, finding.FeedLost.Causes[2]+" (seen)", got[0])
	assert.Equal(t, finding.FeedLost.Causes[0], got[1])
}

// Saved, sent through JSON and restored in the middle, a book says the same as one that never stopped.
func TestRestartChangesNothing(t *testing.T) {
	names := []string{"alarm", "over", "ack", "shelve", "unshelve", "time-out", "out", "back", "not judged"}
	rapid.Check(t, func(t *rapid.T) {
		build := func() *finding.Book {
			b := &finding.Book{}
			b.Add(finding.NewRecord(&finding.FeedLost, "", time.Second, 2*time.Second))
			return b
		}
		one, two := build(), build()
		at := time.Duration(0)
		for range 40 {
			at += time.Duration(rapid.IntRange(0, 3000).Draw(t, "dt")) * time.Millisecond
			e := rapid.SampledFrom(names).Draw(t, "event")
			one.Records[0].Show(finding.Evidence{What: e, Value: at.Seconds(), Unit: "s", At: at})
			two.Records[0].Show(finding.Evidence{What: e, Value: at.Seconds(), Unit: "s", At: at})
			require.Equal(t, events[e](one, at), events[e](two, at))
			if rapid.IntRange(0, 5).Draw(t, "restart") == 0 {
				saved, err := json.Marshal(two.State())
				require.NoError(t, err)
				var s finding.BookState
				require.NoError(t, json.Unmarshal(saved, &s))
				fresh := build()
				require.NoError(t, fresh.Restore(s))
				one.Take()
				two = fresh
			}
			require.Equal(t, one.State().Seq, two.State().Seq)
			require.Equal(t, one.Records[0].State, two.Records[0].State)
			require.Equal(t, one.Records[0].Since, two.Records[0].Since)
			require.Equal(t, one.Records[0].Times, two.Records[0].Times)
		}
		one.Take()
		two.Take()
		require.Equal(t, one.State(), two.State())
	})
}

func TestRestoreRefusesWhatCannotBe(t *testing.T) {
	bad := func(what string, change func(*finding.BookState)) {
		t.Helper()
		b := one()
		b.Judge(0, 5, finding.Present, "")
		s := b.State()
		change(&s)
		fresh := one()
		assert.Error(t, fresh.Restore(s), what)
		assert.Equal(t, finding.Normal, fresh.Records[0].State, what)
	}
	bad("state", func(s *finding.BookState) { s.Records[0].State = 77 })
	bad("sequence", func(s *finding.BookState) { s.Seq = 0 })
	bad("evidence", func(s *finding.BookState) { s.Records[0].Evidence = make([]finding.Evidence, 99) })
	bad("number", func(s *finding.BookState) { s.Records[0].Evidence = []finding.Evidence{{Value: math.NaN()}} })
	bad("shelved without end", func(s *finding.BookState) { s.Records[0].Shelved = true })
	bad("raises", func(s *finding.BookState) { s.Raises = make([]time.Duration, 99) })
	gone := finding.BookState{Seq: 3, Records: []finding.RecordState{{Name: "no-more", Seq: 3}}}
	b := one()
	require.NoError(t, b.Restore(gone), "another bank is no error")
	assert.False(t, errors.Is(b.Restore(gone), finding.ErrUnknown))
}

func TestWhatExplainsAFindingIsToldQuietly(t *testing.T) {
	b := one()
	low := b.Add(finding.NewRecord(&finding.BankLow, "", 0, 0))
	b.Judge(low, 0, finding.Present, "")
	b.Explain(low, -1, 0)
	b.Judge(0, time.Minute, finding.Present, "")
	b.Explain(low, 0, time.Minute)
	b.Explain(low, 0, 2*time.Minute)
	assert.True(t, b.Pending())
	changes := b.Take()
	require.Len(t, changes, 3)
	assert.Equal(t, finding.Explained, changes[2].Kind)
	assert.True(t, changes[2].Quiet)
	assert.EqualValues(t, 3, changes[2].Seq)
	assert.False(t, b.Pending())
}
