package store

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/history"
	"liftbank/agent/moment"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/file"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/tables"
)

// sendThrough has an outlet send everything of a stream up to a number.
func sendThrough(t *testing.T, o *outbox.Outlet, of outbox.Stream, seq uint64) {
	t.Helper()
	all, err := o.After(t.Context(), of, o.Resume(of), 1000)
	require.NoError(t, err)
	for _, r := range all {
		if r.Seq <= seq {
			o.Sent(r)
		}
	}
}

// A record stays until every outlet is done with it, each in its own way.
func TestEachOutletHasItsCursor(t *testing.T) {
	dir := t.TempDir()
	h := openWith(t, dir, "s1", Limits{}, "mqtt", "file")
	file := h.Store.Outlet("file")
	assert.Nil(t, h.Store.Outlet("other"))
	for range 6 {
		h.AddRecord(trusted(0), outbox.Runs, []byte("{}"))
	}
	h.flush()
	for _, news := range []<-chan struct{}{h.News(), file.News()} {
		select {
		case <-news:
		default:
			assert.Fail(t, "both hear of new records")
		}
	}
	sendThrough(t, h.Outlet, outbox.Runs, 6)
	sendThrough(t, file, outbox.Runs, 4)
	h.flush()
	waiting := func() (n []int64) {
		for _, o := range h.Health().Outlets {
			n = append(n, o.Waiting[outbox.Runs])
		}
		return n
	}
	assert.Equal(t, []int64{0, 2}, waiting())

	// The collector of one has four of them, and nobody confirms the other's.
	again, known, err := h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 4})
	require.NoError(t, err)
	assert.True(t, known)
	assert.Empty(t, again)
	assert.Len(t, h.numbers(outbox.Runs), 6, "the file outlet's grace is not over")
	assert.True(t, h.Collected())
	assert.False(t, file.Collected())
	left, err := h.Unconfirmed(t.Context(), outbox.Runs, 10)
	require.NoError(t, err)
	require.Len(t, left, 2, "what it confirmed is not sent again because another outlet keeps it")
	assert.Equal(t, uint64(5), left[0].Seq)

	for range 80 {
		h.pass(time.Hour)
	}
	assert.Equal(t, []string{"s1:5", "s1:6"}, h.numbers(outbox.Runs), "both are done with four")
	_, _, err = h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 6})
	require.NoError(t, err)
	h.flush()
	assert.Equal(t, []string{"s1:5", "s1:6"}, h.numbers(outbox.Runs), "the file outlet has not sent these")

	// Cursors outlive a restart. One that is not configured holds nobody up, and keeps its place.
	h.stop()
	h = openWith(t, dir, "s2", Limits{}, "mqtt")
	h.pass(2 * time.Hour)
	assert.Empty(t, h.numbers(outbox.Runs))
	h.AddRecord(trusted(0), outbox.Runs, []byte("{}"))
	h.flush()
	h.stop()
	h = openWith(t, dir, "s3", Limits{}, "new", "file")
	assert.Equal(t, []int64{7, 3}, waiting(), "by numbers: what is no longer stored counts")
	records, err := h.Store.Outlet("file").After(t.Context(), outbox.Runs, h.Store.Outlet("file").Resume(outbox.Runs), 10)
	require.NoError(t, err)
	require.Len(t, records, 1)
	assert.Equal(t, uint64(7), records[0].Seq)
	records, err = h.After(t.Context(), outbox.Runs, h.Resume(outbox.Runs), 10)
	require.NoError(t, err)
	assert.Len(t, records, 1, "a new one starts at the oldest that is there")

	// Without any outlet records wait for one.
	h.stop()
	h = openWith(t, dir, "s4", Limits{})
	for range 200 {
		h.pass(time.Hour)
	}
	assert.Equal(t, []string{"s2:7"}, h.numbers(outbox.Runs))
}

// A damaged file: each outlet hears of a gap unless it has sent everything.
func TestALostFileLeavesAGapForThoseBehind(t *testing.T) {
	h := openWith(t, t.TempDir(), "s1", Limits{}, "mqtt", "file")
	behind := h.Store.Outlet("file")
	for range 3 {
		h.AddRecord(trusted(0), outbox.Runs, nil)
	}
	h.flush()
	sendThrough(t, h.Outlet, outbox.Runs, 3)
	sendThrough(t, behind, outbox.Runs, 1)
	h.damage()
	h.AddRecord(trusted(time.Minute), outbox.Runs, []byte("x"))
	h.flush()
	next := func(o *outbox.Outlet) (out []string) {
		records, err := o.After(t.Context(), outbox.Runs, o.Resume(outbox.Runs), 10)
		require.NoError(t, err)
		for _, r := range records {
			out = append(out, fmt.Sprintf("%d-%d %s", r.From, r.Seq, r.Gap))
		}
		return out
	}
	assert.Equal(t, []string{"4-4 "}, next(h.Outlet))
	assert.Equal(t, []string{"2-3 store damaged", "4-4 "}, next(behind))
}

// A file of the version before: what waited is there with its number, its place and every time in
// it.
func TestAFileOfTheVersionBeforeIsCarriedOver(t *testing.T) {
	dir := t.TempDir()
	db, err := sql.Open("sqlite", filepath.Join(dir, file.Name))
	require.NoError(t, err)
	require.NoError(t, tables.Migrate(db, 1))
	tx, err := db.BeginTx(t.Context(), nil)
	require.NoError(t, err)
	const told = 1000 // ms: what the clock showed when the session began; it was set later
	for _, q := range []struct {
		text string
		args []any
	}{
		{"INSERT INTO spans VALUES(1, 's1', 0, ?, 1)", []any{day0.UnixMilli()}},
		{"INSERT INTO streams VALUES(0, 3, 3, 1, 3600000), (2, 5, 5, 0, NULL), (3, 2, 2, 1, NULL)", nil},
		{"INSERT INTO acks VALUES(0, 7200000, 1)", nil},
		{"INSERT INTO findings VALUES(?, 'feed-weak', '', 'service', NULL)", []any{tables.Key(1, 60_000)}},
		{"INSERT INTO visits VALUES('v1', 1, 5, x'00')", nil},
		{"INSERT INTO outbox VALUES(?, 1, 1, 2, 2, 120000, ?, '', ?)", []any{tables.RecordKey(outbox.Findings, 2), told, `{
			"name":"feed-weak","severity":"service","since":"1970-01-01T00:01:01Z","raised_at":"1970-01-01T00:01:31Z",
			"causes":["a cable"],"next_check":"look","holds":true,"not_judged_because":"no reading",
			"evidence":[{"what":"x","value":12.25,"text":"low","at":"1970-01-01T00:01:31Z"}],
			"remarks":[{"at":"1970-01-01T00:02:01Z","by":"t","text":"1970-01-01T00:02:01Z"}]}`}},
		{"INSERT INTO outbox VALUES(?, 1, 1, 4, 4, 180000, ?, '', ?)",
			[]any{tables.RecordKey(outbox.Runs, 4), told, `{"number":7,"start":"1970-01-01T00:02:31Z","drawn_ah":0.3991}`}},
		{"INSERT INTO outbox VALUES(?, 1, 1, 1, 3, 90000, ?, 'no room on the card', x'')",
			[]any{tables.RecordKey(outbox.Runs, 3), told}},
		{"INSERT INTO outbox VALUES(?, 1, 1, 1, 1, 240000, ?, '', ?)",
			[]any{tables.RecordKey(outbox.Readings, 1), told, `{"mono_ms":60000,"batch":{"step_s":60}}`}},
		{"INSERT INTO outbox VALUES(?, 1, 1, 1, 1, 240000, ?, '', ?)",
			[]any{tables.RecordKey(outbox.Visits, 1), told, `{"id":"v1","begun":"2026-03-09T13:30:00Z"}`}},
	} {
		_, err := tx.Exec(q.text, q.args...)
		require.NoError(t, err, q.text)
	}
	require.NoError(t, tx.Commit())
	require.NoError(t, db.Close())

	h := open(t, dir, "s2", Limits{})
	require.Empty(t, h.Health().Problem, h.Health().Detail)
	assert.Equal(t, []string{"s1:2"}, h.numbers(outbox.Findings))
	assert.Equal(t, []string{"s1:1-3 no room on the card", "s1:4"}, h.numbers(outbox.Runs))
	assert.Equal(t, tables.RecordKey(outbox.Findings, 1), h.Resume(outbox.Findings), "MQTT goes on where it was")
	assert.True(t, h.Collected())
	assert.Equal(t, uint64(3), h.AddRecord(trusted(0), outbox.Findings, nil), "numbers go on")

	type times struct {
		Since    time.Time `json:"since"`
		RaisedAt time.Time `json:"raised_at"`
		Start    time.Time `json:"start"`
		Begun    time.Time `json:"begun"`
		Evidence []struct {
			At    time.Time
			Value float64
		}
		Remarks []struct {
			At   time.Time
			Text string
		}
		Severity string
	}
	read := func(of outbox.Stream) (out times) {
		records, err := h.After(t.Context(), of, 0, 10)
		require.NoError(t, err)
		for _, r := range records {
			if r.Gap == "" && r.Session == "s1" {
				require.NoError(t, json.Unmarshal(r.Body, &out))
				moment.Resolve(&out, r.Time)
			}
		}
		return out
	}
	waiting, err := h.After(t.Context(), outbox.Findings, 0, 1)
	require.NoError(t, err)
	var message snapshot.Finding
	require.NoError(t, json.Unmarshal(waiting[0].Body, &message))
	assert.True(t, message.Active)
	assert.Equal(t, "a cable", message.Causes[0].Cause.English)
	assert.Equal(t, []string{"look"}, message.NextCheck)
	assert.Equal(t, "no reading", message.Because.English)
	assert.Equal(t, "x", message.Evidence[0].What.English)
	assert.Equal(t, "low", message.Evidence[0].Words.English)

	f := read(outbox.Findings)
	assert.Equal(t, "repair", f.Severity)
	assert.Equal(t, day0.Add(time.Minute), f.Since)
	assert.Equal(t, day0.Add(90*time.Second), f.RaisedAt)
	assert.Equal(t, day0.Add(90*time.Second), f.Evidence[0].At)
	assert.Equal(t, 12.25, f.Evidence[0].Value)
	assert.Equal(t, day0.Add(2*time.Minute), f.Remarks[0].At)
	assert.Equal(t, "1970-01-01T00:02:01Z", f.Remarks[0].Text, "a text is a text")
	assert.Equal(t, day0.Add(150*time.Second), read(outbox.Runs).Start)
	assert.Equal(t, day0.Add(time.Minute), read(outbox.Readings).Start)
	assert.Equal(t, time.Date(2026, 3, 9, 13, 30, 0, 0, time.UTC), read(outbox.Visits).Begun,
		"what nobody could put right stays as it was told")

	w, err := h.Window(t.Context(), history.Query{From: day0, To: day0.Add(time.Hour), Points: 10})
	require.NoError(t, err)
	require.Len(t, w.Findings, 1)
	assert.Equal(t, "repair", w.Findings[0].Severity)
}

// Under any order of adding, sending, confirming, waiting and restarting: a record stays as long as
// one of the outlets is not done with it, and leaves once both are.
func TestTwoOutletsUnderRapid(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(inMemory(), "outlets")
		require.NoError(rt, err)
		defer os.RemoveAll(dir)
		var h *hand
		var file *outbox.Outlet
		session, added := 0, uint64(0)
		start := func() {
			session++
			h = openWith(t, dir, fmt.Sprintf("s%d", session), Limits{}, "mqtt", "file")
			file = h.Store.Outlet("file")
		}
		start()
		sessionOf := map[uint64]string{} // of each number
		// By the collector of one, which can have what was sent; by the other, which has none.
		var confirmed, offered, sent uint64
		// A collector that was not heard for long, or never, is not waited for: the grace is over.
		const collector = 30 * 24 * time.Hour
		silent := collector
		number := func(rt *rapid.T, label string) uint64 { return rapid.Uint64Range(0, added).Draw(rt, label) }
		confirm := func(through uint64) {
			for seq := uint64(1); seq <= through; seq++ {
				if s := sessionOf[seq]; seq == through || s != sessionOf[seq+1] {
					_, _, err := h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: s, Through: seq})
					require.NoError(rt, err)
				}
			}
			confirmed = max(confirmed, min(through, offered))
			if through > 0 {
				silent = 0
			}
			h.flush()
		}
		offer := func(through uint64) {
			sendThrough(t, h.Outlet, outbox.Runs, through)
			offered = max(offered, through)
			h.flush()
		}
		present := func() map[uint64]bool {
			all, err := h.outbox.After(t.Context(), outbox.Runs, 0, 100000)
			require.NoError(rt, err)
			there := map[uint64]bool{}
			for _, r := range all {
				there[r.Seq] = true
			}
			return there
		}
		send := func(through uint64) {
			sendThrough(t, file, outbox.Runs, through)
			sent = max(sent, through)
		}
		rt.Repeat(map[string]func(*rapid.T){
			"add": func(*rapid.T) {
				added = h.AddRecord(trusted(0), outbox.Runs, []byte("{}"))
				sessionOf[added] = fmt.Sprintf("s%d", session)
				h.flush()
			},
			"send":    func(rt *rapid.T) { send(number(rt, "sent")); h.flush() },
			"offer":   func(rt *rapid.T) { offer(number(rt, "offered")) },
			"confirm": func(rt *rapid.T) { confirm(number(rt, "through")) },
			"wait": func(rt *rapid.T) {
				d := time.Duration(rapid.IntRange(1, 100).Draw(rt, "hours")) * time.Hour
				h.pass(d)
				if silent += d; silent >= collector {
					confirmed = max(confirmed, offered)
				}
			},
			"restart": func(*rapid.T) { h.stop(); start() },
			"": func(rt *rapid.T) {
				there := present()
				for seq := min(confirmed, sent) + 1; seq <= added; seq++ {
					require.True(rt, there[seq], "%d: one is not done with it", seq)
				}
			},
		})
		offer(added)
		confirm(added)
		send(added)
		h.flush()
		for range 4 {
			h.pass(80 * time.Hour)
		}
		require.Empty(rt, present(), "both are done")
		h.stop()
	})
}
