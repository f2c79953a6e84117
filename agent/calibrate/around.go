package calibrate

import (
	"math"
	"time"
)

// Around is what else is so while a zero is taken.
type Around struct {
	MotorRuns bool
	ChargerOn bool
	Contact   *bool         // the disconnect's: closed; nil: not wired, or not readable
	Parted    bool          // each battery's cable is off: no current can flow at all
	RestFor   time.Duration // since motor and feed were last on
	OwnA      float64       // that the monitor draws
	// Ways is how many there are for the current side by side: batteries in parallel, or strings; 0: as many
	// as current sensors. Sensors of one string see the same current, and no battery of it drains into another.
	Ways int
}

// ways returns for how many ways n sensors stand.
func (a *Around) ways(n int) int {
	if a.Ways > 0 {
		return min(n, a.Ways)
	}
	return n
}

// What may flow through the sensors of a bank at rest, as rules/zero has it: between neighbors, some
// of it for hours after a load or a charge.
const (
	flowA    = 0.30      // A: between neighbors of 100 Ah when a rest begins; our choice
	flowTime = time.Hour // for that to halve, then to a third and so on; our choice
	alike    = 2.0       // ratio: of its class, that each sensor shows the same way; our choice
	against  = 1.5       // ratio: of its class, that two sensors show against each other; our choice
)

// CheckZero returns why no zero can be taken now, nil if it can. shown are the sensors' present readings,
// with the correction they have.
func CheckZero(a Around, shown []Mean, class []Class) *Refusal {
	switch {
	case a.MotorRuns:
		return &Refusal{ID: MotorRuns}
	case a.ChargerOn:
		return &Refusal{ID: ChargerOn}
	case a.Contact != nil && *a.Contact && !a.Parted:
		return &Refusal{ID: ContactShut}
	case a.Parted || len(shown) < 2:
		return nil
	}
	out, in, least := 0.0, 0.0, math.Inf(1)
	positive := 0
	for i, m := range shown {
		part := m.Value / class[i].Zero
		out, in = math.Min(out, part), math.Max(in, part)
		least = math.Min(least, math.Abs(part))
		if m.Value > 0 {
			positive++
		}
	}
	if one := positive == 0 || positive == len(shown); one && least > alike && a.Contact == nil {
		small := math.Inf(1)
		for _, m := range shown {
			small = math.Min(small, math.Abs(m.Value))
		}
		return &Refusal{ID: FlowsAlike, Value: small}
	}
	if both := math.Min(-out, in); both > against && a.ways(len(shown)) > 1 {
		return &Refusal{ID: Circulates, Value: both, Want: against}
	}
	return nil
}

// FlowSigma returns the standard uncertainty of what may flow through the sensor of a battery of this
// size, beside n-1 other sensors, while a zero is taken.
func FlowSigma(a Around, ratedAh float64, n int) float64 {
	if a.Parted || n == 0 {
		return 0
	}
	flow := 0.0
	n = a.ways(n)
	if n > 1 {
		flow = flowA * ratedAh / 100 / (1 + float64(a.RestFor)/float64(flowTime))
	}
	own := a.OwnA / float64(n)
	return math.Sqrt((sq(flow) + sq(own)) / 3)
}
