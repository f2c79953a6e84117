package feed

import (
	"fmt"
	"time"

	"liftbank/rules/unit"
)

const (
	outputSmoothing = 10 * time.Second // averages past noise and the ramp of a converter; our choice
	minBestA        = 8.0              // A: a best of less has not shown what the converter can give; our choice
)

// OutputState is what is remembered of the converter's current. It is saved as it is.
type OutputState struct {
	BestA   float64 // the most that the converter gave, smoothed
	Amps    float64 // into the bank, smoothed while the feed is on
	HasAmps bool
	LastAt  time.Duration
}

// Output follows the current into the bank while the feed is on and the motor is not.
type Output struct {
	OutputState
	RatedA float64 // the most that the converter gives; 0: learned
}

// Step applies one scan and returns the smoothed current (A); ok is false while there is none to
// judge.
func (o *Output) Step(now time.Duration, status Status, bankA unit.Reading, running bool) (amps float64, ok bool) {
	if running {
		return 0, false
	}
	if status != Present || !bankA.OK() {
		o.HasAmps = false
		return 0, false
	}
	if !o.HasAmps {
		o.Amps, o.HasAmps, o.LastAt = bankA.Value, true, now
		return 0, false
	}
	x := float64(now-o.LastAt) / float64(outputSmoothing)
	o.Amps += (bankA.Value - o.Amps) * x / (1 + x)
	o.LastAt = now
	o.BestA = max(o.BestA, o.Amps)
	return o.Amps, true
}

// CanGive returns the most that the converter gives (A): its rating, or the most that it was seen
// to give; known is false while neither says enough.
func (o *Output) CanGive() (amps float64, known bool) {
	if o.RatedA > 0 {
		return o.RatedA, true
	}
	return o.BestA, o.BestA >= minBestA
}

// Check refuses a saved state that can't be.
func (s *OutputState) Check() error {
	var c unit.Check
	c.Sum("best current", s.BestA)
	c.Finite("current", s.Amps)
	if err := c.Err(); err != nil {
		return fmt.Errorf("feed: output: %w", err)
	}
	return nil
}
