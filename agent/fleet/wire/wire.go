// Package wire reads what units send: topic and payload become a [Message], or a [Refused] says why
// not. It is pure: no clock, no I/O, no goroutine.
package wire

import (
	"fmt"

	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

// Last levels of the topics that units send on; those of streams have the stream's name.
const (
	Status   = "status"
	Snapshot = "snapshot"
	Readings = "readings"
	Runs     = "runs"
	Findings = "findings"
	Visits   = "visits"
)

// Leaves are all of them.
var Leaves = []string{Status, Snapshot, Readings, Runs, Findings, Visits}

// Message is one message of a unit that keeps to its schema. What a database needs of it to keep the
// books is decoded; runs and readings are decoded by whoever reads them: [DecodeRun],
// [DecodeReadings].
type Message struct {
	Topic string
	Unit  string
	Leaf  string // status, snapshot, readings, runs, findings, visits
	// Retained: the broker had kept it from before the subscription. Late: it may have waited at the
	// broker, so that when it came says nothing of the unit's clock. Both are set by who received it.
	Retained, Late bool

	Schema string // as sent, such as liftbank.finding.v1
	Body   []byte // inflated JSON as sent, to be stored

	// Head is of a record of a stream, and of a snapshot and status as far as they have it. A SenML pack
	// has no First: it is 0.
	Head records.Head
	From uint64 // of a gap; else Head.Seq

	Status   *records.Status
	Snapshot *snapshot.Snapshot
	Finding  *snapshot.Finding // read as v2, whichever version was sent
	Visit    *records.Visit
	Gap      *records.Gap

	// Refused is why the message is for the quarantine; nil for all others. Then only Topic is sure,
	// and Body is what was received. Numbered says that Head is a sound one all the same: the record is
	// known, so that it needn't be asked for again.
	Refused  *Refused
	Numbered bool
}

// IsRecord reports whether the message has a place in a stream.
func (m *Message) IsRecord() bool { return m.Leaf != Status && m.Leaf != Snapshot && m.Leaf != "" }

// Reason is why a message was refused, in a word for a metric's label.
type Reason string

// Reasons.
const (
	BadTopic      Reason = "topic"          // not <prefix>/v1/<unit>/<leaf>
	TooLarge      Reason = "too-large"      // as received
	BadDeflate    Reason = "deflate"        // broken, or larger than MaxInflated
	NotJSON       Reason = "not-json"       // or not UTF-8
	UnknownSchema Reason = "schema-unknown" // or not one for this topic
	BreaksSchema  Reason = "breaks-schema"
	UnitLies      Reason = "unit-lies"  // the unit in it is not that of the topic
	NotStored     Reason = "not-stored" // the database takes all but this one
	BadNumbers    Reason = "numbers"    // such as first above seq, or more holes than are kept
)

// Reasons are all reasons in the order of their checks.
var Reasons = []Reason{BadTopic, TooLarge, BadDeflate, NotJSON, UnknownSchema, BreaksSchema, UnitLies, BadNumbers, NotStored}

// Refused says why a message can't be taken.
type Refused struct {
	Reason Reason
	Detail string // for people, at most 300 bytes
}

func (r *Refused) Error() string { return fmt.Sprintf("%s: %s", r.Reason, r.Detail) }

// Bounds of a payload, in bytes.
const (
	MaxPayload  = 256 << 10 // as received: a unit sends at most 128 KiB
	MaxInflated = 1 << 20
)
