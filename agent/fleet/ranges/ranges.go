// Package ranges holds sets of whole numbers as ranges: which numbers of a stream are there. A set of
// millions without a hole is one range.
package ranges

import (
	"encoding/binary"
	"errors"
	"slices"
	"sort"
)

// Range is the numbers from From to To, both included.
type Range struct{ From, To uint64 }

// Set is a set of whole numbers from 1 to 2^63-1: ranges in order that neither overlap nor touch. The
// zero value is empty. Methods that change a set may change what its copies see.
type Set []Range

// at returns the index of the first range that ends at n or above.
func (s Set) at(n uint64) int { return sort.Search(len(s), func(i int) bool { return s[i].To >= n }) }

// Has reports whether n is in the set.
func (s Set) Has(n uint64) bool {
	i := s.at(n)
	return i < len(s) && s[i].From <= n
}

// Covers reports whether all numbers from from to to are in the set.
func (s Set) Covers(from, to uint64) bool {
	i := s.at(from)
	return i < len(s) && s[i].From <= from && s[i].To >= to
}

// Add adds the numbers from from to to. It returns how many were not in the set.
func (s *Set) Add(from, to uint64) (added uint64) {
	if from == 0 || to < from {
		return 0
	}
	l := *s
	// The common case: the next number.
	if n := len(l); n > 0 && l[n-1].To+1 == from {
		l[n-1].To = to
		return to - from + 1
	}
	i := l.at(from - 1) // one that ends just below is joined
	j := i
	added = to - from + 1
	lo, hi := from, to
	for ; j < len(l) && l[j].From <= to+1; j++ {
		if a, b := max(l[j].From, from), min(l[j].To, to); a <= b {
			added -= b - a + 1
		}
		lo, hi = min(lo, l[j].From), max(hi, l[j].To)
	}
	*s = slices.Replace(l, i, j, Range{lo, hi})
	return added
}

// Remove takes the numbers from from to to out of the set.
func (s *Set) Remove(from, to uint64) {
	if to < from {
		return
	}
	l := *s
	i := l.at(from)
	var keep []Range
	j := i
	for ; j < len(l) && l[j].From <= to; j++ {
		if l[j].From < from {
			keep = append(keep, Range{l[j].From, from - 1})
		}
		if l[j].To > to {
			keep = append(keep, Range{to + 1, l[j].To})
		}
	}
	*s = slices.Replace(l, i, j, keep...)
}

// Max returns the largest number, 0 of an empty set.
func (s Set) Max() uint64 {
	if len(s) == 0 {
		return 0
	}
	return s[len(s)-1].To
}

// Count returns how many numbers are in the set.
func (s Set) Count() (n uint64) {
	for _, r := range s {
		n += r.To - r.From + 1
	}
	return n
}

// Through returns the number up to which all from first on are in the set; first-1 if first is not.
func (s Set) Through(first uint64) uint64 {
	i := s.at(first)
	if i < len(s) && s[i].From <= first {
		return s[i].To
	}
	return first - 1
}

// Missing returns the ranges from from to to that are not in the set, at most most of them.
func (s Set) Missing(from, to uint64, most int) (out []Range) {
	for i := s.at(from); from <= to && len(out) < most; i++ {
		if i == len(s) || s[i].From > to {
			return append(out, Range{from, to})
		}
		if s[i].From > from {
			out = append(out, Range{from, s[i].From - 1})
		}
		from = s[i].To + 1
	}
	return out
}

// AppendBinary appends the set in a short form: for each range the distance from the one before, and
// its length.
func (s Set) AppendBinary(b []byte) ([]byte, error) {
	before := uint64(0)
	for _, r := range s {
		b = binary.AppendUvarint(b, r.From-before)
		b = binary.AppendUvarint(b, r.To-r.From)
		before = r.To
	}
	return b, nil
}

// ErrBroken says that a stored set is not one.
var ErrBroken = errors.New("ranges: broken")

// Parse reads what AppendBinary wrote.
func Parse(b []byte) (s Set, err error) {
	const most = 1<<63 - 1
	before := uint64(0)
	for len(b) > 0 {
		distance, n := binary.Uvarint(b)
		if n <= 0 || distance == 0 || len(s) > 0 && distance < 2 || distance > most-before {
			return nil, ErrBroken
		}
		b = b[n:]
		length, n := binary.Uvarint(b)
		from := before + distance
		if n <= 0 || length > most-from {
			return nil, ErrBroken
		}
		b = b[n:]
		before = from + length
		s = append(s, Range{from, before})
	}
	return s, nil
}
