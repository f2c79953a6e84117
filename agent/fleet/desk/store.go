package desk

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/snapshot"
)

// ErrUnknown is for what the store does not have.
var ErrUnknown = errors.New("not known")

// Store is the fleet's database as the desk needs it. Everything that changes something writes its
// entry of the audit trail in the same transaction.
type Store interface {
	// Rows returns rows of the worklist in the order of rank and unit, at most Limit, and whether there
	// are more.
	Rows(ctx context.Context, q RowsQuery) (rows []Row, more bool, err error)
	// Counts counts all units that group and search let pass.
	Counts(ctx context.Context, q RowsQuery) (Counts, error)
	// Parts adds up what the units of list work need that the query lets pass, paging apart.
	Parts(ctx context.Context, q RowsQuery) ([]worklist.Part, error)
	// Groups returns the names of all groups, in order, at most max.
	Groups(ctx context.Context, max int) ([]string, error)

	// Unit returns all of a unit, or ErrUnknown.
	Unit(ctx context.Context, id string) (*Unit, error)
	// Records returns records of a stream, newest first, with an ID below before (0: all). An empty unit
	// takes every unit's, an empty stream every stream's.
	Records(ctx context.Context, unit, stream string, before int64, max int) ([]Record, error)
	// Record returns the record of that ID, or ErrUnknown.
	Record(ctx context.Context, id int64) (*Record, error)
	// Past returns what is stored of a unit's past.
	Past(ctx context.Context, unit string, from, to time.Time) (*Past, error)
	// AllData calls yield with the data of every unit, in order of unit, until it returns an error.
	AllData(ctx context.Context, yield func(Data) error) error
	// SetData writes the data of units, all or none. A unit that is not known becomes known.
	SetData(ctx context.Context, by string, at time.Time, units []Data) error
	// SetWork writes the state of work on a finding of a unit, or returns ErrUnknown.
	SetWork(ctx context.Context, by string, at time.Time, unit string, w worklist.Work) error

	// Revision grows whenever something changes that a page shows.
	Revision(ctx context.Context) (int64, error)

	// Audit returns entries of the trail, newest first, with an ID below before (0: all). An empty unit
	// takes all.
	Audit(ctx context.Context, unit string, before int64, max int) ([]AuditEntry, error)
	// Note writes an entry of what changed nothing else: signing in and out, an export.
	Note(ctx context.Context, e AuditEntry) error

	// Account returns an account, or ErrUnknown.
	Account(ctx context.Context, name string) (*Account, error)
	Accounts(ctx context.Context) ([]Account, error)
	// SetAccount adds an account or changes it. Its logins end unless only the role changed upward.
	SetAccount(ctx context.Context, by string, at time.Time, a Account) error
	RemoveAccount(ctx context.Context, by string, at time.Time, name string) error

	// AddLogin keeps a session. Those that have ended by then are deleted.
	AddLogin(ctx context.Context, l Login) error
	// Login returns the session of that hash and its account, or ErrUnknown.
	Login(ctx context.Context, hash string) (*Login, *Account, error)
	EndLogin(ctx context.Context, hash string) error
}

// RowsQuery chooses units of the worklist.
type RowsQuery struct {
	Now        time.Time
	Lists      []string // none: all
	Severities []string // of those with something to do; none: all
	Group      string   // empty: all
	Finding    string   // a finding of this name stands there; empty: any or none
	Search     string   // part of unit or place, whatever the case; empty: all
	After      *Cursor  // nil: from the first
	Limit      int
}

// Cursor is a place in the worklist.
type Cursor struct {
	Rank int64
	Unit string
}

// Row is a unit in the worklist.
type Row struct {
	worklist.Row
	Place        string `json:"place"`
	Group        string `json:"group"`
	ParkedUntil  string `json:"parked_until"` // empty: it isn't parked now
	ParkedReason string `json:"parked_reason"`
}

// rowWith joins a row with what the desk knows of the unit.
func rowWith(row worklist.Row, d Data, now time.Time) Row {
	out := Row{Row: row, Place: d.Place, Group: d.Group}
	if !d.parkedTo(now).IsZero() {
		out.ParkedUntil, out.ParkedReason = d.ParkedUntil, d.ParkedReason
	}
	return out
}

// Counts says how many units there are of each kind. A unit is counted by its list, and one of list
// work by its severity.
type Counts struct {
	All      int            `json:"units"`
	Lists    map[string]int `json:"by_list"`
	Severity map[string]int `json:"by_severity"`
}

// Data is what the desk knows of a unit and the unit does not say.
type Data struct {
	Unit    string `json:"unit"`
	Place   string `json:"place"`
	Group   string `json:"group"`
	Model   string `json:"model"`
	Contact string `json:"contact"`
	Note    string `json:"note"`
	// Days, YYYY-MM-DD, between which the unit is parked, the last included: it may then be silent. Until
	// is empty of one that is not; From is empty where it is parked already. Its first motor run ends it.
	ParkedFrom   string `json:"parked_from"`
	ParkedUntil  string `json:"parked_until"`
	ParkedReason string `json:"parked_reason"`
}

// parkedTo returns the end of the parking that a time is within, or the zero time.
func (d Data) parkedTo(t time.Time) time.Time {
	if !(db.Parked{From: d.ParkedFrom, Until: d.ParkedUntil}).On(t) {
		return time.Time{}
	}
	last, err := time.Parse(time.DateOnly, d.ParkedUntil)
	if err != nil {
		return time.Time{}
	}
	return last.AddDate(0, 0, 1)
}

// Unit is all that the desk shows of a unit.
type Unit struct {
	Data
	ParkedBy    string    // who said that it is parked
	ParkedAt    time.Time // and when
	Row         Row
	Snapshot    *snapshot.Snapshot // nil before the first
	ReceivedAt  time.Time          // of the snapshot
	Findings    []snapshot.Finding // that stand, by the last message of each
	Work        []worklist.Work
	AsleepUntil time.Time // until when its board is switched off on purpose; the year 9999: until the wake line comes on
	Status      string    // online, offline, stalled, saving, asleep, lost; empty: never said
	StatusAt    time.Time
	Streams     []Stream
	ClockOffS   *float64 // unit's clock less ours; nil: not known
	Clones      int      // sessions seen at once beyond the one that is right
	Flags       []string // what only the fleet's side can see of it, in English
}

// Stream is what was received of a stream's session.
type Stream struct {
	Stream  string    `json:"stream"`
	Session string    `json:"session"`
	First   uint64    `json:"first"`
	Through uint64    `json:"through"`
	Missing uint64    `json:"missing"` // records between those received
	Gone    uint64    `json:"gone"`    // that will never come
	HeardAt time.Time `json:"heard_at"`
}

// Record is a record as it was received.
type Record struct {
	ID         int64           `json:"id"`
	Unit       string          `json:"unit"`
	Stream     string          `json:"stream"`
	Session    string          `json:"session"`
	Seq        uint64          `json:"seq"`
	At         time.Time       `json:"at"`
	Trusted    bool            `json:"clock_trusted"`
	ReceivedAt time.Time       `json:"received_at"`
	Body       json.RawMessage `json:"body"`
}

// AuditEntry is one change: who, when, what before and after.
type AuditEntry struct {
	ID     int64     `json:"id"`
	At     time.Time `json:"at"`
	Who    string    `json:"who"`
	Action string    `json:"action"` // one of Actions
	Unit   string    `json:"unit,omitempty"`
	What   string    `json:"what,omitempty"`
	Before string    `json:"before,omitempty"`
	After  string    `json:"after,omitempty"`
}

// Actions of the audit trail.
const (
	ActionData    = "data"
	ActionWork    = "work"
	ActionAccount = "account"
	ActionSignIn  = "sign-in"
	ActionRefused = "sign-in-refused"
	ActionSignOut = "sign-out"
	ActionExport  = "export"
	ActionParked  = db.ParkedEnded // by the fleet itself
)

// Account is somebody who may sign in.
type Account struct {
	Name  string
	Role  Role
	Hash  string // of the password, as HashPassword made it
	SetAt time.Time
}

// Login is a session.
type Login struct {
	Hash    string // of its token
	Account string
	Until   time.Time
}

// Role is what somebody may do; each may do what those before it may.
type Role string

// Roles.
const (
	RoleRead  Role = "read"
	RoleDesk  Role = "desk"  // changes units' data and states of work
	RoleAdmin Role = "admin" // changes accounts, reads the audit trail
)

// Roles are all, least first.
var Roles = []Role{RoleRead, RoleDesk, RoleAdmin}

// May reports whether somebody with this role may do what takes another one.
func (r Role) May(needed Role) bool {
	have, need := -1, len(Roles)
	for i, x := range Roles {
		if x == r {
			have = i
		}
		if x == needed {
			need = i
		}
	}
	return have >= need
}

// newestFirst orders records.
func newestFirst(all []Record) {
	slices.SortFunc(all, func(a, b Record) int { return cmp.Compare(b.ID, a.ID) })
}
