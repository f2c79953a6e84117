// Package spans knows the session's spans: parts with one offset each between monotonic time and
// the time of day.
package spans

import (
	"database/sql"
	"fmt"
	"slices"
	"sync"
	"time"

	"liftbank/rules"
)

// Spans are those of one session, in order. All methods may be called from any goroutine; Write,
// Revert and Forget belong to the one that writes the file.
type Spans struct {
	session string

	mu   sync.Mutex // over all spans
	list []*Span
}

// Span is a part of one session with one offset between monotonic time and the time of day.
type Span struct {
	of      *Spans
	ord     int64 // in the file; 0 until it is there
	fromMS  int64
	offMS   int64 // time of day less monotonic time
	trusted bool
	changed bool // to be written
}

// Of returns the spans of a session that begins.
func Of(session string) *Spans { return &Spans{session: session} }

// Ord returns the span's place in the file, 0 before it is there.
func (sp *Span) Ord() int64 {
	sp.of.mu.Lock()
	defer sp.of.mu.Unlock()
	return sp.ord
}

// FromMS returns the monotonic time that the span begins at.
func (sp *Span) FromMS() int64 { return sp.fromMS }

// Offset returns the time of day less the monotonic time, in milliseconds, and whether it is by a
// clock known to be set.
func (sp *Span) Offset() (ms int64, trusted bool) {
	sp.of.mu.Lock()
	defer sp.of.mu.Unlock()
	return sp.offMS, sp.trusted
}

// jump is how far the time of day may move against the monotonic clock before it counts as set
// again.
const jump = 2 * time.Second

// At returns the span of a moment and learns from its wall clock.
//
// Before the clock is trusted, its guesses are used as they come. The first trusted one corrects
// the whole session. Later ones start a new span where the clock was set by more than jump. A clock
// that is no longer trusted is ignored: the monotonic clock is better.
func (s *Spans) At(m rules.Moment) *Span {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at(m)
}

func (s *Spans) at(m rules.Moment) *Span {
	off := int64(0)
	if !m.Wall.IsZero() {
		off = m.Wall.UnixMilli() - m.Mono.Milliseconds()
	}
	if len(s.list) == 0 {
		s.begin(m, off)
	}
	cur := s.list[len(s.list)-1]
	moved := off-cur.offMS > jump.Milliseconds() || cur.offMS-off > jump.Milliseconds()
	switch {
	case m.WallTrusted && !cur.trusted:
		for _, sp := range s.list {
			if !sp.trusted {
				sp.offMS, sp.trusted, sp.changed = off, true, true
			}
		}
	case m.WallTrusted && moved:
		cur = s.begin(m, off)
	case !cur.trusted && moved:
		cur.offMS, cur.changed = off, true
	}
	return cur
}

func (s *Spans) begin(m rules.Moment, offMS int64) *Span {
	sp := &Span{of: s, fromMS: m.Mono.Milliseconds(), offMS: offMS, trusted: m.WallTrusted, changed: true}
	s.list = append(s.list, sp)
	return sp
}

// Observe learns what the clocks show while nothing is added, so that a clock that becomes trusted
// is noticed at once.
func (s *Spans) Observe(m rules.Moment) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n := len(s.list); n == 0 || m.WallTrusted && !s.list[n-1].trusted {
		s.at(m)
	}
}

// Last returns the span that the session is in, nil before the first moment.
func (s *Spans) Last() *Span {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.list) == 0 {
		return nil
	}
	return s.list[len(s.list)-1]
}

// Changed reports whether a span is to be written.
func (s *Spans) Changed() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.ContainsFunc(s.list, func(sp *Span) bool { return sp.changed })
}

// Write writes the spans that are new or were corrected. revert takes that back: the transaction
// failed.
func (s *Spans) Write(tx *sql.Tx) (revert func(), err error) {
	s.mu.Lock()
	list := slices.Clone(s.list)
	s.mu.Unlock()
	known := map[*Span]bool{}
	for _, sp := range list {
		known[sp] = sp.Ord() != 0
	}
	revert = func() { s.revert(known) }
	for _, sp := range list {
		if err := s.write(tx, sp); err != nil {
			return revert, err
		}
	}
	return revert, nil
}

func (s *Spans) write(tx *sql.Tx, sp *Span) error {
	s.mu.Lock()
	now := *sp
	sp.changed = false
	s.mu.Unlock()
	if !now.changed {
		return nil
	}
	if now.ord != 0 {
		_, err := tx.Exec("UPDATE spans SET off_ms = ?, trusted = ? WHERE ord = ?", now.offMS, now.trusted, now.ord)
		return err
	}
	r, err := tx.Exec("INSERT INTO spans(session, from_ms, off_ms, trusted) VALUES(?, ?, ?, ?)",
		s.session, now.fromMS, now.offMS, now.trusted)
	if err != nil {
		return err
	}
	ord, err := r.LastInsertId()
	if err != nil {
		return err
	}
	s.mu.Lock()
	sp.ord = ord
	s.mu.Unlock()
	return nil
}

func (s *Spans) revert(known map[*Span]bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, sp := range s.list {
		if !known[sp] {
			sp.ord = 0
		}
		sp.changed = true
	}
}

// Forget notes that the file with the spans is gone: all are to be written again.
func (s *Spans) Forget() { s.revert(nil) }

// Load finds the session's spans in a file that was opened again: one of a transaction that seemed
// to fail may be there after all, and must not be written a second time.
func (s *Spans) Load(db *sql.DB) error {
	rows, err := db.Query("SELECT ord, from_ms FROM sound_spans WHERE session = ? ORDER BY ord", s.session)
	if err != nil {
		return fmt.Errorf("store: spans: %w", err)
	}
	defer rows.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	left := s.list
	for rows.Next() {
		var ord, fromMS int64
		if err := rows.Scan(&ord, &fromMS); err != nil {
			return fmt.Errorf("store: spans: %w", err)
		}
		i := slices.IndexFunc(left, func(sp *Span) bool { return sp.fromMS == fromMS })
		if i >= 0 { // else a damaged file has lost it, or it is of another start by the same name
			left[i].ord = ord
			left = left[i+1:]
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("store: spans: %w", err)
	}
	return nil
}
