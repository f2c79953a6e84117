package bank

import (
	"cmp"
	"math"
)

// Beside is what is joined to single batteries of strings, beside the two ends of the bank. The zero
// value is nothing.
type Beside struct {
	// a load on the battery's own posts, past its current sensor, as a resistance; 0: none
	LoadOhm [MaxBatteries]float64
	// most that a balancing output of the charger moves from one battery of a string to the other
	EqualizerA float64
	// the battery at a string's minus that the charger's leads are clamped on alone, counted from 1; 0: the
	// whole bank
	Across int
	FullV  float64 // difference between two batteries from which a balancing output moves all it can; 0: the usual
}

// SetBeside joins such things, or takes them off.
func (b *Bank) SetBeside(s Beside) {
	if s != b.beside {
		b.beside, b.anyBeside = s, s != (Beside{})
		b.unseenA, b.seenA = [MaxBatteries]float64{}, [MaxBatteries]float64{}
	}
}

// equalizerFullV is the difference between two batteries from which a balancing output moves all that
// it can (common practice, no source).
const equalizerFullV = 0.1

const equalizedA = 1e-4 // a balancing current is known to

// settleBeside moves the currents of what is joined to single batteries by one step, to what holds, or
// half of the way there, while the network carries what it did in the last one.
func (b *Bank) settleBeside() {
	if !b.anyBeside {
		return
	}
	on := b.source.On && b.source.Joined
	for k := range b.n {
		if ohm := b.beside.LoadOhm[k]; ohm > 0 { // it can't pull a battery below nothing
			v, _ := b.ownV(k)
			b.unseenA[k] = -max(v, 0) / ohm
		}
	}
	if b.wiring.Layout != SeriesPairs {
		return
	}
	if most := b.beside.EqualizerA; most > 0 {
		for k := range b.m {
			b.equalize(2*k, 2*k+1, most, on)
		}
	}
	if k := b.beside.Across - 1; k >= 0 {
		b.seenA[k] += 0.5 * (b.acrossA(k, on) - b.seenA[k])
	}
}

// ownV returns the voltage of battery k with the network's current, and its slope.
func (b *Bank) ownV(k int) (v, slope float64) {
	rung := k
	if b.wiring.Layout == SeriesPairs {
		rung = k / 2
	}
	return b.terminal(k, b.current[rung])
}

// equalize moves the current of a balancing output between the lower and upper battery of a string: so
// much into the one, and out of the other. It goes with the difference of their voltages, up to the most,
// while the network's current stays. Newton's steps alone would leap over the kink where a full battery's
// current changes its sign, and back, for good: a step that leaves what encloses the solution halves it.
func (b *Bank) equalize(lower, upper int, most float64, on bool) {
	if !on {
		b.seenA[lower], b.seenA[upper] = 0, 0
		return
	}
	perV := most / cmp.Or(b.beside.FullV, equalizerFullV)
	least, at := -most, b.seenA[lower]
	for range maxIterations {
		b.seenA[lower], b.seenA[upper] = at, -at
		below, s0 := b.ownV(lower)
		above, s1 := b.ownV(upper)
		over := at - float64(perV*(above-below)) // grows with at
		if over > 0 {
			most = at
		} else {
			least = at
		}
		to := at - over/(1+float64(perV*(s0+s1)))
		if to < least || to > most {
			to = (least + most) / 2
		}
		if math.Abs(to-at) < equalizedA {
			return
		}
		at = to
	}
}

// acrossA returns the current of a charger clamped on battery k alone (Newton's step).
func (b *Bank) acrossA(k int, on bool) float64 {
	if !on {
		return 0
	}
	s, ohm, is := &b.source, b.wiring.FeedPositive.Ohm+b.wiring.FeedNegative.Ohm, b.seenA[k]
	v, slope := b.ownV(k)
	out := v + float64(ohm*is)
	to := is + (s.SetV-out)/(slope+ohm)
	return max(0, min(to, s.LimitA, s.LimitW/max(out, 1)))
}

// solveBeside solves the network with the charger, if that is clamped on one battery alone, off it.
func (b *Bank) solveBeside(src Source, load Load) {
	b.source = src
	k := b.beside.Across - 1
	if k < 0 || b.wiring.Layout != SeriesPairs {
		b.solve(src, load)
		return
	}
	if !src.On || !src.Joined {
		b.seenA[k] = 0
	}
	apart := src
	apart.Joined = false
	b.solve(apart, load)
	f := &b.Flow
	f.FeedA = b.seenA[k]
	if src.Joined {
		f.FeedV = f.PositiveV[k] + float64(b.wiring.FeedPositive.Ohm*f.FeedA)
	}
}
