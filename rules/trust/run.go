package trust

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

// A channel is unresponsive when it moved less than stillV or stillA in a run in which it must have
// moved, for unresponsiveRuns runs in a row. A current of seenA drops more than 60 mV over the
// least resistance that a 12 V block has (2.5 mΩ, general literature, from memory); a dip of seenV
// takes tens of amperes. A dead cell leaves a battery little more to give for a run or two; noise
// of 0.1 A leaves none; nor is a current dead that the feed has moved since. A battery behind an open link does not dip: it must carry ownA itself.
const (
	unresponsiveRuns = 3             // count: runs in a row; our choice
	stillV           = 0.015         // V: a channel that moved less did not react; our choice
	stillA           = 0.5           // A: a channel that moved less did not react; our choice
	seenA            = 25.0          // A: a step that other channels must show; our choice
	ownA             = 12.5          // A: a step of the battery's own current that its voltage must show; our choice
	livelyA          = 5.0           // A: by which a current moves that lives, outside runs: the feed's; our choice
	seenV            = 0.20          // V: a dip that a current must be behind; our choice
	livelyFor        = 3 * time.Hour // after that, in which it is believed: a drive and a stop; our choice
	minShareAs       = 50.0          // As: drawn by a run before its shares are kept; our choice
)

// RunSteps compares what each channel showed of the start of the run just ended.
func (c *Channels) RunSteps(r *Run) {
	dipElsewhere, flowElsewhere := 0, 0
	for i := range c.n {
		if r.Have[i] && r.StepV[i] < -seenV {
			dipElsewhere++
		}
		if r.Have[i] && r.StepA[i] < -seenA {
			flowElsewhere++
		}
	}
	c.stillInRun = [unit.MaxBatteries]bool{}
	for i := range c.n {
		if !r.Have[i] {
			continue
		}
		stillVolts := math.Abs(r.StepV[i]) < stillV && flowElsewhere > 0 && r.StepA[i] < -ownA
		still := math.Abs(r.StepA[i]) < stillA && r.StepV[i] < -seenV && flowElsewhere+dipElsewhere > 0
		c.stillInRun[i] = still
		stillAmps := still && r.ByCommand && !(c.Lively[i].Moved && c.now-c.Lively[i].At <= livelyFor)
		c.UnresponsiveV[i] = tallyTo(c.UnresponsiveV[i], stillVolts, unresponsiveRuns)
		c.UnresponsiveA[i] = tallyTo(c.UnresponsiveA[i], stillAmps, unresponsiveRuns)
	}
	c.joinStrings()
	c.checkScale(r)
}

// joinStrings brings what a run showed of a string's current, by any of its batteries, to all of them: one
// sensor is behind it.
func (c *Channels) joinStrings() {
	for i := range c.n {
		below, ok := c.layout.Below(i)
		if !ok {
			continue
		}
		still := max(c.UnresponsiveA[i], c.UnresponsiveA[below])
		c.UnresponsiveA[i], c.UnresponsiveA[below] = still, still
		either := c.stillInRun[i] || c.stillInRun[below]
		c.stillInRun[i], c.stillInRun[below] = either, either
	}
}

// StillInRun reports whether the current of battery i did not move in the last run while its voltage
// dipped. If no dead cell explains it, nobody knows what the bank gave in that run.
func (c *Channels) StillInRun(i int) bool { return c.stillInRun[i] }

// Lively is when a current was last seen to move outside runs.
type Lively struct {
	Have  bool
	FromA float64 // from which it is compared
	Moved bool
	At    time.Duration
}

// watchLively follows what the currents show between runs.
func (c *Channels) watchLively(in *unit.Scan) {
	for i := range c.n {
		a, l := in.Battery[i].CurrentA, &c.Lively[i]
		switch {
		case !a.OK() || !sane(a):
		case !l.Have:
			l.Have, l.FromA = true, a.Value
		case math.Abs(a.Value-l.FromA) >= livelyA:
			l.FromA, l.Moved, l.At = a.Value, true, c.now
		}
	}
}

// RunOil applies whether there was oil pressure in a run that drew current.
func (c *Channels) RunOil(seen bool) { c.NoOil = tallyTo(c.NoOil, !seen, lowMotorRuns) }

// RunMotor applies whether the motor's terminal showed voltage in a run that drew current.
func (c *Channels) RunMotor(lit bool) { c.LowMotor = tallyTo(c.LowMotor, !lit, lowMotorRuns) }

// RunShares keeps what part of a run's current each battery gave, from its ampere seconds: one
// behind an open link, or a current that stays still, gave none.
func (c *Channels) RunShares(as *[unit.MaxBatteries]float64) {
	sum := 0.0
	for _, x := range as {
		sum += x
	}
	if sum < minShareAs {
		return
	}
	c.HasShares, c.SharesAt = true, c.now
	for i := range as {
		c.Shares[i] = c.layout.Volts(as[i]) / sum
	}
}

func tallyTo(count uint8, up bool, limit uint8) uint8 {
	if !up {
		return 0
	}
	return min(count+1, limit)
}
