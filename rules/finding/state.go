package finding

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// BookState is a book's memory, to be saved. Instants are on the engine's timeline.
type BookState struct {
	Seq     uint64
	Raises  []time.Duration // newest first
	Flood   bool
	Records []RecordState // those that have ever been raised, put aside or written to
}

// RecordState is the memory of one finding.
type RecordState struct {
	Name, Subject                            string
	State                                    State
	Since                                    time.Duration
	Seq                                      uint64
	Times                                    uint32
	RaisedAt, OverAt                         time.Duration
	CausedBy, CausedBySubject                string // empty: none
	AckBy                                    string
	AckAt                                    time.Duration
	ShelvedBy                                string
	ShelvedTo                                time.Duration
	OutBy                                    string
	Remarks                                  []Remark
	Evidence                                 []Evidence
	Likely                                   []Likely
	Pending                                  time.Duration
	Waiting, Holds, Owed, Shelved, Out, Chat bool
	Raises                                   []time.Duration
	HeldAt                                   time.Duration
}

// State gives what is to be saved.
func (b *Book) State() BookState {
	s := BookState{Seq: b.seq, Raises: slices.Clone(b.raises[:b.counted]), Flood: b.flood}
	for i := range b.Records {
		r := &b.Records[i]
		if r.Seq == 0 && !r.waiting && !r.out {
			continue
		}
		x := RecordState{
			Name: r.Def.Name, Subject: r.Subject, State: r.State, Since: r.Since, Seq: r.Seq, Times: r.Times, RaisedAt: r.RaisedAt, OverAt: r.OverAt,
			AckBy: r.AckBy, AckAt: r.AckAt, ShelvedBy: r.ShelvedBy, ShelvedTo: r.ShelvedTo, OutBy: r.OutBy,
			Remarks: slices.Clone(r.Remarks), Evidence: slices.Clone(r.Evidence()), Likely: slices.Clone(r.Likely()),
			Pending: r.pending, Waiting: r.waiting, Holds: r.holds, Owed: r.owed, Shelved: r.shelved, Out: r.out, Chat: r.chatter,
			Raises: slices.Clone(r.raises[:]), HeldAt: r.heldAt,
		}
		if !r.waiting {
			x.Pending = 0
		}
		if !r.holds {
			x.HeldAt = 0 // of a condition that never held long enough nothing is kept
		}
		if c := r.CausedBy; c >= 0 {
			x.CausedBy, x.CausedBySubject = b.Records[c].Def.Name, b.Records[c].Subject
		}
		s.Records = append(s.Records, x)
	}
	return s
}

// Restore takes over what was saved. A finding that this unit no longer has (another bank, another board) is left out. On an error
// the book is unchanged.
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
		out := r.out // as the configuration has it now
		fresh := NewRecord(r.Def, r.Subject, r.hold, r.release)
		*r = fresh
		r.State, r.Since, r.Seq, r.Times, r.RaisedAt, r.OverAt = x.State, x.Since, x.Seq, x.Times, x.RaisedAt, x.OverAt
		r.AckBy, r.AckAt, r.ShelvedBy, r.ShelvedTo, r.OutBy = x.AckBy, x.AckAt, x.ShelvedBy, x.ShelvedTo, x.OutBy
		r.Remarks = slices.Clone(x.Remarks)
		r.Show(x.Evidence...)
		r.Suspect(x.Likely...)
		r.pending, r.waiting, r.holds, r.owed = x.Pending, x.Waiting, x.Holds, x.Owed
		r.shelved, r.out, r.chatter = x.Shelved, x.Out || out, x.Chat
		r.heldAt = x.HeldAt
		copy(r.raises[:], x.Raises)
		r.settle(r.Since)
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
		at := named(r.Name, r.Subject)
		if r.State > OutOfService {
			wrong("%s: state %d: want 0 to %d", at, r.State, OutOfService)
		}
		if r.Seq > s.Seq {
			wrong("%s: change %d: want up to %d", at, r.Seq, s.Seq)
		}
		if len(r.Evidence) > MaxEvidence || len(r.Likely) > MaxLikely || len(r.Remarks) > MaxRemarks || len(r.Raises) > chatterRaises {
			wrong("%s: more evidence, causes, remarks or raises than are kept", at)
		}
		for _, e := range r.Evidence {
			if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
				wrong("%s: evidence %q: not a number", at, e.What)
			}
		}
		if r.Shelved && r.ShelvedTo <= 0 {
			wrong("%s: shelved without an end", at)
		}
	}
	return errors.Join(errs...)
}
