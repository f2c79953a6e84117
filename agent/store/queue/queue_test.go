package queue

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/store/outbox"
	"liftbank/agent/store/spans"
	"liftbank/rules"
)

// noCard is one that has no file.
type noCard struct{}

func (noCard) Ask(context.Context, func(*sql.DB, bool) error) error { return nil }
func (noCard) Query(context.Context, func(*sql.DB) error) error     { return nil }
func (noCard) Waiting() iter.Seq[*outbox.Entry]                     { return func(func(*outbox.Entry) bool) {} }

// numberer returns a function that makes records of 100 bytes.
func numberer() func(to outbox.Stream) Op {
	b := outbox.New(outbox.Options{Session: "s1", Now: time.Now, Card: noCard{}, Lock: new(sync.Mutex)})
	at := spans.Of("s1").At(rules.Moment{})
	return func(to outbox.Stream) Op { return Record(b.Number(rules.Moment{}, at, to, make([]byte, 100))) }
}

// list says what waits.
func list(q *Queue) (out []string) {
	for _, o := range q.ops {
		switch {
		case o.Batch:
			out = append(out, "batch")
		case o.entry == nil:
			out = append(out, "row")
		case o.entry.IsGap():
			out = append(out, fmt.Sprintf("gap to %v %d", o.entry.Stream, o.entry.Seq))
		default:
			out = append(out, fmt.Sprintf("%v %d", o.entry.Stream, o.entry.Seq))
		}
	}
	return out
}

func TestTheLeastGoesFirst(t *testing.T) {
	record := numberer()
	q := New(4 * 250)
	row := Op{Priority: Low, Bytes: 100}
	assert.Zero(t, q.Add(row, record(outbox.Runs), record(outbox.Findings), row))
	assert.Equal(t, uint64(1), q.Add(record(outbox.Runs)))
	assert.Equal(t, []string{"runs 1", "findings 1", "row", "runs 2"}, list(&q), "the older of two rows")
	assert.Equal(t, uint64(1), q.Add(record(outbox.Findings)))
	assert.Equal(t, []string{"runs 1", "findings 1", "runs 2", "findings 2"}, list(&q))
	assert.Equal(t, uint64(2), q.Add(record(outbox.Findings)))
	assert.Equal(t, []string{"gap to runs 1", "findings 1", "gap to runs 2", "findings 2", "findings 3"}, list(&q),
		"a gap costs its room, too")
	for range 3 {
		assert.Zero(t, q.Add(record(outbox.Visits)), "up to twice the limit")
	}
	assert.Equal(t, 8, q.Len())
	assert.Equal(t, uint64(1), q.Add(record(outbox.Visits)))
	assert.Equal(t, "gap to findings 1", list(&q)[1])
}

func TestGapsThatFollowEachOtherAreOne(t *testing.T) {
	record := numberer()
	q := New(1000)
	for range 20 {
		q.Add(record(outbox.Readings))
	}
	got := list(&q)
	assert.Equal(t, []string{"gap to readings 17", "readings 18", "readings 19", "readings 20"}, got)
	var n int
	for range q.Entries() {
		n++
	}
	assert.Equal(t, 4, n)
}

// What a transaction writes stays until it is known how that went.
func TestWhatIsBeingWrittenStays(t *testing.T) {
	record := numberer()
	q := New(600)
	q.Add(record(outbox.Readings), record(outbox.Readings))
	assert.Len(t, q.Begin(), 2)
	assert.Equal(t, uint64(1), q.Add(record(outbox.Readings)))
	assert.Equal(t, []string{"readings 1", "readings 2", "gap to readings 3"}, list(&q))
	q.Done()
	assert.Equal(t, []string{"gap to readings 3"}, list(&q))

	q.Begin()
	q.Fail()
	q.Prepend([]*outbox.Entry{record(outbox.Runs).entry})
	assert.Equal(t, []string{"runs 1", "gap to readings 3"}, list(&q))
	q.Begin()
	q.Done()
	assert.Zero(t, q.Len())
	assert.Zero(t, q.bytes)
}

// A batch that waits behind minutes would miss those that come after it: the later one takes all.
func TestALaterBatchTakesThePlace(t *testing.T) {
	q := New(10000)
	row, batch := Op{Priority: Low, Bytes: 100}, Op{Priority: High, Batch: true}
	q.Add(row, batch, row)
	q.DropBatches()
	q.Add(batch)
	assert.Equal(t, []string{"row", "row", "batch"}, list(&q))
	q.Begin()
	q.DropBatches()
	q.Add(row, batch)
	assert.Equal(t, []string{"row", "row", "batch", "row", "batch"}, list(&q), "what is being written stays")
	q.Done()
	assert.Equal(t, []string{"row", "batch"}, list(&q))
	q.Begin()
	q.Done()
	assert.Zero(t, q.bytes)
}
