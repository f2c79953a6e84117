package records

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"liftbank/agent/store/outbox"
)

// Bounds of what is accepted from a collector.
const (
	maxReceived = 64 << 10 // bytes of one message
	maxEntries  = 64       // streams and sessions in one message
	maxMissing  = 256      // gaps in one entry
	maxSession  = 64       // bytes
	maxSeq      = 1 << 53  // whole numbers that every JSON reader has
)

// Received is what the fleet's collector answers: of each stream and session the highest number up
// to which it has everything, and the gaps above that it wants again. A message may leave out what
// did not change.
type Received struct {
	Schema  string          `json:"schema"`
	Unit    string          `json:"unit"`
	Streams []ReceivedEntry `json:"streams"`
}

// ReceivedEntry is what a collector has of one stream and session.
type ReceivedEntry struct {
	Stream  string      `json:"stream"`
	Session string      `json:"session"`
	Through uint64      `json:"through"`
	Missing [][2]uint64 `json:"missing,omitempty"` // from, to; ascending, both ends included
}

// ParseReceived reads a collector's message for a unit, strictly and within bounds. Such a message
// can confirm records and ask for some again; there is nothing else in it.
func ParseReceived(unit string, data []byte) ([]outbox.Receipt, error) {
	if len(data) > maxReceived {
		return nil, fmt.Errorf("received: %d bytes: want at most %d", len(data), maxReceived)
	}
	var m Received
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return nil, fmt.Errorf("received: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("received: extra data after the message")
	}
	if m.Schema != ReceivedSchema || m.Unit != unit {
		return nil, fmt.Errorf("received: schema %.40q, unit %.64q: want %s for %s", m.Schema, m.Unit,
			ReceivedSchema, unit)
	}
	if len(m.Streams) > maxEntries {
		return nil, fmt.Errorf("received: %d entries: want at most %d", len(m.Streams), maxEntries)
	}
	var out []outbox.Receipt
	for _, e := range m.Streams {
		r, err := e.receipt()
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

func (e *ReceivedEntry) receipt() (outbox.Receipt, error) {
	stream, known := outbox.ParseStream(e.Stream)
	if !known || e.Session == "" || len(e.Session) > maxSession || e.Through > maxSeq || len(e.Missing) > maxMissing {
		return outbox.Receipt{}, fmt.Errorf("received: stream %.40q, session %.40q, through %d, %d gaps: out of bounds",
			e.Stream, e.Session, e.Through, len(e.Missing))
	}
	before := e.Through
	for _, g := range e.Missing {
		if g[0] <= before || g[1] < g[0] || g[1] > maxSeq {
			return outbox.Receipt{}, fmt.Errorf("received: gap %d to %d: want gaps above through, in order", g[0], g[1])
		}
		before = g[1]
	}
	return outbox.Receipt{Stream: stream, Session: e.Session, Through: e.Through, Missing: e.Missing}, nil
}
