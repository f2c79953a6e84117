package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"liftbank/rules"
)

// Stream is one of the sequences of records that the fleet is to have whole.
type Stream uint8

// Streams, in the order of their worth on a thin link.
const (
	Findings Stream = iota
	Visits
	Runs
	Readings
	streamCount
)

// Streams is how many there are.
const Streams = int(streamCount)

var streamNames = [streamCount]string{"findings", "visits", "runs", "readings"}

// String returns the stream's name.
func (s Stream) String() string { return streamNames[s] }

// ParseStream returns the stream of a name.
func ParseStream(name string) (Stream, bool) {
	for i, n := range streamNames {
		if n == name {
			return Stream(i), true
		}
	}
	return 0, false
}

// Record is one record of the outbox.
type Record struct {
	ID      int64 // its place in the outbox; grows within a stream
	Stream  Stream
	Session string
	First   uint64 // the session's first number in this stream
	From    uint64 // a gap stands for From to Seq; otherwise equal to Seq
	Seq     uint64
	Mono    time.Duration
	At      time.Time // Mono as time of day, by the best that is known now
	Trusted bool      // At is by a clock known to be set
	Gap     string    // why the records From to Seq are not there; "" for a record
	Body    []byte    // as added; times may be stand-ins (package moment) on the timeline of Mono
}

// Time returns the time of day of an instant of the record's session, by the best that is known
// now.
func (r *Record) Time(mono time.Duration) time.Time { return r.At.Add(mono - r.Mono) }

// record is one that waits to be written.
type record struct {
	id        int64
	stream    Stream
	span      *span
	first     uint64
	from, seq uint64
	monoMS    int64
	gap       string
	body      []byte
}

// joins reports whether other follows r directly, so that one gap can stand for both.
func (r *record) joins(other *record) bool {
	return r.gap != "" && r.stream == other.stream && r.seq+1 == other.from
}

func (r *record) to(other *record) { r.seq, r.id = other.seq, other.id }

// stream is what is known of one stream in memory.
type stream struct {
	next    uint64 // number of the next record
	first   uint64 // number that this session began with
	nextID  int64  // n of its key
	changed bool
	kept    bool // the file was read: next is from there
}

func newStream() stream { return stream{next: 1, first: 1, nextID: 1} }

const (
	streamShift = 48
	nMask       = 1<<streamShift - 1
)

func outboxKey(s Stream, n int64) int64 { return int64(s)<<streamShift | n }

// AddRecord gives a record its number and puts it into the outbox. The body is the caller's form.
func (s *Store) AddRecord(now rules.Moment, to Stream, body []byte) (seq uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	o := s.recordOp(now, to, body)
	s.add(to != Readings, o)
	return o.record.seq
}

// recordOp makes the outbox record of a body. The caller holds s.mu until it is added: places in
// the outbox are written in order.
func (s *Store) recordOp(now rules.Moment, to Stream, body []byte) op {
	sp := s.at(now)
	st := &s.streams[to]
	r := &record{
		id: st.nextID, stream: to, span: sp, first: st.first, from: st.next, seq: st.next,
		monoMS: now.Mono.Milliseconds(), body: body,
	}
	st.next++
	st.nextID++
	st.changed = true
	p := highPriority
	switch to {
	case Readings:
		p = lowPriority
	case Runs:
		p = mediumPriority
	}
	return op{priority: p, bytes: len(body) + opBytes, record: r, apply: r.insert(s)}
}

func (r *record) insert(s *Store) func(tx *sql.Tx) error {
	return func(tx *sql.Tx) error {
		s.mu.Lock()
		c := *r
		ord := r.span.ord
		s.mu.Unlock()
		if c.body == nil {
			c.body = []byte{}
		}
		_, err := tx.Exec(`INSERT OR REPLACE INTO outbox(id, span, first_seq, from_seq, seq, mono_ms, gap, body)
			VALUES(?, ?, ?, ?, ?, ?, ?, ?)`,
			outboxKey(c.stream, c.id), ord, int64(c.first), int64(c.from), int64(c.seq), c.monoMS, c.gap, c.body)
		return err
	}
}

// gapOp makes what stands for a record that is given up. The caller holds s.mu.
func (s *Store) gapOp(lost *record, why string) op {
	g := *lost
	g.body, g.gap = nil, why
	return op{priority: highPriority, bytes: opBytes, record: &g, apply: g.insert(s)}
}

// lostFile notes that the file's records of a stream are gone, and leaves a gap for those that some
// outlet has not sent. The caller holds s.mu.
func (s *Store) lostFile(of Stream) {
	st := &s.streams[of]
	st.changed = true
	next, nextID := st.next, st.nextID
	for i := range s.pending {
		if r := s.pending[i].record; r != nil && r.stream == of {
			next, nextID = r.from, r.id
			break
		}
	}
	from := next
	if len(s.outlets) == 0 {
		from = st.first
	}
	for _, o := range s.outlets {
		from = min(from, max(st.first, o.cursors[of].sentSeq+1))
		o.cursors[of].changed = true
	}
	if from >= next || len(s.spans) == 0 {
		return
	}
	sp := s.spans[len(s.spans)-1]
	g := record{id: nextID - 1, stream: of, span: sp, first: st.first, from: from, seq: next - 1, monoMS: sp.fromMS}
	s.pending = append([]op{s.gapOp(&g, "store damaged")}, s.pending...)
	s.bytes += opBytes
}

// loadStreams reads the next numbers and the outlets' cursors. Records that were numbered before
// the file could be read keep their numbers, because they may have been sent. Only their places in
// the outbox move behind what is there.
func (s *Store) loadStreams(db *sql.DB) error {
	rows, err := db.Query("SELECT stream, next_seq, next_id FROM streams")
	if err != nil {
		return fmt.Errorf("store: streams: %w", err)
	}
	defer rows.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	var fresh [streamCount]bool // read for the first time; else the file was only closed for a while
	for i := range s.streams {
		fresh[i] = !s.streams[i].kept
	}
	for rows.Next() {
		var which, seq, id int64
		if err := rows.Scan(&which, &seq, &id); err != nil {
			return fmt.Errorf("store: streams: %w", err)
		}
		if which < 0 || which >= int64(streamCount) || !fresh[which] {
			continue
		}
		st := &s.streams[which]
		if st.next == 1 {
			st.next, st.first, st.nextID = uint64(seq), uint64(seq), id
			continue
		}
		for i := range s.pending {
			if r := s.pending[i].record; r != nil && r.stream == Stream(which) {
				r.id += id - 1
			}
		}
		st.nextID += id - 1
		st.changed = true
		st.next = max(st.next, uint64(seq))
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("store: streams: %w", err)
	}
	for i := range s.streams {
		s.streams[i].kept = true
	}
	return s.loadCursors(db, fresh)
}

// writeStreams writes the next numbers as they are with the records of this transaction. A record
// that was added meanwhile is in the next one: were its number written now, a cut of the power
// would leave a number that nobody ever had.
func (s *Store) writeStreams(tx *sql.Tx, given *[streamCount]stream) error {
	for i := range s.streams {
		s.mu.Lock()
		st := s.streams[i]
		if Stream(i) != Readings || !s.numbered { // batches of readings get theirs within the transaction
			st.next, st.nextID = given[i].next, given[i].nextID
		}
		s.mu.Unlock()
		if !st.changed {
			continue
		}
		if _, err := tx.Exec("INSERT OR REPLACE INTO streams(stream, next_seq, next_id) VALUES(?, ?, ?)",
			i, int64(st.next), st.nextID); err != nil {
			return err
		}
		s.mu.Lock()
		if now := &s.streams[i]; now.nextID == st.nextID {
			now.changed = false // should the commit fail, write sets it again
		}
		s.mu.Unlock()
	}
	return s.writeCursors(tx)
}

func (s *Store) stored(of Stream, where string, args ...any) (out []Record, err error) {
	rows, err := s.db.Query(`SELECT o.id, p.session, o.first_seq, o.from_seq, o.seq, o.mono_ms, o.gap, o.body,
		p.off_ms, p.trusted
		FROM outbox o JOIN spans p ON p.ord = o.span WHERE `+where, args...)
	if err != nil {
		return nil, fmt.Errorf("store: outbox: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		r := Record{Stream: of}
		var first, from, seq, mono, off int64
		if err := rows.Scan(&r.ID, &r.Session, &first, &from, &seq, &mono, &r.Gap, &r.Body, &off,
			&r.Trusted); err != nil {
			return out, fmt.Errorf("store: outbox: %w", err)
		}
		r.First, r.From, r.Seq = uint64(first), uint64(from), uint64(seq)
		r.place(mono, off)
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return out, fmt.Errorf("store: outbox: %w", err)
	}
	return out, nil
}

func (r *Record) place(monoMS, offMS int64) {
	r.Mono = time.Duration(monoMS) * time.Millisecond
	r.At = time.UnixMilli(monoMS + offMS).UTC()
}

// unwritten adds records that are in memory only.
func (s *Store) unwritten(out []Record, of Stream, place int64, n int) []Record {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.pending {
		p := s.pending[i].record
		if len(out) >= n {
			break
		}
		if p == nil || p.stream != of || outboxKey(of, p.id) <= place {
			continue
		}
		r := Record{
			ID: outboxKey(of, p.id), Stream: of, Session: s.opts.Session, First: p.first, From: p.from, Seq: p.seq,
			Trusted: p.span.trusted, Gap: p.gap, Body: p.body,
		}
		r.place(p.monoMS, p.span.offMS)
		out = append(out, r)
	}
	return out
}

// after returns up to n records of a stream behind a place, oldest first. While the card takes
// nothing, those in memory are among them.
func (s *Store) after(ctx context.Context, of Stream, place int64, n int) (out []Record, err error) {
	err = s.ask(ctx, func() error {
		if s.db != nil {
			const where = "o.id > ? AND o.id < ? ORDER BY o.id LIMIT ?"
			out, err = s.stored(of, where, max(place, outboxKey(of, 0)), outboxKey(of+1, 0), n)
			if err != nil && !s.isDown() {
				return err
			}
		}
		if s.isDown() {
			out = s.unwritten(out, of, place, n)
		}
		return nil
	})
	return out, err
}
