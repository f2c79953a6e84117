package store

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/records"
	"liftbank/agent/store/outbox"
)

// put adds records to a stream and has them on the card.
func (h *hand) put(of outbox.Stream, n int) {
	h.t.Helper()
	for range n {
		h.AddRecord(trusted(0), of, []byte("{}"))
	}
	h.flush()
}

// breakCard has the card take nothing until the next flush.
func (h *hand) breakCard() {
	h.t.Helper()
	require.NoError(h.t, h.card.ask(h.t.Context(), func() error { h.card.fault(errStopped); return nil }))
}

// answers returns what a receipt is answered with: session:number, or a gap with its reason.
func (h *hand) answers(r outbox.Receipt) (out []string) {
	h.t.Helper()
	again, known, err := h.Confirm(h.t.Context(), r)
	require.NoError(h.t, err)
	require.True(h.t, known)
	for _, rec := range again {
		assert.Positive(h.t, rec.First, "the schema of a gap wants 1 or more")
		text := fmt.Sprintf("%s:%d", rec.Session, rec.Seq)
		if rec.Gap != "" {
			text = fmt.Sprintf("%s:%d-%d first %d %s", rec.Session, rec.From, rec.Seq, rec.First, rec.Gap)
			_, err := records.Encoder{Unit: "t-1"}.Body(&rec)
			require.NoError(h.t, err)
		}
		out = append(out, text)
	}
	return out
}

// A collector that was heard on one stream is waited for on every other: the first visit, which the
// broker had and lost, is not deleted by the grace. Where nobody is heard the grace deletes it, and
// that is counted.
func TestACollectorIsOneForAllStreams(t *testing.T) {
	for _, heard := range []bool{true, false} {
		dir := t.TempDir()
		h := open(t, dir, "s1", Limits{})
		h.put(outbox.Visits, 2)
		h.put(outbox.Readings, 1)
		sendThrough(t, h.Outlet, outbox.Visits, 2)
		sendThrough(t, h.Outlet, outbox.Readings, 1)
		if heard {
			h.answers(outbox.Receipt{Stream: outbox.Readings, Session: "s1", Through: 1})
		}
		h.flush()
		h.stop()
		h = open(t, dir, "s2", Limits{}) // the collector is remembered
		for range 100 {
			h.pass(time.Hour)
		}
		assert.Empty(t, h.numbers(outbox.Readings))
		if heard {
			assert.Equal(t, []string{"s1:1", "s1:2"}, h.numbers(outbox.Visits))
			assert.Zero(t, h.Health().Unconfirmed)
			continue
		}
		assert.Empty(t, h.numbers(outbox.Visits))
		assert.Equal(t, uint64(3), h.Health().Unconfirmed)
		assert.Zero(t, h.Health().Lost, "the broker had them: no alert")
	}
}

// A receipt deletes nothing that was not handed to the broker: not what waits on the card, not what
// is in memory, not later when it is sent.
func TestAReceiptDeletesNothingUnsent(t *testing.T) {
	h := open(t, t.TempDir(), "s1", Limits{})
	h.put(outbox.Visits, 4)
	sendThrough(t, h.Outlet, outbox.Visits, 1)
	all, err := h.After(t.Context(), outbox.Visits, h.Resume(outbox.Visits), 10)
	require.NoError(t, err)
	h.Handing(all[0]) // 2 is under way: its receipt may be faster than the broker's acknowledgement
	assert.Empty(t, h.answers(outbox.Receipt{Stream: outbox.Visits, Session: "s1", Through: 4}))
	h.flush()
	assert.Equal(t, []string{"s1:3", "s1:4"}, h.numbers(outbox.Visits))

	sendThrough(t, h.Outlet, outbox.Visits, 4)
	h.flush()
	for range 100 {
		h.pass(time.Hour)
	}
	assert.Equal(t, []string{"s1:3", "s1:4"}, h.numbers(outbox.Visits), "that was said before they were sent")
	h.answers(outbox.Receipt{Stream: outbox.Visits, Session: "s1", Through: 4})
	h.flush()
	assert.Empty(t, h.numbers(outbox.Visits))

	// The same for what is in memory only, because the card takes nothing.
	h.put(outbox.Runs, 1)
	sendThrough(t, h.Outlet, outbox.Runs, 1)
	h.breakCard()
	h.AddRecord(trusted(0), outbox.Runs, []byte("{}"))
	assert.Empty(t, h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 2}))
	sendThrough(t, h.Outlet, outbox.Runs, 2)
	h.flush()
	assert.Equal(t, []string{"s1:2"}, h.numbers(outbox.Runs))
}

// Whoever asks under another session gets what is there, under its own, and a gap only for what is
// not; a gap says with which number its session began, however long ago that was.
func TestWhatIsThereIsNeverAGap(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	h.put(outbox.Runs, 3) // 1 to 3
	h.stop()
	h = open(t, dir, "s2", Limits{})
	h.put(outbox.Runs, 2) // 4, 5
	h.stop()
	h = open(t, dir, "s3", Limits{})
	h.put(outbox.Runs, 2) // 6, 7
	sendThrough(t, h.Outlet, outbox.Runs, 6)
	want := [][2]uint64{{1, 7}}
	there := []string{"s1:1", "s1:2", "s1:3", "s2:4", "s2:5", "s3:6"}
	for _, s := range []string{"s1", "s2", "s3"} {
		assert.Equal(t, there, h.answers(outbox.Receipt{Stream: outbox.Runs, Session: s, Missing: want}),
			"all but 7, which was not sent yet; asked under %s", s)
	}
	h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 3})
	h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s2", Through: 5})
	h.flush()
	require.Equal(t, []string{"s3:6", "s3:7"}, h.numbers(outbox.Runs))
	assert.Equal(t, []string{"s1:1-5 first 1 no longer stored", "s3:6"},
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Missing: want}))
	assert.Equal(t, []string{"s2:1-5 first 4 no longer stored", "s3:6"},
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s2", Missing: want}))
	h.stop()
	h = open(t, dir, "s4", Limits{})
	h.put(outbox.Visits, 1)
	for range 3 {
		h.pass(2 * time.Hour)
	}
	assert.Equal(t, []string{"first/runs/s3", "first/visits/s4", "ran_ms"}, h.notes(), "no more than there are sessions")
	assert.Equal(t, []string{"s4:5-5 first 8 no longer stored", "s3:6"},
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s4", Through: 4, Missing: [][2]uint64{{5, 6}}}))
	assert.Equal(t, []string{"s3:6"},
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s3", Through: 3, Missing: [][2]uint64{{6, 6}}}))
	// A file of before the numbers were noted.
	require.NoError(t, h.card.ask(t.Context(), func() error {
		_, err := h.card.db.Exec("DELETE FROM meta WHERE name LIKE 'first/%'")
		return err
	}))
	assert.Equal(t, []string{"s3:2-3 first 6 no longer stored"},
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s3", Missing: [][2]uint64{{2, 3}}}), "its records tell")
}

// A session of which not even the first number is known any more: a file of before these were noted.
// A gap says no more than is known.
func TestAGapOfAnUnknownSession(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	h.put(outbox.Runs, 5)
	h.put(outbox.Visits, 1) // keeps the session
	sendThrough(t, h.Outlet, outbox.Runs, 5)
	h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 5})
	h.stop()
	h = open(t, dir, "s2", Limits{})
	require.NoError(t, h.card.ask(t.Context(), func() error {
		_, err := h.card.db.Exec("DELETE FROM meta WHERE name LIKE 'first/%'")
		return err
	}))
	assert.Equal(t, []string{"s1:3-4 first 3 no longer stored"},
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Missing: [][2]uint64{{3, 4}}}))
}

// notes returns the names in the table meta.
func (h *hand) notes() (names []string) {
	h.t.Helper()
	require.NoError(h.t, h.card.ask(h.t.Context(), func() error {
		rows, err := h.card.db.Query("SELECT name FROM meta ORDER BY name")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var name string
			if err := rows.Scan(&name); err != nil {
				return err
			}
			names = append(names, name)
		}
		return rows.Err()
	}))
	return names
}

// What is in memory only, because the card takes nothing, is there too.
func TestWhatIsInMemoryIsThere(t *testing.T) {
	h := open(t, t.TempDir(), "s1", Limits{})
	h.put(outbox.Runs, 1)
	h.breakCard()
	for range 2 {
		h.AddRecord(trusted(0), outbox.Runs, []byte("{}"))
	}
	all, err := h.After(t.Context(), outbox.Runs, 0, 10)
	require.NoError(t, err)
	require.Len(t, all, 3)
	for _, r := range all {
		h.Sent(r)
	}
	want := [][2]uint64{{1, 3}}
	assert.Equal(t, []string{"s1:1", "s1:2", "s1:3"},
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Missing: want}))
}

// A broker that lost a receipt and hands on the one before: what that asks for is gone because the
// collector has it. Asked anew by the collector itself, it is a gap.
func TestAnOldReceiptNamesNoGap(t *testing.T) {
	for _, restart := range []bool{false, true} {
		dir := t.TempDir()
		h := open(t, dir, "s1", Limits{})
		h.put(outbox.Runs, 6)
		sendThrough(t, h.Outlet, outbox.Runs, 6)
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 4, Missing: [][2]uint64{{5, 5}}})
		if restart {
			h.stop()
			h = open(t, dir, "s2", Limits{})
		} else {
			h.flush()
		}
		old := outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 1, Missing: [][2]uint64{{2, 3}, {4, 5}}, Old: true}
		assert.Equal(t, []string{"s1:5"}, h.answers(old))
		old.Old = false
		assert.Equal(t, []string{"s1:2-3 first 1 no longer stored", "s1:4-4 first 1 no longer stored", "s1:5"},
			h.answers(old))
		assert.Equal(t, []string{"s1:5", "s1:6"}, h.numbers(outbox.Runs), "through never goes back")
	}
}

// However much a range holds, what one answer has no room for is no gap.
func TestALongRangeIsAnsweredInParts(t *testing.T) {
	h := open(t, t.TempDir(), "s1", Limits{})
	h.put(outbox.Runs, 300)
	sendThrough(t, h.Outlet, outbox.Runs, 300)
	for through := uint64(0); through < 300; {
		again, _, err := h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: through,
			Missing: [][2]uint64{{through + 1, 1 << 40}}})
		require.NoError(t, err)
		require.NotEmpty(t, again)
		for _, r := range again {
			through++
			require.Equal(t, through, r.Seq)
			require.Empty(t, r.Gap)
		}
	}
}

// Receipts cost no commit of their own, and those that say nothing new cost none at all.
func TestReceiptsRideWithTheNextCommit(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	for of := range outbox.Streams {
		h.put(outbox.Stream(of), 10)
		sendThrough(t, h.Outlet, outbox.Stream(of), 10)
	}
	h.flush()
	before := h.Health().Commits
	say := func(through uint64) {
		for of := range outbox.Streams {
			h.answers(outbox.Receipt{Stream: outbox.Stream(of), Session: "s1", Through: through})
		}
	}
	for through := range uint64(10) {
		say(through + 1)
	}
	assert.Equal(t, before, h.Health().Commits)
	h.pass(30 * time.Second)
	assert.Equal(t, before+1, h.Health().Commits)
	for of := range outbox.Streams {
		assert.Empty(t, h.numbers(outbox.Stream(of)))
	}
	for range 50 {
		say(10)
		h.pass(30 * time.Second)
	}
	assert.Equal(t, before+1, h.Health().Commits, "nothing new")
	for range 60 {
		say(10)
		h.pass(time.Minute)
	}
	assert.LessOrEqual(t, h.Health().Commits, before+4, "when it was heard last, to the hour")

	// A power cut before the commit: the collector says it again.
	h.put(outbox.Runs, 1)
	sendThrough(t, h.Outlet, outbox.Runs, 11)
	h.flush()
	h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 11})
	h.stop()
	h = open(t, dir, "s2", Limits{})
	assert.Empty(t, h.numbers(outbox.Runs), "an orderly end writes it")
}

// A transaction that fails, before the receipts or after them, takes back that they were written.
func TestReceiptsOutliveAFailedCommit(t *testing.T) {
	for _, at := range []string{"INSERT ON cursors", "DELETE ON outbox"} {
		dir := t.TempDir()
		h := open(t, dir, "s1", Limits{})
		h.put(outbox.Runs, 2)
		sendThrough(t, h.Outlet, outbox.Runs, 2)
		require.NoError(t, h.card.ask(t.Context(), func() error { // before the card can have committed by itself
			_, err := h.card.db.Exec("CREATE TRIGGER no BEFORE " + at + " BEGIN SELECT RAISE(ABORT, 'no'); END")
			return err
		}))
		h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 2})
		require.NoError(t, h.card.ask(t.Context(), func() error { h.card.commit(); return nil }))
		require.NotEmpty(t, h.Health().Problem)
		assert.Len(t, h.numbers(outbox.Runs), 2)
		require.NoError(t, h.card.ask(t.Context(), func() error {
			_, err := h.card.db.Exec("DROP TRIGGER no")
			return err
		}))
		h.flush()
		assert.Empty(t, h.numbers(outbox.Runs), at)
	}
}

// How long sent records have waited for a receipt, over restarts too.
func TestUnheardSince(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	unheard := func() time.Duration { return h.Health().Outlets[0].Unheard }
	h.pass(time.Hour)
	assert.Zero(t, unheard(), "nothing was sent")
	h.put(outbox.Runs, 3)
	sendThrough(t, h.Outlet, outbox.Runs, 1)
	h.pass(5 * time.Hour)
	assert.Equal(t, 5*time.Hour, unheard())
	h.answers(outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 1})
	h.pass(5 * time.Hour)
	assert.Zero(t, unheard(), "all that was sent is confirmed")
	sendThrough(t, h.Outlet, outbox.Runs, 2)
	h.pass(2 * time.Hour)
	assert.Equal(t, 2*time.Hour, unheard())
	h.stop()
	h = open(t, dir, "s2", Limits{})
	assert.Zero(t, unheard())
	sendThrough(t, h.Outlet, outbox.Runs, 3)
	assert.InDelta(t, 7, unheard().Hours(), 1, "since the last receipt; the card knows it to the hour")
}
