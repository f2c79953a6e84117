package store

import (
	"database/sql"
	"time"

	"liftbank/rules"
)

// span is a part of one session with one offset between monotonic time and the time of day.
type span struct {
	ord     int64 // in the file; 0 until it is there
	fromMS  int64
	offMS   int64 // time of day less monotonic time
	trusted bool
	changed bool // to be written
}

// jump is how far the time of day may move against the monotonic clock before it counts as set
// again.
const jump = 2 * time.Second

// at returns the span of a moment and learns from its wall clock. The caller holds s.mu.
//
// Before the clock is trusted, its guesses are used as they come. The first trusted one corrects
// the whole session. Later ones start a new span where the clock was set by more than jump. A clock
// that is no longer trusted is ignored: the monotonic clock is better.
func (s *Store) at(m rules.Moment) *span {
	off := int64(0)
	if !m.Wall.IsZero() {
		off = m.Wall.UnixMilli() - m.Mono.Milliseconds()
	}
	if len(s.spans) == 0 {
		s.spans = append(s.spans, &span{fromMS: m.Mono.Milliseconds(), offMS: off, trusted: m.WallTrusted,
			changed: true})
		s.dirty = true
	}
	cur := s.spans[len(s.spans)-1]
	moved := off-cur.offMS > jump.Milliseconds() || cur.offMS-off > jump.Milliseconds()
	switch {
	case m.WallTrusted && !cur.trusted:
		for _, sp := range s.spans {
			if !sp.trusted {
				sp.offMS, sp.trusted, sp.changed = off, true, true
			}
		}
		s.dirty = true
	case m.WallTrusted && moved:
		cur = &span{fromMS: m.Mono.Milliseconds(), offMS: off, trusted: true, changed: true}
		s.spans = append(s.spans, cur)
		s.dirty = true
	case !cur.trusted && moved:
		cur.offMS, cur.changed = off, true
		s.dirty = true
	}
	return cur
}

// Observe tells the store what the clocks show while nothing is added, so that a clock that becomes
// trusted is noticed at once.
func (s *Store) Observe(m rules.Moment) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n := len(s.spans); n == 0 || m.WallTrusted && !s.spans[n-1].trusted {
		s.at(m)
	}
}

const (
	spanShift = 40 // bits of a key that hold milliseconds: 34 years
	monoMask  = 1<<spanShift - 1
)

// key returns the key of something at a monotonic time of a span. A negative time or one beyond 34
// years goes to the end of the range.
func key(ord, monoMS int64) int64 { return ord<<spanShift | min(max(monoMS, 0), monoMask) }

// writeSpans writes the spans that are new or were corrected.
func (s *Store) writeSpans(tx *sql.Tx) error {
	s.mu.Lock()
	spans := append([]*span(nil), s.spans...)
	s.mu.Unlock()
	for _, sp := range spans {
		s.mu.Lock()
		now := *sp
		sp.changed = false
		s.mu.Unlock()
		if now.ord == 0 {
			r, err := tx.Exec("INSERT INTO spans(session, from_ms, off_ms, trusted) VALUES(?, ?, ?, ?)",
				s.opts.Session, now.fromMS, now.offMS, now.trusted)
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
		} else if now.changed {
			if _, err := tx.Exec("UPDATE spans SET off_ms = ?, trusted = ? WHERE ord = ?",
				now.offMS, now.trusted, now.ord); err != nil {
				return err
			}
		}
	}
	return nil
}

// revertSpans undoes what writeSpans noted, after the transaction failed.
func (s *Store) revertSpans(known map[*span]bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, sp := range s.spans {
		if !known[sp] {
			sp.ord = 0
		}
		sp.changed = true
	}
	s.dirty = true
}
