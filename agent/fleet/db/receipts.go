package db

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"liftbank/agent/records"
)

// Bounds of a receipt (package records).
const (
	mostEntries = 64
	mostMissing = 256
)

// Missing numbers are asked for after this, doubling up to the longest, and mostAsked times by
// messages that the unit can have heard: what it has it sends within seconds, so that two hours of
// silence on them mean that it has them no more and does not even know the session.
const (
	askAfter   = 30 * time.Second
	askLongest = 6 * time.Hour
	mostAsked  = 8
)

// Receipts returns what is to be answered of streams: what is there of each, and what is missing if it
// is time to ask for that.
func (d *DB) Receipts(ctx context.Context, at time.Time, of []StreamKey) (out []records.Received, err error) {
	if len(of) == 0 {
		return nil, nil
	}
	err = d.write(ctx, func(x *tx) error {
		out, err = x.receipts(at, of)
		return err
	})
	return out, err
}

func (x *tx) receipts(at time.Time, of []StreamKey) (out []records.Received, err error) {
	var names []string
	for _, k := range of {
		names = append(names, k.Unit)
	}
	ids, heard := map[string]int64{}, map[string]int64{}
	where, arg := x.d.list("name", unique(names))
	err = x.query("SELECT id, name, last_heard FROM unit WHERE "+where, func(r *sql.Rows) error {
		var id, last int64
		var name string
		err := r.Scan(&id, &name, &last)
		ids[name], heard[name] = id, last
		return err
	}, arg)
	if err != nil {
		return nil, err
	}
	asked := map[streamID]StreamKey{}
	var keys []streamID
	for _, k := range of {
		kind, ok := kindOf(k.Stream)
		id := streamID{ids[k.Unit], kind, k.Session}
		if _, twice := asked[id]; !twice && ok && id.unit != 0 {
			asked[id] = k
			keys = append(keys, id)
		}
	}
	var found []*streamRow
	if err := x.readStreams(keys, func(s *streamRow) {
		s.key = asked[s.streamID]
		found = append(found, s)
	}); err != nil {
		return nil, err
	}
	slices.SortFunc(found, func(a, b *streamRow) int {
		return cmp.Or(cmp.Compare(a.key.Unit, b.key.Unit), cmp.Compare(a.id, b.id))
	})
	changed := streamRows()
	gaps := into("gap", "", "id:i", "unit:i", "kind:i", "session:t", "from_seq:i", "to_seq:i", "because:t", "received:i")
	for _, s := range found {
		e, err := x.entry(s, ms(at), heard[s.key.Unit], gaps)
		if err != nil {
			return nil, err
		}
		if s.changed {
			if err := s.addTo(changed); err != nil {
				return nil, err
			}
		}
		last := len(out) - 1
		if last < 0 || out[last].Unit != s.key.Unit || len(out[last].Streams) == mostEntries {
			out = append(out, records.Received{Schema: records.ReceivedSchema, Unit: s.key.Unit})
			last++
		}
		out[last].Streams = append(out[last].Streams, e)
	}
	if err := x.put(gaps); err != nil {
		return nil, err
	}
	return out, x.put(changed)
}

// entry makes what is answered of one stream. What was asked for too often is given up: a gap says so.
func (x *tx) entry(s *streamRow, now, heard int64, gaps *rows) (e records.ReceivedEntry, err error) {
	from := max(s.first, 1)
	holes := s.have.Missing(from, max(s.have.Max(), s.last), mostMissing)
	answered := heard > s.askedAt // the unit can have heard the last one
	if len(holes) > 0 && s.asked >= mostAsked && answered && now >= s.askNext {
		next, err := x.next("gap")
		if err != nil {
			return e, err
		}
		next += int64(gaps.n)
		for _, h := range holes {
			s.have.Add(h.From, h.To)
			s.gone.Add(h.From, h.To)
			gaps.add(next, s.unit, s.kind, s.session, int64(h.From), int64(h.To),
				fmt.Sprintf("asked for %d times, and the unit has not sent them", mostAsked), now)
			next++
		}
		s.asked, s.askNext, s.changed = 0, 0, true
		holes = s.have.Missing(from, max(s.have.Max(), s.last), mostMissing)
	}
	e = records.ReceivedEntry{Stream: s.key.Stream, Session: s.session, Through: s.through()}
	if len(holes) == 0 || now < s.askNext {
		return e, nil
	}
	for _, h := range holes {
		if h.From > e.Through {
			e.Missing = append(e.Missing, [2]uint64{h.From, h.To})
		}
	}
	if answered || s.asked == 0 {
		s.asked++
	}
	wait := min(askAfter<<min(s.asked-1, 20), askLongest)
	s.askedAt, s.askNext, s.changed = now, now+wait.Milliseconds(), true
	return e, nil
}

// Wanting returns streams with missing numbers that are due to be asked for, of units that were heard
// since they were asked last.
func (d *DB) Wanting(ctx context.Context, at time.Time, most int) ([]StreamKey, error) {
	return d.keys(ctx, `SELECT u.name, s.kind, s.session FROM stream s JOIN unit u ON u.id = s.unit
		WHERE s.missing > 0 AND s.ask_next <= ?1 AND u.last_heard > s.asked_at AND u.decommissioned = 0
		ORDER BY s.ask_next, s.id LIMIT ?2`, ms(at), most)
}

// HeardSince returns the streams that were heard since then: whom to answer after a start.
func (d *DB) HeardSince(ctx context.Context, since time.Time) ([]StreamKey, error) {
	return d.keys(ctx, `SELECT u.name, s.kind, s.session FROM stream s JOIN unit u ON u.id = s.unit
		WHERE u.last_record >= ?1 AND s.heard >= ?1 AND u.decommissioned = 0 ORDER BY s.id`,
		ms(since)-heardEvery.Milliseconds())
}

func (d *DB) keys(ctx context.Context, query string, args ...any) (out []StreamKey, err error) {
	err = d.query(ctx, query, func(r *sql.Rows) error {
		var k StreamKey
		var kind int64
		if err := r.Scan(&k.Unit, &kind, &k.Session); err != nil {
			return err
		}
		if kind < 0 || int(kind) >= len(streams) {
			return fmt.Errorf("stream %d: not known", kind)
		}
		k.Stream = streams[kind]
		out = append(out, k)
		return nil
	}, args...)
	return out, err
}

// Gaps returns numbers of a unit that will not come, the newest first.
func (d *DB) Gaps(ctx context.Context, unit string, most int) (out []Gap, err error) {
	err = d.query(ctx, `SELECT g.kind, g.session, g.from_seq, g.to_seq, g.because, g.received FROM gap g
		JOIN unit u ON u.id = g.unit WHERE u.name = ?1 ORDER BY g.id DESC LIMIT ?2`, func(r *sql.Rows) error {
		g := Gap{Unit: unit}
		var kind, from, to, at int64
		if err := r.Scan(&kind, &g.Session, &from, &to, &g.Because, &at); err != nil {
			return err
		}
		g.Stream, g.From, g.To, g.ReceivedAt = streams[kind], uint64(from), uint64(to), when(at)
		out = append(out, g)
		return nil
	}, unit, most)
	return out, err
}
