package publish

import (
	"bytes"
	"compress/zlib"
	"encoding/json"
	"fmt"
	"time"

	"liftbank/agent/readings"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
)

// Schemas of the payloads; the snapshot has its own.
const (
	statusSchema   = "liftbank.status.v1"
	runSchema      = "liftbank.run.v1"
	findingSchema  = "liftbank.finding.v1"
	visitSchema    = "liftbank.visit.v1"
	readingsSchema = "liftbank.readings.v1"
	gapSchema      = "liftbank.gap.v1"
)

// Values of the status.
const (
	statusOnline  = "online"
	statusOffline = "offline" // said by the agent itself before it leaves
	statusLost    = "lost"    // the last will: said by the broker when the agent is gone without a word
)

// statusMessage says whether the agent is there. A reader ignores a `lost` whose session and connection are not those of
// the last `online`: a broker may send the will of an old connection after the birth of the next.
type statusMessage struct {
	Schema     string    `json:"schema"`
	Unit       string    `json:"unit"`
	Session    string    `json:"session"`
	Connection uint64    `json:"connection"` // counts within the session
	Status     string    `json:"status"`
	At         time.Time `json:"at"` // when written; of `lost`, when that connection was begun
}

// streamHead is what stream messages have in common. A record is known by unit, stream, session and seq; package store has the rule.
//
// At is the moment told by the unit's wall clock; MonoS is the same moment on the session's monotonic timeline. A reader that has messages
// with clock_trusted false puts them right by any later one of the session that is trusted: the difference of At and MonoS holds for all.
type streamHead struct {
	Schema       string    `json:"schema"`
	Unit         string    `json:"unit"`
	Session      string    `json:"session"`
	Stream       string    `json:"stream"`
	First        uint64    `json:"first"` // the session's first number in this stream; those below are of earlier sessions; 1: a new store
	Seq          uint64    `json:"seq"`
	At           time.Time `json:"at"`
	ClockTrusted bool      `json:"clock_trusted"`
	MonoS        float64   `json:"mono_s"`
}

type runMessage struct {
	streamHead
	Run snapshot.Run `json:"run"`
}

type findingMessage struct {
	streamHead
	Finding snapshot.Finding `json:"finding"`
}

type visitMessage struct {
	streamHead
	Visit json.RawMessage `json:"visit"`
}

type readingsMessage struct {
	streamHead
	Start    time.Time       `json:"start"` // of the first bin
	Readings json.RawMessage `json:"readings"`
}

// gapMessage stands for the records From to Seq, which will never come.
type gapMessage struct {
	streamHead
	From    uint64 `json:"from"`
	Because string `json:"because"`
}

// RunBody gives a run's record for the store.
func RunBody(r snapshot.Run) ([]byte, error) { return json.Marshal(r) }

// FindingBody gives a finding's record for the store.
func FindingBody(f snapshot.Finding) ([]byte, error) { return json.Marshal(f) }

// readingsBody is a batch of readings in the store: begun at a monotonic time of its own session, or at a time of day.
type readingsBody struct {
	MonoMS  *int64          `json:"mono_ms,omitempty"`
	StartMS int64           `json:"start_ms,omitempty"`
	Trusted bool            `json:"trusted,omitempty"`
	Batch   json.RawMessage `json:"batch"`
}

// ReadingsBody gives a batch's record for the store, thinned within bounds.
func ReadingsBody(b store.Batch, within readings.Bounds) ([]byte, error) {
	batch, err := readings.Compress(b.Layout, b.Rows, within)
	if err != nil {
		return nil, err
	}
	text, err := json.Marshal(batch)
	if err != nil {
		return nil, fmt.Errorf("readings: %w", err)
	}
	body := readingsBody{StartMS: b.At.UnixMilli(), Trusted: b.Trusted, Batch: text}
	if b.Session {
		ms := b.Start.Milliseconds()
		body = readingsBody{MonoMS: &ms, Batch: text}
	}
	return json.Marshal(body)
}

func (p *Publisher) head(schema string, r *store.Record) streamHead {
	return streamHead{
		Schema: schema, Unit: p.opts.Unit, Session: r.Session, Stream: r.Stream.String(), First: r.First, Seq: r.Seq,
		At: r.At, ClockTrusted: r.Trusted, MonoS: float64(r.Mono.Milliseconds()) / 1000,
	}
}

// payload makes a record's message, with its times put right.
func (p *Publisher) payload(r *store.Record) ([]byte, error) {
	if r.Gap != "" {
		return json.Marshal(gapMessage{p.head(gapSchema, r), r.From, r.Gap})
	}
	switch r.Stream {
	case store.Runs:
		m := runMessage{streamHead: p.head(runSchema, r)}
		if err := json.Unmarshal(r.Body, &m.Run); err != nil {
			return nil, fmt.Errorf("run: %w", err)
		}
		m.Run.Start = m.Run.Start.Add(r.Shift)
		return json.Marshal(m)
	case store.Findings:
		m := findingMessage{streamHead: p.head(findingSchema, r)}
		if err := json.Unmarshal(r.Body, &m.Finding); err != nil {
			return nil, fmt.Errorf("finding: %w", err)
		}
		m.Finding.Since = m.Finding.Since.Add(r.Shift)
		for i := range m.Finding.Evidence {
			m.Finding.Evidence[i].At = m.Finding.Evidence[i].At.Add(r.Shift)
		}
		return json.Marshal(m)
	case store.Readings:
		return p.readings(r)
	}
	return json.Marshal(visitMessage{p.head(visitSchema, r), r.Body})
}

func (p *Publisher) readings(r *store.Record) ([]byte, error) {
	var b readingsBody
	if err := json.Unmarshal(r.Body, &b); err != nil {
		return nil, fmt.Errorf("readings: %w", err)
	}
	m := readingsMessage{streamHead: p.head(readingsSchema, r), Start: time.UnixMilli(b.StartMS).UTC(), Readings: b.Batch}
	trusted := b.Trusted
	if b.MonoMS != nil {
		m.Start, trusted = r.At.Add(time.Duration(*b.MonoMS)*time.Millisecond-r.Mono), r.Trusted
	}
	if p.opts.SenML && trusted {
		batch, err := readings.ParseBatch(b.Batch)
		if err != nil {
			return nil, err
		}
		if pack, ok := readings.SenML(p.opts.Unit, r.Session, r.Seq, m.Start, batch); ok {
			return pack, nil
		}
	}
	return json.Marshal(m)
}

// pack deflates a payload in the zlib format (RFC 1950) where that makes it smaller. A reader tells by the first byte: 0x78, where JSON
// has { or [.
func pack(payload []byte) []byte {
	var b bytes.Buffer
	w, err := zlib.NewWriterLevel(&b, zlib.DefaultCompression)
	if err != nil {
		return payload
	}
	if _, err := w.Write(payload); err != nil || w.Close() != nil || b.Len() >= len(payload) {
		return payload
	}
	return b.Bytes()
}

func (p *Publisher) status(status string, connection uint64) []byte {
	b, err := json.Marshal(statusMessage{
		Schema: statusSchema, Unit: p.opts.Unit, Session: p.opts.Session,
		Connection: connection, Status: status, At: p.opts.Clock.Now().UTC(),
	})
	if err != nil {
		panic("bug: status message: " + err.Error()) // text, a count and a time always have a JSON form
	}
	return b
}
