package detect

import (
	"time"

	"liftbank/rules/finding"
)

const (
	causeMemory = 7 * day     // a cleared cause still explains: a bank long without feed is not full sooner; our choice
	sameFailure = time.Minute // channels that fail within it may have one cause; our choice
)

// Explain says of each active finding which other one explains it. A cause that another one
// explains passes it on, so that what is found is listed under one root.
func (s *Set) Explain() {
	book, now := s.frame.Book, s.frame.At.Mono
	all := book.Records
	for i := range all {
		if !all[i].Active() {
			continue
		}
		root := s.causeOf(i)
		// Definitions do not go round (a test sees to it) and channels point to earlier ones, so this
		// ends.
		for root >= 0 && all[root].Active() {
			next := s.causeOf(root)
			if next < 0 {
				break
			}
			root = next
		}
		book.Explain(i, root, now)
	}
}

func (s *Set) causeOf(i int) int {
	all, now := s.frame.Book.Records, s.frame.At.Mono
	r := &all[i]
	for _, name := range r.Def.ExplainedBy {
		for c := range all {
			k := &all[c]
			if k.Def.Name != name || c == i || k.State == finding.OutOfService {
				continue
			}
			if r.Def.SameSubjectOnly && k.Subject != "" && k.Subject != r.Subject {
				continue
			}
			lately := k.Times > 0 && k.ClearedAt >= k.RaisedAt && now-k.ClearedAt < causeMemory && k.RaisedAt <= r.RaisedAt
			if k.Active() || lately {
				return c
			}
		}
	}
	for _, w := range s.all {
		if c := w.leader(s.frame, i); c >= 0 {
			return c
		}
	}
	return -1
}
