// Package queue holds in memory what waits to be written to the card, within a limit.
package queue

import (
	"database/sql"
	"iter"
	"slices"

	"liftbank/agent/store/outbox"
)

// Op is one thing to be written.
type Op struct {
	Priority Priority
	Bytes    int                    // of its data
	Batch    bool                   // makes batches of readings
	Apply    func(tx *sql.Tx) error // may be called again after a transaction that failed
	entry    *outbox.Entry          // the record that this is, nil for anything else
}

// Priority says what is dropped first when there is no room.
type Priority uint8

// Priorities, the first to go first.
const (
	Low    Priority = iota // aggregates and batches of them
	Medium                 // runs
	High                   // findings, visits: dropped only beyond twice the limit
)

// opBytes is what a waiting thing costs beside its data.
const opBytes = 150

func (o *Op) size() int { return o.Bytes + opBytes }

// Record returns what writes a record.
func Record(e *outbox.Entry) Op {
	p := High
	switch {
	case e.IsGap():
	case e.Stream == outbox.Readings:
		p = Low
	case e.Stream == outbox.Runs:
		p = Medium
	}
	return Op{Priority: p, Bytes: len(e.Body), Apply: e.Write, entry: e}
}

// Queue is what waits, in the order that it was added. It has no lock.
type Queue struct {
	limit   int
	ops     []Op
	bytes   int // held by ops
	writing int // of ops, those at the front that a transaction is writing
}

// New returns an empty queue that holds up to limit bytes.
func New(limit int) Queue { return Queue{limit: limit} }

// Len returns how many things wait.
func (q *Queue) Len() int { return len(q.ops) }

// DropBatches removes what waits to make batches of readings, but what is being written: a later one takes all.
func (q *Queue) DropBatches() {
	kept := q.ops[:q.writing]
	for _, o := range q.ops[q.writing:] {
		if o.Batch {
			q.bytes -= o.size()
			continue
		}
		kept = append(kept, o)
	}
	clear(q.ops[len(kept):])
	q.ops = kept
}

// Entries returns the records that wait.
func (q *Queue) Entries() iter.Seq[*outbox.Entry] {
	return func(yield func(*outbox.Entry) bool) {
		for i := range q.ops {
			if e := q.ops[i].entry; e != nil && !yield(e) {
				return
			}
		}
	}
}

// Add adds things at the end and returns how many it dropped for lack of room.
func (q *Queue) Add(ops ...Op) (lost uint64) {
	for i := range ops {
		q.bytes += ops[i].size()
	}
	q.ops = append(q.ops, ops...)
	for p := Low; p <= High; p++ {
		lost += q.makeRoom(p)
	}
	return lost
}

// makeRoom drops the oldest of a priority while more waits than there may be. A gap stands for a
// record that goes.
func (q *Queue) makeRoom(of Priority) (lost uint64) {
	limit := q.limit
	if of == High {
		limit *= 2
	}
	if q.bytes <= limit {
		return 0
	}
	kept := q.ops[:q.writing] // these are being written
	for _, o := range q.ops[q.writing:] {
		if q.bytes <= limit || o.Priority != of || o.entry != nil && o.entry.IsGap() {
			kept = append(kept, o)
			continue
		}
		q.bytes -= o.size()
		lost++
		if o.entry == nil {
			continue
		}
		if n := len(kept); n > q.writing && kept[n-1].entry != nil && kept[n-1].entry.Joins(o.entry) {
			kept[n-1].entry.Extend(o.entry)
			continue
		}
		gap := Record(o.entry.Gap("no room in memory while the store could not be written"))
		q.bytes += gap.size()
		kept = append(kept, gap)
	}
	clear(q.ops[len(kept):])
	q.ops = kept
	return lost
}

// Prepend adds records that come before all that waits. Nothing is being written.
func (q *Queue) Prepend(entries []*outbox.Entry) {
	var ops []Op
	for _, e := range entries {
		ops = append(ops, Record(e))
		q.bytes += ops[len(ops)-1].size()
	}
	q.ops = append(ops, q.ops...)
}

// Begin returns what a transaction is to write. Done or Fail must follow.
func (q *Queue) Begin() []Op {
	q.writing = len(q.ops)
	return slices.Clone(q.ops)
}

// Fail notes that the transaction failed: everything keeps waiting.
func (q *Queue) Fail() { q.writing = 0 }

// Done removes what the transaction wrote.
func (q *Queue) Done() {
	for i := range q.ops[:q.writing] {
		q.bytes -= q.ops[i].size()
	}
	rest := len(q.ops) - q.writing
	copy(q.ops, q.ops[q.writing:])
	clear(q.ops[rest:])
	q.ops, q.writing = q.ops[:rest], 0
	if rest == 0 && cap(q.ops) > 1024 {
		q.ops = nil // it was long while the card could not be written
	}
}
