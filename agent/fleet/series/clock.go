package series

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
)

// clocks knows how far clocks were off that were not set. The rule is that of [records.Head]: the
// difference of wall clock and monotonic timeline is the same for all of a session.
type clocks struct {
	store Store
	now   func() time.Time
	known map[string]session // by unit
	set   map[string]string  // by unit and stream, the session whose clock was found set
}

type session struct {
	name  string
	zero  time.Time // zero: not known when it was looked for
	asked time.Time
}

func newClocks(store Store, now func() time.Time) clocks {
	return clocks{store: store, now: now, known: map[string]session{}, set: map[string]string{}}
}

// zero is the session's start by the clock of a record.
func zero(rec *db.Record) time.Time { return rec.At.Add(-seconds(rec.MonoS)) }

// tells reports whether a record says how wall clock and timeline relate. A SenML pack has no timeline.
func tells(rec *db.Record, session string) bool {
	return rec.Session == session && rec.Trusted && rec.MonoS > 0 && len(rec.Body) > 0 && rec.Body[0] == '{'
}

const (
	askAgain    = 5 * time.Minute // for a session whose clock is not known
	looksBack   = 100             // records at once
	mostWaiting = 2000            // a session without a clock, in records of one stream
)

// zero returns the start of a record's session by a clock that is set, if anything tells.
func (c *clocks) zero(ctx context.Context, rec *db.Record) (time.Time, bool, error) {
	s, known := c.known[rec.Unit]
	if known && s.name == rec.Session && (!s.zero.IsZero() || c.now().Sub(s.asked) < askAgain) {
		return s.zero, !s.zero.IsZero(), nil
	}
	s = session{name: rec.Session, asked: c.now()}
	var err error
	if s.zero, err = c.find(ctx, rec); err != nil {
		return time.Time{}, false, err
	}
	c.known[rec.Unit] = s
	return s.zero, !s.zero.IsZero(), nil
}

func (c *clocks) find(ctx context.Context, rec *db.Record) (time.Time, error) {
	for _, stream := range []string{wire.Readings, wire.Runs, wire.Findings, wire.Visits} {
		recs, err := c.store.UnitRecords(ctx, rec.Unit, stream, 0, looksBack)
		if err != nil {
			return time.Time{}, err
		}
		for i := range recs {
			if tells(&recs[i], rec.Session) {
				return zero(&recs[i]), nil
			}
		}
	}
	u, err := c.store.Unit(ctx, rec.Unit)
	if err != nil && !errors.Is(err, db.ErrUnknown) {
		return time.Time{}, err
	}
	var s struct {
		Session string    `json:"session"`
		At      time.Time `json:"at"`
		Trusted bool      `json:"clock_trusted"`
		UptimeS float64   `json:"uptime_s"`
	}
	if json.Unmarshal(u.Snapshot, &s) == nil && s.Session == rec.Session && s.Trusted && s.UptimeS > 0 {
		return s.At.Add(-seconds(s.UptimeS)), nil
	}
	return time.Time{}, nil
}

// waiting returns the records of the same stream and session, oldest first, that came before this one
// while the clock was not set. It looks once a session, so also after a restart; what was sent already
// is sent the same.
func (c *clocks) waiting(ctx context.Context, rec *db.Record) ([]db.Record, error) {
	key := rec.Unit + "/" + rec.Stream
	if c.set[key] == rec.Session || !tells(rec, rec.Session) {
		return nil, nil
	}
	var out []db.Record
	for before := rec.ID; len(out) < mostWaiting; {
		recs, err := c.store.UnitRecords(ctx, rec.Unit, rec.Stream, before, looksBack)
		if err != nil {
			return nil, err
		}
		over := len(recs) < looksBack
		for i := range recs {
			if recs[i].Session != rec.Session || recs[i].Trusted {
				over = true
				break
			}
			out = append(out, recs[i])
			before = recs[i].ID
		}
		if over {
			break
		}
	}
	c.set[key] = rec.Session
	slices.Reverse(out)
	return out, nil
}
