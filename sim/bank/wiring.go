package bank

import (
	"fmt"
	"math"
)

// MaxBatteries is the largest bank.
const MaxBatteries = 4

// OpenOhm is the resistance that stands for a joint that has come off: it leaks microamperes at
// most.
const OpenOhm = 1e7

// Layout says how the batteries are joined.
type Layout uint8

// Layouts.
const (
	Parallel    Layout = iota
	SeriesPairs        // a below b and c below d in series, the pairs in parallel; a wrong wiring on a 12 V unit
)

// Lead is one of the two cables of the feed or of the load.
type Lead struct {
	At  int     // battery it is clamped to, 0 to n-1; with SeriesPairs, the pair of that battery
	Ohm float64 // cable and lugs, 0 or more
}

// Wiring is everything of copper and lead between the batteries and the two pairs of leads.
// Resistances are in ohms, 0 or more. Link k joins battery k with battery k+1; with SeriesPairs,
// links 0 and 2 join the two of a pair and link 1 the pairs.
type Wiring struct {
	Layout       Layout
	Reversed     [MaxBatteries]bool // clamped the wrong way round
	PositiveLink [MaxBatteries - 1]float64
	NegativeLink [MaxBatteries - 1]float64
	PositivePost [MaxBatteries]float64 // joint between the battery's post and what is clamped on it
	NegativePost [MaxBatteries]float64

	FeedPositive, FeedNegative Lead
	LoadPositive, LoadNegative Lead
}

// check says what makes the wiring of n batteries impossible to solve or meaningless.
func (w *Wiring) check(n int) error {
	if n < 1 || n > MaxBatteries {
		return fmt.Errorf("bank: batteries: %d: want 1 to %d", n, MaxBatteries)
	}
	if w.Layout == SeriesPairs && n%2 != 0 {
		return fmt.Errorf("bank: batteries: %d in series pairs: want 2 or 4", n)
	}
	for _, l := range []struct {
		name string
		Lead
	}{
		{"positive feed lead", w.FeedPositive}, {"negative feed lead", w.FeedNegative},
		{"positive load lead", w.LoadPositive}, {"negative load lead", w.LoadNegative},
	} {
		name, lead := l.name, l.Lead
		if lead.At < 0 || lead.At >= n {
			return fmt.Errorf("bank: %s: at battery %d: want 0 to %d", name, lead.At, n-1)
		}
		if !(lead.Ohm >= 0) || math.IsInf(lead.Ohm, 1) {
			return fmt.Errorf("bank: %s: %v Ω: want 0 or more", name, lead.Ohm)
		}
	}
	for k := range w.PositivePost {
		if !(w.PositivePost[k] >= 0) || !(w.NegativePost[k] >= 0) {
			return fmt.Errorf("bank: posts of battery %d: %v and %v Ω: want 0 or more", k, w.PositivePost[k],
				w.NegativePost[k])
		}
	}
	for k := range w.PositiveLink {
		if !(w.PositiveLink[k] >= 0) || !(w.NegativeLink[k] >= 0) {
			return fmt.Errorf("bank: links %d: %v and %v Ω: want 0 or more", k, w.PositiveLink[k], w.NegativeLink[k])
		}
	}
	return nil
}
