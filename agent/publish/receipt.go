package publish

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"liftbank/agent/store"
)

const (
	receivedSchema = "liftbank.received.v1"
	maxEntries     = 64      // streams and sessions in one message
	maxMissing     = 256     // gaps in one entry
	maxSeq         = 1 << 53 // whole numbers that every JSON reader has
)

// received is what the fleet's collector says on <prefix>/v1/<unit>/received: of each stream and session the highest number up to which it
// has everything, and the gaps above that it wants again. It may be retained, and may leave out what did not change.
type received struct {
	Schema  string          `json:"schema"`
	Unit    string          `json:"unit"`
	Streams []receivedEntry `json:"streams"`
}

type receivedEntry struct {
	Stream  string      `json:"stream"`
	Session string      `json:"session"`
	Through uint64      `json:"through"`
	Missing [][2]uint64 `json:"missing,omitempty"` // from, to; ascending, both ends included
}

// parseReceived reads a collector's message, strictly and within bounds. It can confirm records and ask for some again; there is nothing
// else in it.
func parseReceived(unit string, data []byte) ([]store.Receipt, error) {
	if len(data) > maxPacket {
		return nil, fmt.Errorf("received: %d bytes: want at most %d", len(data), maxPacket)
	}
	var m received
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return nil, fmt.Errorf("received: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("received: something behind the message")
	}
	if m.Schema != receivedSchema || m.Unit != unit {
		return nil, fmt.Errorf("received: schema %.40q, unit %.64q: want %s for %s", m.Schema, m.Unit, receivedSchema, unit)
	}
	if len(m.Streams) > maxEntries {
		return nil, fmt.Errorf("received: %d entries: want at most %d", len(m.Streams), maxEntries)
	}
	var out []store.Receipt
	for _, e := range m.Streams {
		r, err := e.receipt()
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

func (e *receivedEntry) receipt() (store.Receipt, error) {
	stream, known := store.ParseStream(e.Stream)
	if !known || e.Session == "" || len(e.Session) > maxLevel || e.Through > maxSeq || len(e.Missing) > maxMissing {
		return store.Receipt{}, fmt.Errorf("received: stream %.40q, session %.40q, through %d, %d gaps: out of bounds", e.Stream, e.Session, e.Through, len(e.Missing))
	}
	before := e.Through
	for _, g := range e.Missing {
		if g[0] <= before || g[1] < g[0] || g[1] > maxSeq {
			return store.Receipt{}, fmt.Errorf("received: gap %d to %d: want gaps above through, in order", g[0], g[1])
		}
		before = g[1]
	}
	return store.Receipt{Stream: stream, Session: e.Session, Through: e.Through, Missing: e.Missing}, nil
}
