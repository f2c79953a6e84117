package finding

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// BookState is what is saved of a book. Instants are on the engine's timeline.
type BookState struct {
	Seq     uint64
	Raises  []time.Duration // newest first
	Flood   bool
	Records []RecordState // those that were ever raised, shelved, taken out of service or remarked on
}

// RecordState is what is saved of one finding.
type RecordState struct {
	Name, Subject             string
	CausedBy, CausedBySubject string // empty: none
	Life
}

// State returns what is to be saved. It shares no memory with the book.
func (b *Book) State() BookState {
	s := BookState{Seq: b.seq, Raises: slices.Clone(b.raises[:b.counted]), Flood: b.flood}
	for i := range b.Records {
		r := &b.Records[i]
		if r.Seq == 0 && !r.Waiting && !r.IsOut {
			continue
		}
		x := r.saved()
		if !r.Waiting {
			x.WaitingFrom = 0
		}
		if !r.Seen {
			x.SeenFrom = 0
		}
		if !r.Holding {
			x.HeldAt = 0 // of a condition that never held long enough nothing is kept
		}
		if c := r.CausedBy; c >= 0 {
			x.CausedBy, x.CausedBySubject = b.Records[c].Def.Name, b.Records[c].Subject
		}
		s.Records = append(s.Records, x)
	}
	return s
}

func (r *Record) saved() RecordState {
	x := RecordState{Name: r.Def.Name, Subject: r.Subject, Life: r.Life}
	x.Remarks, x.Evidence, x.Likely = slices.Clone(r.Remarks), slices.Clone(r.Evidence), slices.Clone(r.Likely)
	return x
}

// Active returns the findings whose condition holds. They share no memory with the book.
func (b *Book) Active() (list []RecordState) {
	for i := range b.Records {
		if r := &b.Records[i]; r.Holding {
			list = append(list, r.saved())
		}
	}
	return list
}

// EndedOf returns those of a list whose condition holds no longer.
func (b *Book) EndedOf(list []RecordState) (ended []RecordState) {
	for _, x := range list {
		if i := b.Find(x.Name, x.Subject); i >= 0 && !b.Records[i].Holding {
			ended = append(ended, x)
		}
	}
	return ended
}

// Reopen raises a finding again, as it was before End: that was a mistake. Nobody is called for it
// a second time. One that holds again by itself, or that can't be so, stays as it is.
func (b *Book) Reopen(was *RecordState, at time.Duration) {
	i := b.Find(was.Name, was.Subject)
	if i < 0 || b.Records[i].Holding || !was.Holding || (&BookState{Seq: was.Seq, Records: []RecordState{*was}}).check() != nil {
		return
	}
	r := &b.Records[i]
	r.Holding, r.HeldAt, r.Waiting, r.Seen = true, was.HeldAt, false, false
	r.RaisedAt, r.ClearedAt, r.Again = was.RaisedAt, was.ClearedAt, true
	r.Unacked = r.Unacked && was.Unacked // whoever has seen that it was over has seen it
	r.Evidence, r.Likely = append(r.Evidence[:0], was.Evidence...), append(r.Likely[:0], was.Likely...)
	b.tally(r.Def.Name).n++
	r.updateState(at)
	b.logChange(i, Change{Kind: Raised, At: at, Muted: true})
}

// Restore takes over what was saved. A finding that this unit no longer has (another bank, another
// board) is left out. On an error the book is unchanged.
func (b *Book) Restore(s BookState) error {
	if err := s.check(); err != nil {
		return fmt.Errorf("restore findings: %w", err)
	}
	b.seq, b.flood, b.counted = s.Seq, s.Flood, copy(b.raises[:], s.Raises)
	for k := range s.Records {
		x := &s.Records[k]
		i := b.Find(x.Name, x.Subject)
		if i < 0 {
			continue
		}
		r := &b.Records[i]
		out := r.IsOut // as the configuration has it now
		fresh := NewRecord(r.Def, r.Subject, r.hold, r.release)
		evidence, likely := append(fresh.Evidence, x.Evidence...), append(fresh.Likely, x.Likely...)
		fresh.Life = x.Life
		fresh.Remarks, fresh.Evidence, fresh.Likely = slices.Clone(x.Remarks), evidence, likely
		fresh.IsOut = x.IsOut || out
		*r = fresh
		r.updateState(r.Since)
	}
	for i := range b.active {
		b.active[i].n = 0
	}
	for i := range b.Records {
		if r := &b.Records[i]; r.Holding {
			b.tally(r.Def.Name).n++
		}
	}
	for k := range s.Records {
		x := &s.Records[k]
		if i := b.Find(x.Name, x.Subject); i >= 0 && x.CausedBy != "" {
			b.Records[i].CausedBy = b.Find(x.CausedBy, x.CausedBySubject)
		}
	}
	return nil
}

func (s *BookState) check() error {
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if len(s.Raises) > floodStarts {
		wrong("raises: %d: want up to %d", len(s.Raises), floodStarts)
	}
	for i := range s.Records {
		r := &s.Records[i]
		at := label(r.Name, r.Subject)
		if r.State > OutOfService {
			wrong("%s: state %d: want 0 to %d", at, r.State, OutOfService)
		}
		if r.Seq > s.Seq {
			wrong("%s: change %d: want up to %d", at, r.Seq, s.Seq)
		}
		if len(r.Evidence) > MaxEvidence || len(r.Likely) > MaxLikely || len(r.Remarks) > MaxRemarks {
			wrong("%s: more evidence, causes or remarks than are kept", at)
		}
		for k := range r.Evidence {
			if e := &r.Evidence[k]; !e.sane() {
				wrong("%s: evidence %q: not a number", at, e.What.Key())
			}
		}
		if r.IsShelved && r.ShelvedTo <= 0 {
			wrong("%s: shelved without an end", at)
		}
	}
	return errors.Join(errs...)
}
