package page

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"sync/atomic"
	"time"

	"liftbank/agent/page/listen"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

const (
	pingEvery   = 15 * time.Second // of a stream without events, so that dead ones are noticed
	apiGap      = 200 * time.Millisecond
	sheetGap    = 200 * time.Millisecond // a new snapshot comes once a second: this only holds back a burst
	retryMillis = 3000                   // asked of a stream's client
)

// streams let clients follow the snapshot, or the parts of a page, as server-sent events.
type streams struct {
	site     *web.Site
	made     *sheets
	most     int // that are open at a time
	open     atomic.Int32
	stopping context.Context // ends them
}

// Routes registers the streams.
func (s *streams) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /live", s.sheets)
	mux.HandleFunc("GET /api/v1/stream", s.snapshots)
}

// snapshots follows the snapshot: events `snapshot` whose data is the JSON of /api/v1/snapshot and
// whose id is its sequence number. A client that reads slowly skips to the newest.
func (s *streams) snapshots(w http.ResponseWriter, r *http.Request) {
	s.follow(w, r, apiGap, func(snap *snapshot.Snapshot, fresh bool) ([]byte, error) {
		if !fresh {
			return nil, nil
		}
		data, err := s.site.Hub.JSON(snap)
		if err != nil {
			return nil, err
		}
		return event("snapshot", snap.Seq, data), nil
	})
}

// sheets follows a page, /live?of=NAME: events `sheet` with the age of the data, the build of
// script and style (a page of another build reloads itself), the title of the first page, and the parts that have changed since
// the last event on this stream, by their id.
func (s *streams) sheets(w http.ResponseWriter, r *http.Request) {
	k := kind(max(slices.Index(kindNames[:], r.URL.Query().Get("of")), 0))
	to := words.Of(r)
	var sent *sheet
	s.follow(w, r, sheetGap, func(snap *snapshot.Snapshot, fresh bool) ([]byte, error) {
		sh, err := s.made.of(k, to, snap)
		if err != nil {
			return nil, err
		}
		if snap == nil || !fresh && sh == sent {
			return nil, nil
		}
		changes, err := sh.changesFor(sent)
		if err != nil {
			return nil, err
		}
		sent = sh
		// Written by hand: encoding would go over the parts again for every client.
		data := fmt.Appendf(
			nil, `{"build":%q,"age_s":%.3f,"hung":%t,"at":%q,`, s.site.Assets.Build,
			s.site.Hub.Age().Seconds(), s.site.Hub.Stalled(), snap.At.UTC().Format(time.RFC3339),
		)
		if sh.title != nil {
			data = fmt.Appendf(data, `"title":%s,`, sh.title)
		}
		data = fmt.Appendf(data, `"parts":%s}`, changes)
		return event("sheet", snap.Seq, data), nil
	})
}

// changesFor returns what a client needs that has this sheet; nil is a client without one.
func (sh *sheet) changesFor(sent *sheet) (json.RawMessage, error) {
	switch {
	case sent == nil:
		return sh.changesSince(nil)
	case sent == sh:
		return json.RawMessage("{}"), nil
	case sent.id == sh.since:
		return sh.changes, nil
	}
	return sh.changesSince(sent.followed)
}

// event returns one server-sent event. data must not hold a line break, which JSON doesn't.
func event(name string, id uint64, data []byte) []byte {
	var b bytes.Buffer
	b.Grow(len(data) + len(name) + 48)
	fmt.Fprintf(&b, "event: %s\nid: %d\ndata: ", name, id)
	b.Write(data)
	b.WriteString("\n\n")
	return b.Bytes()
}

// eventOf makes the event for a snapshot. With fresh false the client has this one already and time
// has passed; the snapshot may be nil. Nothing to say is an empty event.
type eventOf func(snap *snapshot.Snapshot, fresh bool) ([]byte, error)

// follow sends an event for each new snapshot, at most one in gap, until the client has gone, is
// too slow, or the server stops.
func (s *streams) follow(w http.ResponseWriter, r *http.Request, gap time.Duration, event eventOf) {
	if s.open.Add(1) > int32(s.most) {
		s.open.Add(-1)
		w.Header().Set("Retry-After", "10")
		web.Send(w, r, http.StatusServiceUnavailable, web.TypeText, []byte(words.English.W["TooMany"]+"\n"))
		return
	}
	defer s.open.Add(-1)
	ctx, leave := context.WithCancel(r.Context())
	defer leave()
	defer context.AfterFunc(s.stopping, leave)()

	out := eventWriter{w: w, rc: http.NewResponseController(w), now: s.site.Now}
	if err := out.open(r); err != nil {
		return
	}
	for after := s.lastSeen(r); ; {
		snap, err := s.next(ctx, after)
		fresh := err == nil
		if errors.Is(err, context.DeadlineExceeded) {
			snap, err = s.site.Hub.Current(), nil
		}
		if err != nil {
			return
		}
		if fresh {
			after = snap.Seq
		}
		e, err := event(snap, fresh)
		if err != nil {
			s.site.Log.Error("snapshot can't be shown", "path", r.URL.Path, "err", err)
			return
		}
		if len(e) == 0 {
			e = []byte(": still here\n\n")
		}
		if out.write(e) != nil || !pause(ctx, gap) {
			return
		}
	}
}

// lastSeen returns the sequence number that a client coming back has seen last, 0 for none. A
// number above the present one is of an earlier start of the agent.
func (s *streams) lastSeen(r *http.Request) uint64 {
	id, err := strconv.ParseUint(r.Header.Get("Last-Event-ID"), 10, 64)
	if snap := s.site.Hub.Current(); err != nil || snap == nil || id > snap.Seq {
		return 0
	}
	return id
}

// next waits for a newer snapshot; context.DeadlineExceeded when there is none for so long that a
// ping is due.
func (s *streams) next(ctx context.Context, after uint64) (*snapshot.Snapshot, error) {
	quiet, cancel := context.WithTimeout(ctx, pingEvery)
	defer cancel()
	return s.site.Hub.Next(quiet, after)
}

func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// eventWriter writes to one client; each write has its own time limit, as a stream has none.
type eventWriter struct {
	w   http.ResponseWriter
	rc  *http.ResponseController
	now func() time.Time
}

// open sends the headers and how long to wait before coming back.
func (e eventWriter) open(r *http.Request) error {
	// The server's limit for reading a request would end the stream.
	if err := e.rc.SetReadDeadline(time.Time{}); err != nil {
		return err
	}
	e.w.Header().Set("Content-Type", "text/event-stream")
	e.w.Header().Set("X-Accel-Buffering", "no") // a proxy in between must not hold events back
	e.w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodHead {
		return errors.New("head only")
	}
	return e.write(fmt.Appendf(nil, "retry: %d\n\n", retryMillis))
}

func (e eventWriter) write(b []byte) error {
	if err := e.rc.SetWriteDeadline(e.now().Add(listen.WriteLimit)); err != nil {
		return err
	}
	if _, err := e.w.Write(b); err != nil {
		return err
	}
	return e.rc.Flush()
}
