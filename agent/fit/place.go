package fit

import "slices"

// places finds which of as many places each of n channels is on, from what contradicts. A channel may
// be on none: its wire is broken, or it is on something else.
type places struct {
	n   int
	not [][]bool // by channel and place
}

func newPlaces(n int) *places {
	p := &places{n: n}
	for range n {
		p.not = append(p.not, make([]bool, n))
	}
	return p
}

// possible returns for each channel the places that it may be on, -1 for none of them, so that as many
// channels as possible have one.
func (p *places) possible() [][]int {
	most := p.matched(-1, -1)
	out := make([][]int, p.n)
	for ch := range p.n {
		for at := range p.n {
			if !p.not[ch][at] && p.matched(ch, at) == most {
				out[ch] = append(out[ch], at)
			}
		}
		if p.matched(ch, -1) == most {
			out[ch] = append(out[ch], -1)
		}
	}
	return out
}

// matched returns how many channels can have a place of their own at the most, with channel ch at a
// place, or on none of them for -1; ch -1 leaves all free. (Augmenting paths, after Kuhn.)
func (p *places) matched(ch, at int) int {
	of := slices.Repeat([]int{-1}, p.n) // by place
	count := 0
	if ch >= 0 && at >= 0 {
		of[at], count = ch, 1
	}
	for c := range p.n {
		if c == ch {
			continue
		}
		seen := make([]bool, p.n)
		if ch >= 0 && at >= 0 {
			seen[at] = true
		}
		if p.augment(c, of, seen) {
			count++
		}
	}
	return count
}

func (p *places) augment(c int, of []int, seen []bool) bool {
	for at := range p.n {
		if p.not[c][at] || seen[at] {
			continue
		}
		seen[at] = true
		if of[at] < 0 || p.augment(of[at], of, seen) {
			of[at] = c
			return true
		}
	}
	return false
}

// settle decides where each channel is: its own place where nothing speaks against it, another where that
// is the only one possible, -1 where it can't be told. sure says that no other place was possible.
// Channels that only move among themselves may move; one that would move to a place whose own channel
// stays is not settled.
func settle(possible [][]int) (at []int, sure []bool) {
	n := len(possible)
	at, sure = slices.Repeat([]int{-1}, n), make([]bool, n)
	for ch, of := range possible {
		switch {
		case slices.Contains(of, ch):
			at[ch], sure[ch] = ch, len(of) == 1
		case len(of) == 1 && of[0] >= 0:
			at[ch], sure[ch] = of[0], true
		}
	}
	for again := true; again; {
		again = false
		for ch, to := range at {
			if to >= 0 && to != ch && (at[to] < 0 || at[to] == to) {
				at[ch], sure[ch], again = -1, false, true
			}
		}
	}
	return at, sure
}
