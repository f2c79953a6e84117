package finding

import "time"

// ChangeKind is what happened to a finding.
type ChangeKind uint8

// Kinds of change.
const (
	Raised ChangeKind = iota + 1
	Cleared
	WasAcknowledged
	WasShelved
	WasUnshelved // by somebody, or because its time was up (By is empty)
	TakenOut
	PutBack
	Remarked
	Explained // by another finding, or no longer
)

// String returns the word used everywhere.
func (k ChangeKind) String() string {
	return [...]string{
		"", "raised", "cleared", "acknowledged", "shelved", "unshelved", "taken out of service", "returned to service",
		"remarked",
		"explained",
	}[k]
}

// Change is one thing that happened to a finding.
type Change struct {
	Seq    uint64 // counts all changes of a unit, restarts included, from 1
	Kind   ChangeKind
	Record int // index in the book
	State  State
	At     time.Duration
	By     string // who did it; empty: the rules
	Text   string // of a remark
	Muted  bool   // nobody is to be called for it: shelved, out of service, chattering, or in a flood and not urgent
}

// Book is all findings of one unit.
type Book struct {
	Records   []Record
	MaxShelve time.Duration // longest shelving

	seq     uint64
	changes []Change
	raises  [floodStarts]time.Duration // of the last raises, newest first
	counted int
	flood   bool
	active  []tally // how many hold, by name
}

// A flood of alarms starts at more than 10 in 10 minutes and ends at fewer than 5 (ISA-18.2, from
// memory; the 10 in 10 minutes is also EEMUA 191's peak, confirmed).
const (
	floodStarts = 11               // count: raises that make a flood; published: EEMUA 191
	floodEnds   = 5                // count: raises below which it ends; from memory: ISA-18.2
	floodWithin = 10 * time.Minute // within which they count; published: EEMUA 191
)

// Add puts a finding into the book and returns its index. All are added before the first Judge.
func (b *Book) Add(r Record) int {
	b.Records = append(b.Records, r)
	if b.tally(r.Def.Name) == nil {
		b.active = append(b.active, tally{name: r.Def.Name})
	}
	if cap(b.changes) < 2*len(b.Records) {
		b.changes = make([]Change, 0, 4*len(b.Records)) // so that judging takes no memory
	}
	return len(b.Records) - 1
}

// Judge applies a verdict to finding i.
func (b *Book) Judge(i int, at time.Duration, v Verdict) {
	r := &b.Records[i]
	if v.Opinion == Absent && r.calm() {
		r.Because = nil // by far the most frequent case
		return
	}
	if r.IsShelved && at >= r.ShelvedTo {
		b.unshelve(i, "", at)
	}
	raised, cleared := r.judge(at, v)
	switch {
	case raised:
		b.tally(r.Def.Name).n++
		if !r.Again {
			b.countRaise(at)
		}
		r.CausedBy = -1
		b.logChange(i, Change{Kind: Raised, At: at, Muted: b.muted(r)})
	case cleared:
		b.tally(r.Def.Name).n--
		b.logChange(i, Change{Kind: Cleared, At: at, Muted: b.muted(r)})
	}
}

// Calm reports whether verdicts that the condition is absent change nothing about these records.
func Calm(records []Record) bool {
	for i := range records {
		if r := &records[i]; !r.calm() || r.Because != nil {
			return false
		}
	}
	return true
}

// calm reports whether a verdict that the condition is absent changes nothing.
func (r *Record) calm() bool { return !r.Holding && !r.Waiting && !r.IsShelved }

// End clears a finding at once, without its hold: what it was about was repaired or replaced. One
// that does not hold stays as it is.
func (b *Book) End(i int, at time.Duration) {
	r := &b.Records[i]
	if !r.Holding {
		return
	}
	b.tally(r.Def.Name).n--
	r.Holding, r.Waiting = false, false
	r.ClearedAt = at
	r.updateState(at)
	b.logChange(i, Change{Kind: Cleared, At: at, Muted: b.muted(r)})
}

// ResetHolds ends all waiting for a condition to have held, or to have been over, for its time: it
// starts again with the next verdict.
func (b *Book) ResetHolds() {
	for i := range b.Records {
		b.Records[i].Waiting, b.Records[i].Seen = false, false
	}
}

func (b *Book) muted(r *Record) bool {
	return r.IsShelved || r.IsOut || r.Again ||
		r.Chattering && r.Raises > chatterRaises || b.flood && r.Def.Severity != Urgent
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

func (b *Book) logChange(i int, c Change) {
	b.seq++
	r := &b.Records[i]
	c.Seq, c.Record, c.State = b.seq, i, r.State
	r.Seq = b.seq
	b.changes = append(b.changes, c)
}

// Explain says which finding explains another, by index; negative: none. A change of that is told,
// muted.
func (b *Book) Explain(i, cause int, at time.Duration) {
	r := &b.Records[i]
	if r.CausedBy == cause {
		return
	}
	r.CausedBy = cause
	if r.RaisedAt != at { // else its being raised has just been told, cause and all
		b.logChange(i, Change{Kind: Explained, At: at, Muted: true})
	}
}

// Pending reports whether there are changes that Take has not returned.
func (b *Book) Pending() bool { return len(b.changes) > 0 }

// Take returns the changes since the last call, oldest first. The slice is valid until the next
// change.
func (b *Book) Take() []Change {
	c := b.changes
	b.changes = b.changes[:0]
	return c
}

// Find returns the index of a finding, or -1.
func (b *Book) Find(name, subject string) int {
	for i := range b.Records {
		if r := &b.Records[i]; r.Def.Name == name && r.Subject == subject {
			return i
		}
	}
	return -1
}

// AnyActive reports whether the condition of a finding holds for any subject.
func (b *Book) AnyActive(name string) bool {
	t := b.tally(name)
	return t != nil && t.n > 0
}

// tally is how many subjects the condition of a finding holds for.
type tally struct {
	name string
	n    int
}

// tally searches: names are few, and those asked for at every scan come first.
func (b *Book) tally(name string) *tally {
	for i := range b.active {
		if b.active[i].name == name {
			return &b.active[i]
		}
	}
	return nil
}
