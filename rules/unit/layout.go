package unit

import "fmt"

// Layout is how the batteries of a bank are joined. Batteries in series make a string: the even one's
// negative post is the string's, and the next battery stands on its positive post.
type Layout uint8

// Layouts.
const (
	Parallel    Layout = iota
	Series             // a below b: 24 V
	SeriesPairs        // a below b and c below d, the two strings in parallel: 24 V
	layouts
)

// String returns the word that the configuration has for it.
func (l Layout) String() string { return [layouts]string{"parallel", "series", "series-pairs"}[l] }

// Layouts returns all of them.
func Layouts() []Layout { return []Layout{Parallel, Series, SeriesPairs} }

// Blocks returns how many batteries are in series from the bank's minus to its plus. What is said of one
// 12 V battery is so many times as much for the bank, its feed and its motor.
func (l Layout) Blocks() int {
	if l == Parallel {
		return 1
	}
	return 2
}

// Volts returns what is said of one 12 V battery for the bank, its feed or its motor.
func (l Layout) Volts(ofBlock float64) float64 { return float64(l.Blocks()) * ofBlock }

// OfString returns what each battery of a string adds to a sum over the bank of what went through it: a
// string's current goes through all of its batteries.
func (l Layout) OfString(x float64) float64 { return x / float64(l.Blocks()) }

// OfBlock returns the part of one battery in a voltage of the bank, its feed or its motor.
func (l Layout) OfBlock(r Reading) Reading {
	r.Value /= float64(l.Blocks())
	return r
}

// Strings returns how many strings n batteries make; in parallel each is one of its own.
func (l Layout) Strings(n int) int { return n / l.Blocks() }

// StringOf returns the string of battery i.
func (l Layout) StringOf(i int) int { return i / l.Blocks() }

// Lowest returns the battery at the minus end of string k, Highest that at its plus end.
func (l Layout) Lowest(k int) int { return k * l.Blocks() }

// Highest returns the battery at the plus end of string k.
func (l Layout) Highest(k int) int { return (k+1)*l.Blocks() - 1 }

// Below returns the battery that battery i stands on; ok is false for one that stands on the bank's minus.
func (l Layout) Below(i int) (below int, ok bool) {
	if i%l.Blocks() == 0 {
		return 0, false
	}
	return i - 1, true
}

// SumOfStrings sums a figure over the strings of n batteries, each with that of its smallest.
func (l Layout) SumOfStrings(n int, of func(i int) float64) (sum float64) {
	for k := range l.Strings(n) {
		least := of(l.Lowest(k))
		for i := l.Lowest(k) + 1; i <= l.Highest(k); i++ {
			least = min(least, of(i))
		}
		sum += least
	}
	return sum
}

// Check refuses a number of batteries that the layout can't have.
func (l Layout) Check(n int) error {
	want := map[Layout]int{Series: 2, SeriesPairs: 4}[l]
	if l >= layouts {
		return fmt.Errorf("layout %d: want one of %v", l, Layouts())
	}
	if want != 0 && n != want {
		return fmt.Errorf("layout %s: %d batteries: want %d", l, n, want)
	}
	return nil
}

// Bring brings what was measured over the board's ground to each of n batteries: the posts of a battery
// that stands on another are counted from the positive post below it, and a string's one current is that of
// all its batteries. Where the post below can't be read, the battery above has no voltage of its own either.
func (l Layout) Bring(s *Scan, n int) {
	if l == Parallel {
		return
	}
	for k := range l.Strings(n) {
		for i := l.Highest(k); i > l.Lowest(k); i-- {
			s.Battery[i].standOn(s.Battery[i-1].VoltageV)
		}
		flow := l.flow(s, k)
		for i := l.Lowest(k); i <= l.Highest(k); i++ {
			s.Battery[i].CurrentA = flow
		}
	}
}

// Stack is the other way round for the voltages of n batteries that come as each one's own, as those of a
// curve do: it counts the posts of a battery that stands on another from the string's minus.
func (l Layout) Stack(s *Scan, n int) {
	for i := range n {
		below, stands := l.Below(i)
		if !stands {
			continue
		}
		post := s.Battery[below].VoltageV
		for _, r := range []*Reading{&s.Battery[i].VoltageV, &s.Battery[i].NegativeV} {
			switch {
			case r.Quality == NotFitted:
			case !post.OK():
				*r = Reading{Quality: post.Quality}
			default:
				r.Value += post.Value
			}
		}
	}
}

// flow returns the current of string k: its best reading.
func (l Layout) flow(s *Scan, k int) (best Reading) {
	for i := l.Lowest(k); i <= l.Highest(k); i++ {
		switch r := s.Battery[i].CurrentA; {
		case r.OK() && !best.OK(), !best.OK() && best.Quality == NotFitted:
			best = r
		}
	}
	return best
}

// standOn counts the posts of a battery from that of another.
func (b *Battery) standOn(post Reading) {
	if !post.OK() && b.NegativeV.OK() {
		post = b.NegativeV // the other end of the same link
	}
	for _, r := range []*Reading{&b.VoltageV, &b.NegativeV} {
		switch {
		case r.Quality == NotFitted:
		case !post.Shown():
			if r.Shown() {
				*r = Reading{Quality: post.Quality}
			}
		case r.Shown():
			r.Value -= post.Value
			if r.OK() && !post.OK() {
				r.Quality = post.Quality
			}
		}
	}
}

// CurrentClass returns the class of the sensors of string k's current, the worst where there is more than one.
func (l Layout) CurrentClass(c *Classes, k int) (worst SensorClass) {
	for i := l.Lowest(k); i <= l.Highest(k); i++ {
		worst = worst.Worse(c.Of(BatteryCurrent, i))
	}
	return worst
}

// BringClasses brings the classes of n batteries' sensors to what Bring makes of their readings: a battery
// that stands on another is known by two taps, of which its own sees twice the voltage.
func (l Layout) BringClasses(c *Classes, n int) {
	for i := n - 1; i >= 0; i-- {
		below, ok := l.Below(i)
		if !ok {
			continue
		}
		own, under := c.Of(BatteryVoltage, i), c.Of(BatteryVoltage, below)
		c[ChannelOf(BatteryVoltage, i)] = SensorClass{
			Step: own.Step + under.Step, Noise: own.Noise + under.Noise, Zero: own.Zero + under.Zero,
			Gain: 2*own.Gain + under.Gain,
		}
	}
	for k := range l.Strings(n) {
		worst := l.CurrentClass(c, k)
		for i := l.Lowest(k); i <= l.Highest(k); i++ {
			c[ChannelOf(BatteryCurrent, i)] = worst
		}
	}
}
