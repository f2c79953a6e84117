package unit

import (
	"fmt"
	"time"
)

// awayKept is how many spans an Away tells apart.
const awayKept = 16 // count: spans; our choice

// Away is when nobody watched the unit: the agent was off, for as long as the wall clock tells. That
// clock may have been wrong, so what is counted by watching leaves these spans out. It is saved as
// it is; the zero value knows of none.
type Away struct {
	N    int
	End  [awayKept]time.Duration // of each span, oldest first,
	Span [awayKept]time.Duration // and its length
}

// Add adds a span that ends now. Where there are too many, the two oldest become one.
func (a *Away) Add(now, span time.Duration) {
	if a.N == awayKept {
		a.Span[1] += a.Span[0]
		copy(a.End[:], a.End[1:])
		copy(a.Span[:], a.Span[1:])
		a.N--
	}
	a.End[a.N], a.Span[a.N] = now, span
	a.N++
}

// Since returns how much of the time since an instant nobody watched. The instant is one of a scan.
func (a *Away) Since(at time.Duration) (sum time.Duration) {
	for i := range a.N {
		if a.End[i] > at {
			sum += a.Span[i]
		}
	}
	return sum
}

// Check returns an error if the memory can't be one.
func (a *Away) Check() error {
	if a.N < 0 || a.N > awayKept {
		return fmt.Errorf("spans unwatched: %d: want 0 to %d", a.N, awayKept)
	}
	for i := range a.N {
		if a.Span[i] < 0 || i > 0 && a.End[i] < a.End[i-1] {
			return fmt.Errorf("span unwatched: %v to %v: want 0 or more, in order", a.Span[i], a.End[i])
		}
	}
	return nil
}
