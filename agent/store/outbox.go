package store

import (
	"context"
	"database/sql"
	"errors"
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

// String gives the stream's name, as in its topic.
func (s Stream) String() string { return streamNames[s] }

// ParseStream gives the stream of a name.
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
	At      time.Time     // Mono as time of day, by the best that is known now
	Trusted bool          // whether At comes from a clock known to be set
	Shift   time.Duration // what to add to times of day inside Body, which were told by the clock as it stood then
	Gap     string        // why the records From to Seq are not there; "" for a record
	Body    []byte
}

// record is one that waits to be written.
type record struct {
	id        int64
	stream    Stream
	span      *span
	first     uint64
	from, seq uint64
	monoMS    int64
	offMS     int64
	gap       string
	body      []byte
}

// joins tells whether other lies right behind r, so that one gap can stand for both.
func (r *record) joins(other *record) bool {
	return r.gap != "" && r.stream == other.stream && r.seq+1 == other.from
}

func (r *record) to(other *record) { r.seq, r.id = other.seq, other.id }

// stream is what is known of one stream in memory.
type stream struct {
	next      uint64        // number of the next record
	first     uint64        // number that this session began with
	nextID    int64         // n of its key
	acked     int64         // n up to which the broker has acknowledged everything
	ackedSeq  uint64        // the number at acked, 0 when not of this session
	confirmed time.Duration // running time when a collector confirmed last; -1 for never
	changed   bool
	kept      bool // the file was read: next is from there
}

func newStream() stream {
	return stream{next: 1, first: 1, nextID: 1, confirmed: -1}
}

func (st *stream) waiting() int64 { return max(st.nextID-1-st.acked, 0) }

const (
	streamShift = 48
	nMask       = 1<<streamShift - 1
)

func outboxKey(s Stream, n int64) int64 { return int64(s)<<streamShift | n }

// AddRecord gives a record its number and puts it into the outbox. The body is the caller's form; times of day inside it are those of now.
func (s *Store) AddRecord(now rules.Moment, to Stream, body []byte) (seq uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	o := s.recordOp(now, to, body)
	s.add(to != Readings, o)
	return o.record.seq
}

// recordOp makes the outbox record of a body. The caller holds s.mu until it is added: places in the outbox are written in order.
func (s *Store) recordOp(now rules.Moment, to Stream, body []byte) op {
	sp := s.at(now)
	st := &s.streams[to]
	r := &record{
		id: st.nextID, stream: to, span: sp, first: st.first, from: st.next, seq: st.next, monoMS: now.Mono.Milliseconds(), offMS: sp.offMS, body: body,
	}
	st.next++
	st.nextID++
	st.changed = true
	w := prized
	switch to {
	case Readings:
		w = cheap
	case Runs:
		w = dear
	}
	return op{worth: w, bytes: len(body) + opBytes, record: r, apply: r.insert(s)}
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
		_, err := tx.Exec("INSERT OR REPLACE INTO outbox VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?)",
			outboxKey(c.stream, c.id), ord, int64(c.first), int64(c.from), int64(c.seq), c.monoMS, c.offMS, c.gap, c.body)
		return err
	}
}

// gapOp makes what stands for a record that is given up. The caller holds s.mu.
func (s *Store) gapOp(lost *record, why string) op {
	g := *lost
	g.body, g.gap = nil, why
	return op{worth: prized, bytes: opBytes, record: &g, apply: g.insert(s)}
}

// lostFile notes that what was on the card and not acknowledged is gone. The caller holds s.mu.
func (st *stream) lostFile(s *Store, which Stream) {
	inMemory := st.next
	for i := range s.pending {
		if r := s.pending[i].record; r != nil && r.stream == which {
			inMemory = r.from
			break
		}
	}
	from := max(st.first, st.ackedSeq+1)
	if from >= inMemory || len(s.spans) == 0 {
		return
	}
	sp := s.spans[len(s.spans)-1]
	g := record{id: st.acked + 1, stream: which, span: sp, first: st.first, from: from, seq: inMemory - 1, monoMS: sp.fromMS, offMS: sp.offMS}
	s.pending = append([]op{s.gapOp(&g, "store damaged")}, s.pending...)
	s.bytes += opBytes
}

// takeInStreams reads where the numbers stand. When records were numbered before the file could be read, theirs stay: they may have been
// sent. Only their places in the outbox move behind what is there.
func (s *Store) takeInStreams(db *sql.DB) error {
	rows, err := db.Query("SELECT stream, next_seq, next_id, acked, confirmed_ms FROM streams")
	if err != nil {
		return fmt.Errorf("store: streams: %w", err)
	}
	defer rows.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	for rows.Next() {
		var which, seq, id, acked int64
		var confirmed sql.NullInt64
		if err := rows.Scan(&which, &seq, &id, &acked, &confirmed); err != nil {
			return fmt.Errorf("store: streams: %w", err)
		}
		if which < 0 || which >= int64(streamCount) {
			continue
		}
		st := &s.streams[which]
		if st.kept {
			continue // the file was only closed for a while
		}
		st.kept = true
		if confirmed.Valid {
			st.confirmed = time.Duration(confirmed.Int64) * time.Millisecond
		}
		if st.next == 1 {
			st.next, st.first, st.nextID, st.acked = uint64(seq), uint64(seq), id, acked
			continue
		}
		for i := range s.pending {
			if r := s.pending[i].record; r != nil && r.stream == Stream(which) {
				r.id += id - 1
			}
		}
		st.nextID += id - 1
		st.acked, st.changed = acked, true
		st.next = max(st.next, uint64(seq))
	}
	for i := range s.streams {
		s.streams[i].kept = true
	}
	return rows.Err()
}

// writeStreams writes where the numbers stand with the records of this transaction: a record that was added meanwhile is in the next one, and
// were its number written now, a cut of the power would leave a number that nobody ever had.
func (s *Store) writeStreams(tx *sql.Tx, given *[streamCount]stream) error {
	ran := s.ran()
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
		var confirmed any
		if st.confirmed >= 0 {
			confirmed = st.confirmed.Milliseconds()
		}
		if _, err := tx.Exec("INSERT OR REPLACE INTO streams VALUES(?, ?, ?, ?, ?)", i, int64(st.next), st.nextID, st.acked, confirmed); err != nil {
			return err
		}
		const ackEvery = time.Hour // a record's grace is told to the hour
		if s.lastAck[i] == 0 || ran-s.lastAck[i] >= ackEvery {
			if _, err := tx.Exec("INSERT OR REPLACE INTO acks VALUES(?, ?, ?)", i, ran.Milliseconds(), st.acked); err != nil {
				return err
			}
			s.lastAck[i] = ran
		}
		s.mu.Lock()
		if now := &s.streams[i]; now.acked == st.acked && now.nextID == st.nextID && now.confirmed == st.confirmed {
			now.changed = false // should the commit fail, the next record or acknowledgement sets it again
		}
		s.mu.Unlock()
	}
	return nil
}

// Resume gives the place after which records of a stream have not been acknowledged by a broker.
func (s *Store) Resume(of Stream) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return outboxKey(of, s.streams[of].acked)
}

// After gives up to n records of a stream behind a place, oldest first. While the card takes nothing, those in memory are among them.
func (s *Store) After(ctx context.Context, of Stream, place int64, n int) (out []Record, err error) {
	err = s.ask(ctx, func() error {
		if s.db != nil {
			if out, err = s.stored(of, "o.id > ? AND o.id < ? ORDER BY o.id LIMIT ?", max(place, outboxKey(of, 0)), outboxKey(of+1, 0), n); err != nil && !s.isDown() {
				return err
			}
		}
		if s.isDown() {
			out = s.held(out, of, place, n)
		}
		return nil
	})
	return out, err
}

// Ranged gives up to n records of a stream and session that have numbers from to to.
func (s *Store) ranged(of Stream, session string, from, to uint64, n int) ([]Record, error) {
	if s.db == nil {
		return nil, nil
	}
	return s.stored(of, "o.id > ? AND o.id < ? AND p.session = ? AND o.seq >= ? AND o.from_seq <= ? ORDER BY o.id LIMIT ?",
		outboxKey(of, 0), outboxKey(of+1, 0), session, int64(from), int64(to), n)
}

func (s *Store) stored(of Stream, where string, args ...any) (out []Record, err error) {
	rows, err := s.db.Query(`SELECT o.id, p.session, o.first_seq, o.from_seq, o.seq, o.mono_ms, o.off_ms, o.gap, o.body, p.off_ms, p.trusted
		FROM outbox o JOIN spans p ON p.ord = o.span WHERE `+where, args...)
	if err != nil {
		return nil, fmt.Errorf("store: outbox: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		r := Record{Stream: of}
		var first, from, seq, mono, told, off int64
		if err := rows.Scan(&r.ID, &r.Session, &first, &from, &seq, &mono, &told, &r.Gap, &r.Body, &off, &r.Trusted); err != nil {
			return out, fmt.Errorf("store: outbox: %w", err)
		}
		r.First, r.From, r.Seq = uint64(first), uint64(from), uint64(seq)
		r.place(mono, off, told)
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return out, fmt.Errorf("store: outbox: %w", err)
	}
	return out, nil
}

func (r *Record) place(monoMS, offMS, toldMS int64) {
	r.Mono = time.Duration(monoMS) * time.Millisecond
	r.At = time.UnixMilli(monoMS + offMS).UTC()
	r.Shift = time.Duration(offMS-toldMS) * time.Millisecond
}

// held adds records that are in memory only.
func (s *Store) held(out []Record, of Stream, place int64, n int) []Record {
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
			ID: outboxKey(of, p.id), Stream: of, Session: s.opts.Session, First: p.first, From: p.from, Seq: p.seq, Trusted: p.span.trusted, Gap: p.gap, Body: p.body,
		}
		r.place(p.monoMS, p.span.offMS, p.offMS)
		out = append(out, r)
	}
	return out
}

// Acked notes that a broker has acknowledged a record and all of its stream before it. It reaches the card with the next commit: after a
// crash a record may be sent again, with its number.
func (s *Store) Acked(r Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := &s.streams[r.Stream]
	if n := r.ID & nMask; n > st.acked {
		st.acked = n
		st.changed, s.dirty = true, true
		if r.Session == s.opts.Session {
			st.ackedSeq = r.Seq
		}
	}
}

// Receipt is what a collector says it has of one stream and session: everything up to Through, and of what lies above not Missing, which
// it wants again. It is a claim from outside and is taken for no more than that.
type Receipt struct {
	Stream  Stream
	Session string
	Through uint64
	Missing [][2]uint64 // from, to; both ends included
}

// ErrUnsent says that a receipt is for what was never made.
var ErrUnsent = errors.New("store: receipt for records that were never sent")

// resendMost bounds what one receipt can have sent again.
const resendMost = 256

// Confirm takes a receipt: records up to Through are done and leave the outbox, and those wanted again are given back, gaps for what is kept
// no more among them. With known false the file knows nothing of the session.
func (s *Store) Confirm(ctx context.Context, r Receipt) (again []Record, known bool, err error) {
	err = s.ask(ctx, func() error {
		s.commit()
		if s.db == nil {
			return nil
		}
		var ord int64
		if err := s.db.QueryRow("SELECT min(ord) FROM spans WHERE session = ? HAVING min(ord) IS NOT NULL", r.Session).Scan(&ord); err != nil {
			if errors.Is(err, sql.ErrNoRows) {
				return nil
			}
			return fmt.Errorf("store: confirm: %w", err)
		}
		known = true
		s.mu.Lock()
		st := s.streams[r.Stream]
		s.mu.Unlock()
		if r.Through >= st.next {
			return ErrUnsent
		}
		if _, err := s.db.Exec(`DELETE FROM outbox WHERE id > ? AND id < ? AND seq <= ? AND span IN (SELECT ord FROM spans WHERE session = ?)`,
			outboxKey(r.Stream, 0), outboxKey(r.Stream+1, 0), int64(r.Through), r.Session); err != nil {
			return fmt.Errorf("store: confirm: %w", err)
		}
		s.mu.Lock()
		now := &s.streams[r.Stream]
		now.confirmed, now.changed, s.dirty = s.ran(), true, true
		s.mu.Unlock()
		again, err = s.wanted(r, st.next)
		return err
	})
	return again, known, err
}

// wanted gives what a receipt asks for again.
func (s *Store) wanted(r Receipt, next uint64) (again []Record, err error) {
	for _, m := range r.Missing {
		from, to := m[0], min(m[1], next-1)
		if from <= r.Through || from > to {
			continue
		}
		found, err := s.ranged(r.Stream, r.Session, from, to, resendMost-len(again))
		if err != nil {
			return again, err
		}
		at := from
		for _, rec := range found {
			if rec.From > at {
				again = append(again, s.gone(r, rec.First, at, rec.From-1))
			}
			again = append(again, rec)
			at = rec.Seq + 1
		}
		if len(again) >= resendMost {
			break
		}
		if at <= to {
			again = append(again, s.gone(r, 0, at, to))
		}
	}
	return again, nil
}

// gone makes a gap for records that are not kept any more.
func (s *Store) gone(r Receipt, first, from, to uint64) Record {
	s.mu.Lock()
	defer s.mu.Unlock()
	if first == 0 && r.Session == s.opts.Session {
		first = s.streams[r.Stream].first
	}
	return Record{Stream: r.Stream, Session: r.Session, First: first, From: from, Seq: to, At: s.opts.Now().UTC(), Gap: "no longer kept"}
}

// Collected tells whether a collector confirms this stream's records, so that a broker's acknowledgement is not the last word.
func (s *Store) Collected(of Stream) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.collected(of)
}

func (s *Store) collected(of Stream) bool {
	c := s.streams[of].confirmed
	return c >= 0 && s.ran()-c < s.opts.Limits.Collector
}

// Unconfirmed gives the oldest records of a stream that a broker has acknowledged and no collector has confirmed, up to n.
func (s *Store) Unconfirmed(ctx context.Context, of Stream, n int) (out []Record, err error) {
	err = s.query(ctx, func(*sql.DB) error {
		s.mu.Lock()
		acked := s.streams[of].acked
		s.mu.Unlock()
		out, err = s.stored(of, "o.id > ? AND o.id <= ? ORDER BY o.id LIMIT ?", outboxKey(of, 0), outboxKey(of, acked), n)
		return err
	})
	return out, err
}
