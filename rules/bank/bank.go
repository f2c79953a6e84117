// Package bank counts what belongs to the bank as a whole: energy, each battery's share of
// discharge and charge, when each was last full, and for how long nothing has been on.
package bank

import (
	"fmt"
	"time"

	"liftbank/rules/unit"
)

const (
	shareMemoryAh = 100.0            // Ah: throughput per battery after which the past counts half; our choice
	minShareAh    = 2.0              // Ah: that must have moved before shares are given; our choice
	SharePct      = 0.7              // %: standard uncertainty of a half share, two gains of 1 %; physical
	maxHeld       = 20 * time.Minute // between scans over which a power is taken to have lasted; our choice
)

// What counts as full where no end of a charge was seen: what a full charge may leave open. It has
// to be known to fullSigma: short drives in the cold leave a charge that is calculated anywhere
// from 92 to 100 %. Known to possiblySigma only, it is no full charge, but it would be wrong to say
// that there was none; nor within its uncertainty of it, where that is nearSigma or less, as before
// taps that read too little are seen through. Of a battery of a string, which is known by two taps and in the
// end of a charge by what the other lets through, possiblySigma or less; and beside one that is full, mateSigma or
// less, and within twice that: what it is behind is another question.
const (
	FullPct       = 97.0 // %: charge that counts as full; our choice
	fullSigma     = 3.0  // %: uncertainty up to which it does; our choice
	possiblySigma = 4.0  // %: uncertainty up to which it may be; our choice
	nearSigma     = 2.0  // %: uncertainty up to which a charge within it of full may be; our choice
	mateSigma     = 12.0 // %: uncertainty up to which one beside a full battery may be, after two taps of 1 %; our choice
	mateSigmas    = 2.0  // ratio: of that; our choice
)

// Memory is what is counted. It is saved as it is.
type Memory struct {
	ChargedWh, DrawnWh float64
	LastW              float64
	LastWKnown         bool
	ShareDrawnAh       [unit.MaxBatteries]float64 // fading sums
	ShareChargedAh     [unit.MaxBatteries]float64
	IsQuiet            bool // nothing is on: no motor, no feed, and none asked for
	QuietSince         time.Duration
	FullAt             [unit.MaxBatteries]time.Duration // when the calculated charge was last full
	FullKnown          [unit.MaxBatteries]bool
	PossiblyFullAt     [unit.MaxBatteries]time.Duration // when it was full by a charge known too little to be sure
	PossiblyFull       [unit.MaxBatteries]bool
}

// Counter counts for one bank. It belongs to one goroutine.
type Counter struct{ Memory }

// Energy adds what flowed since the last scan, dt ago; held says that it flowed as it was then
// until now.
func (c *Counter) Energy(v, a unit.Reading, dt time.Duration, held bool) {
	w, ok := v.Value*a.Value, v.OK() && a.OK()
	if c.LastWKnown && dt <= maxHeld && (ok || held) {
		mean := c.LastW
		if !held {
			mean = (w + c.LastW) / 2
		}
		if wh := mean * dt.Hours(); wh >= 0 {
			c.ChargedWh += wh
		} else {
			c.DrawnWh -= wh
		}
	}
	c.LastW, c.LastWKnown = w, ok
}

// Share adds what battery i gave and took since the last scan, Ah.
func (c *Counter) Share(i int, drawnAh, chargedAh float64) {
	c.ShareDrawnAh[i] += drawnAh
	c.ShareChargedAh[i] += chargedAh
}

// Shares returns the share of each of n batteries in a fading sum, %; ok is false before enough
// moved.
func Shares(ah *[unit.MaxBatteries]float64, n int) (pct [unit.MaxBatteries]float64, ok bool) {
	var sum float64
	for _, x := range ah[:n] {
		sum += x
	}
	if sum < minShareAh {
		return pct, false
	}
	for i := range n {
		pct[i] = 100 * ah[i] / sum
	}
	if sum > shareMemoryAh*float64(n) {
		for i := range n {
			ah[i] /= 2
		}
	}
	return pct, true
}

// Quiet takes whether nothing is on in this scan.
func (c *Counter) Quiet(is bool, now time.Duration) {
	if is && !c.IsQuiet {
		c.QuietSince = now
	}
	c.IsQuiet = is
}

// QuietFor returns for how long nothing has been on; zero while something is.
func (c *Counter) QuietFor(now time.Duration) time.Duration {
	if !c.IsQuiet {
		return 0
	}
	return now - c.QuietSince
}

// Mates is what is known of the other batteries of one's string.
type Mates struct{ Any, Full bool }

// Full notes whether battery i is full, or may be, by its calculated charge; tail says that a held
// charge brings in so little that it may be: in hard frost that says more than the charge.
func (c *Counter) Full(i int, charge unit.Estimate, tail bool, mates Mates, now time.Duration) {
	over := charge.Known && charge.Value >= FullPct
	if IsFull(charge) {
		c.FullAt[i], c.FullKnown[i] = now, true
	}
	near := func(sigma, sigmas float64) bool {
		return charge.Known && charge.Sigma <= sigma && charge.Value+sigmas*charge.Sigma >= FullPct
	}
	if over && charge.Sigma <= possiblySigma || near(nearSigma, 1) || mates.Any && near(possiblySigma, 1) ||
		mates.Full && near(mateSigma, mateSigmas) || tail {
		c.PossiblyFullAt[i], c.PossiblyFull[i] = now, true
	}
}

// IsFull reports whether a calculated charge counts as full.
func IsFull(charge unit.Estimate) bool {
	return charge.Known && charge.Value >= FullPct && charge.Sigma <= fullSigma
}

// LastFull returns when battery i was last full, by a charge seen to its end (at, ever) or by its
// calculated charge.
func (c *Counter) LastFull(i int, at time.Duration, ever bool) (time.Duration, bool) {
	if c.FullKnown[i] && (!ever || c.FullAt[i] > at) {
		return c.FullAt[i], true
	}
	return at, ever
}

// Replaced forgets what hangs on battery i, and the shares of all, which hang on each other.
func (c *Counter) Replaced(i int) {
	c.ShareDrawnAh, c.ShareChargedAh = [unit.MaxBatteries]float64{}, [unit.MaxBatteries]float64{}
	c.FullKnown[i], c.PossiblyFull[i] = false, false
}

// Check refuses a saved memory that can't be.
func (m *Memory) Check() error {
	var c unit.Check
	c.Sum("energy", m.ChargedWh, m.DrawnWh)
	c.Sum("charge", m.ShareDrawnAh[:]...)
	c.Sum("charge", m.ShareChargedAh[:]...)
	c.Finite("power", m.LastW)
	if err := c.Err(); err != nil {
		return fmt.Errorf("bank: %w", err)
	}
	return nil
}
