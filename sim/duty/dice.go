package duty

import "time"

// dice draws numbers from a seed. It is SplitMix64 (Steele, Lea and Flood, Fast splittable
// pseudorandom number generators, OOPSLA 2014), which needs no more state than one word, so that
// each day can have its own.
type dice struct{ state uint64 }

// newDice returns the dice of one day of one seed.
func newDice(seed, day uint64) dice {
	d := dice{seed}
	d.state = d.next() ^ (day * 0xd1342543de82ef95)
	d.next()
	return d
}

func (d *dice) next() uint64 {
	d.state += 0x9e3779b97f4a7c15
	z := d.state
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// unit draws from 0 (included) to 1 (not included).
func (d *dice) unit() float64 { return float64(float64(d.next()>>11) / (1 << 53)) }

// span draws a time in whole milliseconds.
func (d *dice) span(s Span) time.Duration {
	if s.Max <= s.Min {
		return s.Min.Truncate(time.Millisecond)
	}
	steps := uint64((s.Max - s.Min) / time.Millisecond)
	return s.Min.Truncate(time.Millisecond) + time.Duration(d.next()%(steps+1))*time.Millisecond
}

// count draws a whole number.
func (d *dice) count(c Count) int {
	if c.Max <= c.Min {
		return c.Min
	}
	return c.Min + int(d.next()%uint64(c.Max-c.Min+1))
}
