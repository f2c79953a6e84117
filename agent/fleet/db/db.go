// Package db is the fleet's database, SQLite or PostgreSQL: what units sent, each record once; what
// stands; what the desk noted.
package db

import (
	"context"
	"encoding/json"
	"time"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

// Options say how the database is used. The zero value has the defaults.
type Options struct {
	Now             func() time.Time // nil: time.Now
	QuarantineRows  int              // at most kept, the newest; 0: 10,000
	QuarantineBytes int64            // 0: 64 MiB
}

// StreamKey is one stream of one session of a unit.
type StreamKey struct{ Unit, Stream, Session string }

// Outcome is what a commit did.
type Outcome struct {
	New     []bool          // of each message: it was not known before
	Touched []StreamKey     // that are to be answered: each stream and session in the batch, once
	Hurry   []bool          // of each touched: the unit waits for the answer to send more of a backlog
	Changed []FindingChange // of what stands
	Refused []wire.Reason   // of each that went to the quarantine
	Flags   []FlagRaised    // of units, that were not set before
}

// FindingChange is a change of what stands at a unit.
type FindingChange struct {
	Unit    string
	At      time.Time
	Change  Change
	Finding snapshot.Finding // as it is now
}

// Change is what happened to a finding.
type Change string

// Changes.
const (
	Raised  Change = "raised"
	Cleared Change = "cleared" // it doesn't stand any more
	Altered Change = "altered" // acknowledged, shelved, another severity or evidence
)

// Flag is what only the fleet's side can see of a unit.
type Flag string

// Flags.
const (
	TwoIdentities Flag = "two-identities" // two agents with one name connect in turn
	ClockOff      Flag = "clock-off"      // a trusted time is more than 5 min from when it came
	NumbersBack   Flag = "numbers-back"   // a session begins below numbers that are known
	SchemaUnknown Flag = "schema-unknown" // messages of it are in the quarantine
	UnitLies      Flag = "unit-lies"      // messages of it have another unit's name
)

// Flags are all of them.
var Flags = []Flag{TwoIdentities, ClockOff, NumbersBack, SchemaUnknown, UnitLies}

// FlagRaised is a flag that a commit has set.
type FlagRaised struct {
	Unit string
	Flag Flag
}

// Flagged is a flag of a unit.
type Flagged struct {
	Unit   string    `json:"unit,omitempty"`
	Flag   Flag      `json:"flag"`
	Since  time.Time `json:"since"`
	Last   time.Time `json:"last"` // seen last
	Detail string    `json:"detail"`
}

// Unit is what is known of a unit.
type Unit struct {
	ID string `json:"unit"`
	About
	FirstHeardAt   time.Time       `json:"first_heard_at,omitzero"` // zero: never
	LastHeardAt    time.Time       `json:"last_heard_at,omitzero"`  // any message, to the minute
	LastRecordAt   time.Time       `json:"last_record_at,omitzero"` // a record of a stream, to the minute
	Status         string          `json:"status,omitempty"`        // online, offline, stalled, saving, asleep, lost
	StatusAt       time.Time       `json:"status_at,omitzero"`
	Session        string          `json:"session,omitempty"` // of the last status
	SnapshotAt     time.Time       `json:"snapshot_at,omitzero"`
	Snapshot       json.RawMessage `json:"snapshot,omitempty"` // the last, as sent
	SnapshotSchema string          `json:"snapshot_schema,omitempty"`
	ClockOffS      *float64        `json:"clock_off_s"` // how far its trusted clock is ahead; null: not known
	Flags          []Flagged       `json:"flags"`
	Decommissioned time.Time       `json:"decommissioned,omitzero"`
	WorkEnds       time.Time       `json:"work_ends,omitzero"` // of work under way, at the latest; zero: none
	// until when its board is switched off on purpose; zero: it is not; the year 9999: until the wake line comes on
	AsleepUntil time.Time `json:"asleep_until,omitzero"`
}

// About is what the desk knows of a unit, by import or by hand.
type About struct {
	Place   string `json:"place"`
	Group   string `json:"group"`
	Model   string `json:"model"`
	Contact string `json:"contact"`
	Note    string `json:"note"`
}

// Record is one record of a stream as it was received.
type Record struct {
	ID         int64     `json:"id"` // grows with each record that is stored
	Unit       string    `json:"unit"`
	Stream     string    `json:"stream"`
	Session    string    `json:"session"`
	Seq        uint64    `json:"seq"`
	At         time.Time `json:"at"`
	MonoS      float64   `json:"mono_s"`
	Trusted    bool      `json:"clock_trusted"`
	ReceivedAt time.Time `json:"received_at"`
	// Body is the message as sent (inflated); wire decodes it.
	Body json.RawMessage `json:"body"`
}

// Gap is numbers that will not come.
type Gap struct {
	Unit       string    `json:"unit"`
	Stream     string    `json:"stream"`
	Session    string    `json:"session"`
	From       uint64    `json:"from"`
	To         uint64    `json:"to"`
	Because    string    `json:"because"`
	ReceivedAt time.Time `json:"received_at"`
}

// Standing is a finding that is active, or that nobody has acknowledged.
type Standing struct {
	Unit    string           `json:"unit"`
	At      time.Time        `json:"at"`      // of the message that it is from
	Heard   time.Time        `json:"heard"`   // when that came
	Finding snapshot.Finding `json:"finding"` // read as v2
}

// WorklistQuery is which rows of the worklist are wanted. Empty fields don't filter.
type WorklistQuery struct {
	Search     string // in unit, place, group, model, contact
	Severity   string // note, repair, urgent
	Finding    string // the headline's name
	Group      string
	List       string // what package worklist puts the unit in; "silent" by SilentBefore
	WorkState  string // open, assigned, planned, done, dismissed
	Sort       Sort
	Descending bool
	Offset     int
	Limit      int // 0: 50
	// SilentBefore is when a unit must have sent its last record not to count as silent; zero: all
	// count as heard.
	SilentBefore time.Time
}

// Sort is a column of the worklist.
type Sort string

// Orders of the worklist; ties are by unit.
const (
	ByRank   Sort = "" // what to do first
	ByUnit   Sort = "unit"
	BySince  Sort = "since"
	ByCharge Sort = "charge"
	ByLifts  Sort = "lifts"
	ByHeard  Sort = "heard"
	ByPlace  Sort = "place"
)

// WorklistRow is one unit in the worklist, from the columns that commits keep.
type WorklistRow struct {
	Unit string `json:"unit"`
	About
	RowColumns
	LastRecordAt time.Time `json:"last_record_at,omitzero"`
	Status       string    `json:"status,omitempty"`
	Flags        int       `json:"flags"` // how many stand
}

// RowColumns are the columns of unit that commits keep for the worklist.
type RowColumns struct {
	Rank      int64           `json:"rank"` // the smallest is first
	List      string          `json:"list"`
	Severity  string          `json:"severity,omitempty"`
	Finding   string          `json:"finding,omitempty"`
	Subject   string          `json:"subject,omitempty"`
	Since     time.Time       `json:"since,omitzero"`
	ChargePct *float64        `json:"charge_pct"`
	LiftsLeft *float64        `json:"lifts_left"`
	WorkState string          `json:"work_state,omitempty"`
	WorkEnds  time.Time       `json:"work_ends,omitzero"` // of work under way, at the latest; zero: none
	Row       json.RawMessage `json:"row,omitempty"`      // all that package worklist says
}

// WorklistPage is some rows of the worklist and how many there are.
type WorklistPage struct {
	Rows  []WorklistRow `json:"rows"`
	Total int           `json:"total"`
	// Counts are of all units but for the filters of severity and list.
	BySeverity map[string]int `json:"by_severity"` // "" is none
	ByList     map[string]int `json:"by_list"`
}

// Work is how far the work on a finding is. Body is package worklist's, as JSON.
type Work struct {
	Unit    string          `json:"unit"`
	Finding string          `json:"finding"`
	Subject string          `json:"subject"`
	State   string          `json:"state"`
	At      time.Time       `json:"at"`
	Body    json.RawMessage `json:"body"`
}

// Audit is who did what at the desk.
type Audit struct {
	ID     int64     `json:"id"`
	At     time.Time `json:"at"`
	Who    string    `json:"who"`
	From   string    `json:"from"` // address
	Action string    `json:"action"`
	Unit   string    `json:"unit,omitempty"`
	Detail string    `json:"detail"`
}

// AuditQuery is which lines of the trail are wanted, newest first.
type AuditQuery struct {
	Unit, Who string
	Before    int64 // lines with a lower ID; 0: the newest
	Limit     int   // 0: 100
}

// Account is somebody who may log in.
type Account struct {
	Name     string
	Role     string // read, desk, admin
	Password []byte // hashed, with its parameters
	Disabled bool
	Made     time.Time
}

// Login is a session of the desk's pages. Key is a hash of what the browser has.
type Login struct {
	Key     []byte
	Account string
	Made    time.Time
	Seen    time.Time
	Ends    time.Time
}

// Alarm is one raise of a finding, and its end.
type Alarm struct {
	ID       int64     `json:"id"`
	Unit     string    `json:"unit"`
	Finding  string    `json:"finding"`
	Subject  string    `json:"subject"`
	Severity string    `json:"severity"`
	Raised   time.Time `json:"raised"`
	Ended    time.Time `json:"ended,omitzero"` // zero: it stands
}

// Quarantined is a message that was refused.
type Quarantined struct {
	ID       int64       `json:"id"`
	At       time.Time   `json:"at"`
	Topic    string      `json:"topic"`
	Unit     string      `json:"unit"`
	Reason   wire.Reason `json:"reason"`
	Detail   string      `json:"detail"`
	Bytes    int         `json:"bytes"`
	Retained bool        `json:"retained,omitempty"`
	Payload  []byte      `json:"payload,omitempty"` // not in a list
}

// QuarantineQuery is which refused messages are wanted, oldest first.
type QuarantineQuery struct {
	IDs    []int64 // nil: all
	Unit   string
	Reason wire.Reason
	After  int64
	Limit  int  // 0: 1000
	Full   bool // with the payloads
}

// Sums are counts over the whole database, for metrics.
type Sums struct {
	Units          int
	Decommissioned int
	Online         int
	Silent         int            // no record since the time asked for
	Standing       map[string]int // findings by severity
	Flagged        map[Flag]int
	Quarantined    int
	QuarantinedB   int64
	MissingRecords uint64 // numbers that are asked for
	GoneRecords    uint64 // numbers that will not come
}

// Retention says what is deleted by age. Zero keeps for ever.
type Retention struct {
	Streams    map[string]time.Duration // by stream: records by when they were received
	Alarms     time.Duration            // that have ended
	Audit      time.Duration
	Quarantine time.Duration
	Days       time.Duration // of units' pasts
	Units      time.Duration // all of a unit, so long after it was decommissioned
}

// Deleted is how much retention has deleted.
type Deleted struct {
	Records, Alarms, Audit, Quarantined, Days, Units int64
}

// API is all that the other parts may ask of the database; *DB is one. It is here to be read.
type API interface {
	Commit(ctx context.Context, at time.Time, batch []wire.Message) (Outcome, error)
	// Receipts returns what is to be answered of these streams, several messages for a unit where one
	// has no room, each with at most 64 entries and 256 missing ranges an entry. Missing numbers are
	// asked for again in growing intervals, and given up as a gap when the unit, heard since, has not
	// sent them after several times.
	Receipts(ctx context.Context, at time.Time, of []StreamKey) ([]records.Received, error)
	// Wanting returns streams with missing numbers that are due to be asked for, of units that were
	// heard since they were asked last.
	Wanting(ctx context.Context, at time.Time, max int) ([]StreamKey, error)
	// HeardSince returns the streams that were heard since then: whom to answer after a start.
	HeardSince(ctx context.Context, since time.Time) ([]StreamKey, error)

	Records(ctx context.Context, stream string, after int64, max int) ([]Record, error)
	UnitRecords(ctx context.Context, unit, stream string, before int64, max int) ([]Record, error) // newest first; before 0: the newest
	Position(ctx context.Context, name string) (int64, error)
	SetPosition(ctx context.Context, name string, id int64) error
	UnitRecordsSince(ctx context.Context, unit, stream string, since time.Time, after int64, max int) ([]Record, error)
	Gaps(ctx context.Context, unit string, max int) ([]Gap, error) // newest first

	Days(ctx context.Context, unit string, from time.Time) ([]Day, error)
	UnitAlarms(ctx context.Context, unit string, from, to time.Time, max int) ([]Alarm, error) // the last, oldest first
	RunTimes(ctx context.Context, unit string, since time.Time, max int) ([]time.Time, error)
	ParkedUnits(ctx context.Context) (map[string]Parked, error)

	Standing(ctx context.Context) ([]Standing, error)
	StandingOf(ctx context.Context, unit string) ([]Standing, error)
	Alarms(ctx context.Context, from, to time.Time, max int) ([]Alarm, error) // that stood in this time, oldest first
	Flags(ctx context.Context) ([]Flagged, error)
	ClearFlag(ctx context.Context, unit string, flag Flag) error

	Worklist(ctx context.Context, q WorklistQuery) (WorklistPage, error)
	Unit(ctx context.Context, id string) (Unit, error)                          // ErrUnknown
	Units(ctx context.Context, after string, max int) ([]Unit, error)           // in order of the name, without snapshots
	SetAbout(ctx context.Context, id string, a About) error                     // makes the unit where it isn't known
	Decommission(ctx context.Context, id string, at time.Time) error            // zero: back in use
	SilentUnits(ctx context.Context, before time.Time, max int) ([]Unit, error) // no record since; in use
	Groups(ctx context.Context) ([]string, error)

	Work(ctx context.Context, unit string) ([]Work, error)
	SetWork(ctx context.Context, w Work) error // the worklist's columns follow

	AddAudit(ctx context.Context, a Audit) error
	AuditTrail(ctx context.Context, q AuditQuery) ([]Audit, error)
	Account(ctx context.Context, name string) (Account, error) // ErrUnknown
	Accounts(ctx context.Context) ([]Account, error)
	PutAccount(ctx context.Context, a Account) error
	DeleteAccount(ctx context.Context, name string) error // with its logins
	Login(ctx context.Context, key []byte) (Login, error) // ErrUnknown
	PutLogin(ctx context.Context, l Login) error
	DeleteLogin(ctx context.Context, key []byte) error
	DeleteLogins(ctx context.Context, account string, endedBefore time.Time) error // "": of all accounts; zero time: all

	Quarantine(ctx context.Context, at time.Time, topic string, payload []byte, why wire.Refused) error
	Quarantined(ctx context.Context, q QuarantineQuery) ([]Quarantined, error)
	DropQuarantined(ctx context.Context, ids []int64) (int64, error)

	Sums(ctx context.Context, silentBefore time.Time) (Sums, error)
	Retain(ctx context.Context, now time.Time, r Retention) (Deleted, error)
	Ping(ctx context.Context) error
	Close() error
}
