package outbox

import (
	"database/sql"

	"liftbank/agent/store/spans"
	"liftbank/agent/store/tables"
)

// Entry is a record that waits to be written. Its methods are for those who hold the outbox's lock,
// but for Write: an entry doesn't change while a transaction writes it.
type Entry struct {
	Stream Stream
	Seq    uint64
	Body   []byte

	n      int64 // its place in the stream
	span   *spans.Span
	first  uint64
	from   uint64
	monoMS int64
	gap    string
}

// IsGap reports whether it stands for records that were given up.
func (e *Entry) IsGap() bool { return e.gap != "" }

// Joins reports whether other follows e directly, so that the gap e can stand for both.
func (e *Entry) Joins(other *Entry) bool {
	return e.IsGap() && e.Stream == other.Stream && e.Seq+1 == other.from
}

// Extend makes a gap stand for another record too, which it joins.
func (e *Entry) Extend(to *Entry) { e.Seq, e.n = to.Seq, to.n }

// Gap returns what stands for a record that is given up.
func (e *Entry) Gap(why string) *Entry {
	g := *e
	g.Body, g.gap = nil, why
	return &g
}

// Write writes the entry into the outbox.
func (e *Entry) Write(tx *sql.Tx) error {
	body := e.Body
	if body == nil {
		body = []byte{}
	}
	_, err := tx.Exec(`INSERT OR REPLACE INTO outbox(id, span, first_seq, from_seq, seq, mono_ms, gap, body)
		VALUES(?, ?, ?, ?, ?, ?, ?, ?)`,
		e.key(), e.span.Ord(), int64(e.first), int64(e.from), int64(e.Seq), e.monoMS, e.gap, body)
	return err
}

func (e *Entry) key() int64 { return tables.RecordKey(e.Stream, e.n) }

// record returns what an outlet gets while the entry is in memory only.
func (e *Entry) record(session string) Record {
	off, trusted := e.span.Offset()
	r := Record{
		ID: e.key(), Stream: e.Stream, Session: session, First: e.first, From: e.from, Seq: e.Seq,
		Trusted: trusted, Gap: e.gap, Body: e.Body,
	}
	r.place(e.monoMS, off)
	return r
}
