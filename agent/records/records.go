// Package records makes the bodies of what a unit sends and reads what a collector answers: JSON
// messages, and SenML packs (RFC 8428) of readings. It knows no protocol: an outlet takes a body
// and sends it its own way. Package records/schema has the JSON Schemas of these types.
//
// A record goes through here twice. [RunBody], [FindingBody], [VisitBody] and [ReadingsBody] make
// what the store keeps. [Encoder.Body] makes the message of a kept record when it is sent, with its
// times by what is known of the clock then.
package records

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"liftbank/agent/moment"
	"liftbank/agent/readings"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/past"
	"liftbank/agent/visit"
)

// Names of the messages' layouts; the snapshot has its own. Fields are only ever added within a
// version.
const (
	StatusSchema   = "liftbank.status.v1"
	RunSchema      = "liftbank.run.v1"
	FindingSchema  = "liftbank.finding.v2"
	VisitSchema    = "liftbank.visit.v1"
	ReadingsSchema = "liftbank.readings.v1"
	GapSchema      = "liftbank.gap.v1"
	ReceivedSchema = "liftbank.received.v1"
)

// Values of [Status.Status].
const (
	Online  = "online"
	Offline = "offline" // sent by the agent itself before it leaves
	Stalled = "stalled" // connected, and nothing is measured: a transfer on the bus doesn't return
	Saving  = "saving"  // sent before it leaves: it measures on, and is back at until, or with what is urgent
	Asleep  = "asleep"  // sent before the board is switched off; nothing is measured until it is woken
	Lost    = "lost"    // sent on the agent's behalf when it is gone without a word
)

// Status says whether the agent is there. A reader ignores a "lost" whose session and connection
// are not those of the last "online": it may arrive after the start of the next connection.
type Status struct {
	Schema     string    `json:"schema"`
	Unit       string    `json:"unit"`
	Session    string    `json:"session"`
	Connection uint64    `json:"connection"` // counts within the session
	Status     string    `json:"status"`
	At         time.Time `json:"at"` // when written; of lost, when that connection was begun
	// of saving and asleep: when the unit is back; left out: when the wake line comes on
	Until *time.Time `json:"until,omitempty"`
	Why   string     `json:"why,omitempty"` // of saving and asleep, in English
}

// Head is what all stream messages have in common. A record is known by unit, stream, session and
// seq; package store has the rule.
//
// At is the moment by the unit's wall clock; MonoS is the same moment on the session's monotonic
// timeline. A reader that has messages with clock_trusted false corrects them by any later message
// of the session that is trusted: the difference of At and MonoS is the same for all. It corrects
// only times between the start of the session (At less MonoS) and a year after At. Others are of
// earlier sessions, whose clock was set.
type Head struct {
	Schema  string `json:"schema"`
	Unit    string `json:"unit"`
	Session string `json:"session"`
	Stream  string `json:"stream"`
	// The session's first number in this stream; those below are of earlier sessions; 1: a new
	// store.
	First        uint64    `json:"first"`
	Seq          uint64    `json:"seq"`
	At           time.Time `json:"at"`
	ClockTrusted bool      `json:"clock_trusted"`
	MonoS        float64   `json:"mono_s"`
}

// Run is the message of one motor run.
type Run struct {
	Head
	Run snapshot.Run `json:"run"`
}

// Finding is the message of one change of a finding.
type Finding struct {
	Head
	Finding snapshot.Finding `json:"finding"`
}

// Visit is the message of one finished visit.
type Visit struct {
	Head
	Visit visit.Visit `json:"visit"`
}

// Readings is the message of one batch of minutes.
type Readings struct {
	Head
	Start    time.Time      `json:"start"` // of the first bin
	Readings readings.Batch `json:"readings"`
}

// Gap stands for the records From to Seq, which will never come.
type Gap struct {
	Head
	From    uint64 `json:"from"`
	Because string `json:"because"`
}

// Findings is all findings of a unit at one moment: the answer to whoever asks.
type Findings struct {
	Schema    string               `json:"schema"`
	Unit      string               `json:"unit"`
	Session   string               `json:"session"`
	Seq       uint64               `json:"seq"` // of the snapshot that they are from
	At        time.Time            `json:"at"`
	Findings  []snapshot.Finding   `json:"findings"`
	NotJudged []snapshot.NotJudged `json:"not_judged"`
}

// FindingsSchema names the layout of [Findings].
const FindingsSchema = "liftbank.findings.v2"

// FindingsOf returns the findings of a snapshot.
func FindingsOf(s *snapshot.Snapshot) Findings {
	return Findings{
		Schema: FindingsSchema, Unit: s.Unit, Session: s.Session, Seq: s.Seq, At: s.At,
		Findings: s.Findings, NotJudged: s.NotJudged,
	}
}

// RunBody returns what the store keeps of a run. Its times may be stand-ins (package moment).
func RunBody(r snapshot.Run) ([]byte, error) { return json.Marshal(r) }

// FindingBody returns what the store keeps of a finding's change. Its times may be stand-ins.
func FindingBody(f snapshot.Finding) ([]byte, error) { return json.Marshal(f) }

// maxVisit bounds the record of a visit, in bytes: below the 128 KiB that common brokers take, with
// room for the head. All other records are far smaller.
const maxVisit = 96 << 10

// VisitBody returns what the store keeps of a finished visit, shortened where it is longer than
// brokers take. Its times may be stand-ins.
func VisitBody(v visit.Visit) ([]byte, error) { return v.Bounded(maxVisit) }

// keptBatch is a batch of readings in the store. Start is a stand-in while the batch is of the
// record's own session.
type keptBatch struct {
	Start   time.Time      `json:"start"`
	Trusted bool           `json:"trusted,omitempty"` // Start is by a clock that was set
	Batch   readings.Batch `json:"batch"`
}

// ReadingsBody returns what the store keeps of a batch of minutes, thinned within bounds.
func ReadingsBody(b past.Batch, within readings.Bounds) ([]byte, error) {
	batch, err := readings.Compress(b.Layout, b.Rows, within)
	if err != nil {
		return nil, err
	}
	body := keptBatch{Start: b.At.UTC(), Trusted: b.Trusted, Batch: batch}
	if b.Session {
		body.Start, body.Trusted = moment.StandIn(b.Start), false
	}
	return json.Marshal(body)
}

// Encoder makes the messages of one unit.
type Encoder struct {
	Unit  string
	SenML bool // readings as SenML packs where the time of their first bin is known
}

// Body returns the message of a kept record. Every time in it is by what is known of the clock now.
func (e Encoder) Body(r *outbox.Record) ([]byte, error) {
	if r.Gap != "" {
		return json.Marshal(Gap{e.head(GapSchema, r), r.From, r.Gap})
	}
	switch r.Stream {
	case outbox.Runs:
		m := Run{Head: e.head(RunSchema, r)}
		return encode(r, &m, &m.Run)
	case outbox.Findings:
		m := Finding{Head: e.head(FindingSchema, r)}
		return encode(r, &m, &m.Finding)
	case outbox.Visits:
		m := Visit{Head: e.head(VisitSchema, r)}
		return encode(r, &m, &m.Visit)
	case outbox.Readings:
		return e.readings(r)
	}
	return nil, fmt.Errorf("stream %d: no message for it", r.Stream)
}

// encode reads a kept body into its place inside a message, puts the times right, and returns the
// message as JSON.
func encode(r *outbox.Record, message, body any) ([]byte, error) {
	if err := json.Unmarshal(r.Body, body); err != nil {
		return nil, fmt.Errorf("%s: %w", r.Stream, err)
	}
	moment.Resolve(body, r.Time)
	return json.Marshal(message)
}

func (e Encoder) head(schema string, r *outbox.Record) Head {
	return Head{
		Schema: schema, Unit: e.Unit, Session: r.Session, Stream: r.Stream.String(), First: r.First, Seq: r.Seq,
		At: r.At, ClockTrusted: r.Trusted, MonoS: float64(r.Mono.Milliseconds()) / 1000,
	}
}

func (e Encoder) readings(r *outbox.Record) ([]byte, error) {
	var b keptBatch
	if err := json.Unmarshal(r.Body, &b); err != nil {
		return nil, fmt.Errorf("readings: %w", err)
	}
	if _, ours := moment.IsStandIn(b.Start); ours {
		b.Trusted = r.Trusted
	}
	moment.Resolve(&b.Start, r.Time)
	if e.SenML && b.Trusted {
		pack, err := senML(e.Unit, r.Session, r.Seq, b.Start, b.Batch)
		if !errors.Is(err, errTooEarly) {
			return pack, err
		}
	}
	return json.Marshal(Readings{Head: e.head(ReadingsSchema, r), Start: b.Start, Readings: b.Batch})
}

// Status returns a status message.
func (e Encoder) Status(status, session string, connection uint64, at time.Time) ([]byte, error) {
	return e.StatusUntil(status, session, connection, at, nil, "")
}

// StatusUntil is Status of a unit that is away on purpose: until when, nil where only the wake line brings
// it back, and why.
func (e Encoder) StatusUntil(status, session string, connection uint64, at time.Time, until *time.Time, why string) ([]byte, error) {
	return json.Marshal(Status{
		Schema: StatusSchema, Unit: e.Unit, Session: session, Connection: connection, Status: status, At: at.UTC(),
		Until: until, Why: why,
	})
}
