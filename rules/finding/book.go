package finding

import (
	"time"
)

// Kind is what happened to a finding.
type Kind uint8

// Kinds of change.
const (
	Raised Kind = iota + 1
	Cleared
	WasAcknowledged
	WasShelved
	WasUnshelved // by somebody, or because its time was up (By is empty)
	TakenOut
	PutBack
	Remarked
	Explained // by another finding, or not any more
)

// String gives the word used everywhere.
func (k Kind) String() string {
	return [...]string{"", "raised", "cleared", "acknowledged", "shelved", "unshelved", "taken out of service", "returned to service", "remarked", "explained"}[k]
}

// Change is one thing that happened to a finding.
type Change struct {
	Seq    uint64 // counts all changes of a unit, restarts included, from 1
	Kind   Kind
	Record int // index in the book
	State  State
	At     time.Duration
	By     string // empty: by itself
	Text   string // of a remark
	Quiet  bool   // nobody is to be called for it: shelved, out of service, chattering, or one of a flood that is not urgent
}

// Book is all findings of one unit.
type Book struct {
	Records []Record
	Longest time.Duration // longest shelving; zero: DefaultLongest

	seq     uint64
	changes []Change
	raises  [floodStarts]time.Duration // of the last raises, newest first
	counted int
	flood   bool
}

// DefaultLongest is the longest shelving where nothing else is set. Our choice: units are seen a few times a year, and whatever is put
// aside must come back before it is forgotten.
const DefaultLongest = 30 * 24 * time.Hour

// A flood of alarms starts at more than 10 in 10 minutes and ends at fewer than 5 (ISA-18.2, from memory; the 10 in 10 minutes is also
// EEMUA 191's peak, confirmed).
const (
	floodStarts = 11
	floodEnds   = 5
	floodWithin = 10 * time.Minute
)

// Add puts a finding into the book and gives its index. All are added before the first Judge.
func (b *Book) Add(r Record) int {
	b.Records = append(b.Records, r)
	if cap(b.changes) < 2*len(b.Records) {
		b.changes = make([]Change, 0, 4*len(b.Records)) // so that judging takes no memory
	}
	return len(b.Records) - 1
}

// Judge takes an opinion on one finding in.
func (b *Book) Judge(i int, at time.Duration, o Opinion, because string) {
	r := &b.Records[i]
	if r.shelved && at >= r.ShelvedTo {
		b.unshelve(i, "", at)
	}
	raised, cleared := r.Judge(at, o, because)
	switch {
	case raised:
		b.countRaise(at)
		r.CausedBy = -1
		b.note(i, Change{Kind: Raised, At: at, Quiet: b.quiet(r)})
	case cleared:
		b.note(i, Change{Kind: Cleared, At: at, Quiet: b.quiet(r)})
	}
}

// End ends a finding at once, without its hold: what it was about was repaired or replaced. One that does not hold stays as it is.
func (b *Book) End(i int, at time.Duration) {
	r := &b.Records[i]
	if !r.holds {
		return
	}
	r.holds, r.waiting = false, false
	r.OverAt = at
	r.settle(at)
	b.note(i, Change{Kind: Cleared, At: at, Quiet: b.quiet(r)})
}

// EndWaits ends all waiting for a condition to have held, or to have been over, for its time: it begins anew with the next opinion.
func (b *Book) EndWaits() {
	for i := range b.Records {
		b.Records[i].waiting = false
	}
}

func (b *Book) quiet(r *Record) bool {
	return r.shelved || r.out || r.chatter && r.Times > chatterRaises || b.flood && r.Def.Severity != Urgent
}

func (b *Book) countRaise(at time.Duration) {
	b.Flooded(at)
	copy(b.raises[1:], b.raises[:floodStarts-1])
	b.raises[0] = at
	b.counted = min(b.counted+1, floodStarts)
	if b.counted == floodStarts && at-b.raises[floodStarts-1] <= floodWithin {
		b.flood = true
	}
}

// Flooded reports whether so many findings came at once that only urgent ones are told one by one.
func (b *Book) Flooded(at time.Duration) bool {
	if b.flood && (b.counted < floodEnds || at-b.raises[floodEnds-1] > floodWithin) {
		b.flood = false
	}
	return b.flood
}

func (b *Book) note(i int, c Change) {
	b.seq++
	r := &b.Records[i]
	c.Seq, c.Record, c.State = b.seq, i, r.State
	r.Seq = b.seq
	b.changes = append(b.changes, c)
}

// Explain says which finding explains another, by index; negative: none. A change of that is told, quietly.
func (b *Book) Explain(i, cause int, at time.Duration) {
	r := &b.Records[i]
	if r.CausedBy == cause {
		return
	}
	r.CausedBy = cause
	if r.RaisedAt != at { // else its being raised has just been told, cause and all
		b.note(i, Change{Kind: Explained, At: at, Quiet: true})
	}
}

// Pending reports whether there are changes that Take has not given.
func (b *Book) Pending() bool { return len(b.changes) > 0 }

// Take gives the changes since the last Take, in order. The slice belongs to the book until the next change.
func (b *Book) Take() []Change {
	c := b.changes
	b.changes = b.changes[:0]
	return c
}

// Find gives the index of a finding, or -1.
func (b *Book) Find(name, subject string) int {
	for i := range b.Records {
		if r := &b.Records[i]; r.Def.Name == name && r.Subject == subject {
			return i
		}
	}
	return -1
}
