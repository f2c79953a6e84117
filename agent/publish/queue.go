package publish

import (
	"encoding/json"
	"slices"
)

// queue holds the messages of one stream from the moment they are made until the broker has acknowledged them.
type queue struct {
	limit   int
	seq     uint64 // of the newest message made
	dropped uint64
	items   []item // oldest first
}

type item struct {
	seq      uint64
	payload  []byte
	inFlight bool // sent on the present connection
}

func (q *queue) len() int { return len(q.items) }

// push numbers and encodes a message and appends it. When the queue is full the oldest that is not under way makes room. A
// message with no JSON form is dropped; its number stays used, so that the gap shows.
func (q *queue) push(message func(seq uint64) any) {
	q.seq++
	payload, err := json.Marshal(message(q.seq))
	if err != nil {
		q.dropped++
		return
	}
	if len(q.items) >= q.limit {
		q.dropped++
		oldest := slices.IndexFunc(q.items, func(it item) bool { return !it.inFlight })
		if oldest < 0 {
			return // all under way: the new one goes
		}
		q.items = slices.Delete(q.items, oldest, oldest+1)
	}
	q.items = append(q.items, item{seq: q.seq, payload: payload})
}

// take gives the oldest message that is not under way and marks it as being so.
func (q *queue) take() (item, bool) {
	for i := range q.items {
		if !q.items[i].inFlight {
			q.items[i].inFlight = true
			return q.items[i], true
		}
	}
	return item{}, false
}

// acknowledged removes a message.
func (q *queue) acknowledged(seq uint64) {
	q.items = slices.DeleteFunc(q.items, func(it item) bool { return it.seq == seq })
}

// ground makes every message wait again, after a connection is gone.
func (q *queue) ground() {
	for i := range q.items {
		q.items[i].inFlight = false
	}
}
