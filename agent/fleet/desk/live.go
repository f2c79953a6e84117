package desk

import (
	"context"
	"fmt"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"liftbank/agent/page/listen"
)

// live tells open pages that something has changed. Pages then ask for themselves again: each shows
// another part of the fleet.
type live struct {
	opts    Options
	open    atomic.Int32
	every   time.Duration // between looks at the store
	problem atomic.Pointer[string]

	mu       sync.Mutex
	revision int64
	known    bool
	changed  chan struct{} // closed by the next change
	stopped  chan struct{} // closed when run ends
}

const (
	lookEvery = 2 * time.Second
	pingEvery = 15 * time.Second
)

func newLive(o Options) *live {
	return &live{opts: o, every: lookEvery, changed: make(chan struct{}), stopped: make(chan struct{})}
}

// run asks the store for its revision until ctx ends. One question serves all pages.
func (l *live) run(ctx context.Context) error {
	defer close(l.stopped)
	tick := time.NewTicker(l.every)
	defer tick.Stop()
	for {
		rev, err := l.opts.Store.Revision(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			text := err.Error()
			l.problem.Store(&text)
		default:
			l.problem.Store(new(string))
			l.note(rev)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

func (l *live) note(rev int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.known || rev != l.revision {
		l.known, l.revision = true, rev
		close(l.changed)
		l.changed = make(chan struct{})
	}
}

func (l *live) state() (rev int64, known bool, changed chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.revision, l.known, l.changed
}

// follow is a stream of events `changed` whose data is the revision; the first comes at once, so that a
// page sees what it missed while it was away.
func (l *live) follow(w http.ResponseWriter, r *http.Request, _ who) {
	if l.open.Add(1) > int32(l.opts.MaxStreams) {
		l.open.Add(-1)
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many pages are followed: try again later", http.StatusServiceUnavailable)
		return
	}
	defer l.open.Add(-1)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	c := http.NewResponseController(w)
	send := func(text string) bool {
		_ = c.SetWriteDeadline(time.Now().Add(listen.WriteLimit)) // not every writer has one
		if _, err := fmt.Fprint(w, text); err != nil {
			return false
		}
		return c.Flush() == nil
	}
	_ = c.SetReadDeadline(time.Time{}) // that of the request is over
	if !send("retry: 5000\n\n") {
		return
	}
	ping := time.NewTicker(pingEvery)
	defer ping.Stop()
	for {
		rev, known, changed := l.state()
		if known && !send(fmt.Sprintf("event: changed\ndata: %d\n\n", rev)) {
			return
		}
		for waiting := true; waiting; {
			select {
			case <-changed:
				waiting = false
			case <-ping.C:
				if !send(": \n\n") {
					return
				}
			case <-l.stopped:
				return
			case <-r.Context().Done():
				return
			}
		}
	}
}
