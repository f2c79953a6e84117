package ranges

import (
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// naive is the same set, one number at a time.
type naive map[uint64]bool

func (n naive) through(first uint64) uint64 {
	for at := first; ; at++ {
		if !n[at] {
			return at - 1
		}
	}
}

func TestAgainstANaiveSet(t *testing.T) {
	const top = 60
	rapid.Check(t, func(t *rapid.T) {
		var s Set
		n := naive{}
		number := rapid.Uint64Range(1, top)
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			from := number.Draw(t, "from")
			to := from + rapid.Uint64Range(0, 5).Draw(t, "more")
			if rapid.IntRange(0, 3).Draw(t, "what") == 0 {
				s.Remove(from, to)
				for i := from; i <= to; i++ {
					delete(n, i)
				}
			} else {
				fresh := uint64(0)
				for i := from; i <= to; i++ {
					if !n[i] {
						fresh++
					}
					n[i] = true
				}
				assert.Equal(t, fresh, s.Add(from, to))
			}
			for i := 1; i < len(s); i++ {
				require.Greater(t, s[i].From, s[i-1].To+1, "%v", s)
			}
		}
		require.Equal(t, uint64(len(n)), s.Count())
		if len(n) > 0 {
			require.Equal(t, slices.Max(slices.Collect(maps.Keys(n))), s.Max())
		}
		for i := uint64(1); i <= top+6; i++ {
			require.Equal(t, n[i], s.Has(i), "%d in %v", i, s)
			require.Equal(t, n.through(i), s.Through(i))
		}
		from, to := number.Draw(t, "a"), number.Draw(t, "b")
		want := Set{}
		for i := from; i <= to; i++ {
			if !n[i] {
				want.Add(i, i)
			}
		}
		missing := s.Missing(from, to, top)
		require.Equal(t, want, append(Set{}, missing...))
		require.Equal(t, from <= to && len(want) == 0, from <= to && s.Covers(from, to))
		most := rapid.IntRange(0, 3).Draw(t, "most")
		require.Equal(t, append(Set{}, missing[:min(most, len(missing))]...), append(Set{}, s.Missing(from, to, most)...))

		b, err := s.AppendBinary(nil)
		require.NoError(t, err)
		back, err := Parse(b)
		require.NoError(t, err)
		require.Equal(t, append(Set{}, s...), append(Set{}, back...))
	})
}

func TestEdges(t *testing.T) {
	var s Set
	assert.Zero(t, s.Add(0, 5), "numbers begin at 1")
	assert.Zero(t, s.Add(5, 4))
	assert.Equal(t, uint64(4), s.Through(5))
	const top = 1 << 53
	assert.Equal(t, uint64(top), s.Add(1, top))
	s.Remove(2, top-1)
	assert.Equal(t, Set{{1, 1}, {top, top}}, s)
	assert.Equal(t, []Range{{2, top - 1}}, s.Missing(1, top, 9))
}

func FuzzParse(f *testing.F) {
	f.Add([]byte{1, 4, 2, 0})
	f.Add([]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 1, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := Parse(b)
		if err != nil {
			return
		}
		var again Set
		for _, r := range s {
			if r.From == 0 || r.To < r.From {
				t.Fatalf("%v", s)
			}
			again.Add(r.From, r.To)
		}
		if !slices.Equal(s, again) {
			t.Fatalf("%v is no set: %v", s, again)
		}
	})
}
