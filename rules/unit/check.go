package unit

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// sane is far beyond what a century adds up to, and far from where sums and squares overflow.
const sane = 1e15 // ratio: no figure of a saved state is larger; our choice

// Check gathers what is wrong with a saved state. NaN is wrong everywhere.
type Check struct{ errs []error }

// Wrong notes something that can't be.
func (c *Check) Wrong(format string, args ...any) {
	c.errs = append(c.errs, fmt.Errorf(format, args...))
}

// In wants a figure from low to high.
func (c *Check) In(what string, got, low, high float64) {
	if !(got >= low && got <= high) {
		c.Wrong("%s: %g: want %g to %g", what, got, low, high)
	}
}

// Finite wants numbers.
func (c *Check) Finite(what string, got ...float64) {
	for _, x := range got {
		c.In(what, x, -sane, sane)
	}
}

// Sum wants numbers that are not negative.
func (c *Check) Sum(what string, got ...float64) {
	for _, x := range got {
		c.In(what, x, 0, sane)
	}
}

// Time wants times that are not negative and leave room to add to.
func (c *Check) Time(what string, got ...time.Duration) {
	for _, d := range got {
		if d < 0 || d > math.MaxInt64/2 {
			c.Wrong("%s: %v: want 0 or more", what, d)
		}
	}
}

// Err returns all that is wrong, nil for nothing.
func (c *Check) Err() error { return errors.Join(c.errs...) }
