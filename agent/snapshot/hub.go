package snapshot

import (
	"context"
	"encoding/json"
	"sync"
	"sync/atomic"
	"time"
)

// Hub hands the newest snapshot from the one that makes it to all that show it. It has no goroutine
// and no lock: a reader that is slow holds up nobody, and when it asks again it gets the newest,
// not those it missed.
//
// Publish is for one goroutine; everything else for any number.
type Hub struct {
	now     func() time.Time
	current atomic.Pointer[entry]
	stalled atomic.Bool
	asleep  atomic.Pointer[Asleep]
}

// entry is one snapshot and what is derived from it on first use.
type entry struct {
	snapshot *Snapshot // nil only before the first
	arrived  time.Time
	encoded  func() ([]byte, error)
	replaced chan struct{} // closed when a newer one is there
}

// NewHub returns an empty hub. now is the process's clock with its monotonic part (time.Now), not
// the unit's: it measures how long ago a snapshot was made even where the unit's clock is not set,
// jumps, or runs faster in a demonstration.
func NewHub(now func() time.Time) *Hub {
	h := &Hub{now: now}
	h.current.Store(&entry{arrived: now(), replaced: make(chan struct{})})
	return h
}

// Publish makes s the current snapshot. It must not be changed from here on. Seq starts at 1 and
// must grow.
func (h *Hub) Publish(s *Snapshot) {
	next := &entry{
		snapshot: s,
		arrived:  h.now(),
		encoded:  sync.OnceValues(func() ([]byte, error) { return json.Marshal(s) }),
		replaced: make(chan struct{}),
	}
	close(h.current.Swap(next).replaced)
}

// Current returns the newest snapshot, or nil before the first.
func (h *Hub) Current() *Snapshot { return h.current.Load().snapshot }

// Stall notes whether snapshots have stopped coming because nothing can be measured. The newest one
// stays as it is.
func (h *Hub) Stall(stalled bool) { h.stalled.Store(stalled) }

// Stalled reports whether nothing can be measured.
func (h *Hub) Stalled() bool { return h.stalled.Load() }

// Sleep notes that the board is about to be switched off, nil that it is not. Whoever sends says it
// last.
func (h *Hub) Sleep(s *Asleep) { h.asleep.Store(s) }

// Asleep returns the sleep that is about to begin, or nil.
func (h *Hub) Asleep() *Asleep { return h.asleep.Load() }

// Age returns the time since the newest snapshot was published, or since the hub was made before
// the first.
func (h *Hub) Age() time.Duration { return h.now().Sub(h.current.Load().arrived) }

// Next waits for a snapshot whose sequence number is above afterSeq and gives the newest; 0 takes
// any. It returns ctx's error when told to stop.
func (h *Hub) Next(ctx context.Context, afterSeq uint64) (*Snapshot, error) {
	for {
		e := h.current.Load()
		if e.snapshot != nil && e.snapshot.Seq > afterSeq {
			return e.snapshot, nil
		}
		select {
		case <-e.replaced:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// JSON returns s in its JSON form, the very bytes that every outlet sends; they must not be
// changed. The current snapshot is encoded once however many ask. A figure that is NaN or infinite
// is an error: JSON has no such number.
func (h *Hub) JSON(s *Snapshot) ([]byte, error) {
	if e := h.current.Load(); s != nil && e.snapshot == s {
		return e.encoded()
	}
	return json.Marshal(s) // overtaken meanwhile: same bytes, made again
}
