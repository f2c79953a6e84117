package loadtest

import (
	"math"
	"time"
)

// Lag is how much later a scan reads a battery's voltage than its current, learned at the stops.
// There the current breaks off at once: in the scan that the stop falls into, one of the two may be
// from before and the other from after. Each run's figure is rough, between nothing and a scan's
// length; with the stop at a random instant of the scan their mean is the lag.
type Lag struct {
	MeanS float64
	Runs  uint32
}

const (
	lagSpan   = 25 * time.Millisecond // about the stop, that is looked at; our choice
	lagFirstS = 0.002                 // s: deviation before any run, channels one or two conversions apart; our choice
	lagRunS   = 0.002                 // s: deviation of one run's figure; our choice
	maxLagS   = 0.012                 // s: more is no lag; our choice
	lagMemory = 200                   // count: runs in the mean; our choice
	minLagMV  = 100                   // mV: step of the voltage, for the lag to be read; our choice
)

// seconds returns the lag and its standard deviation, shrunk toward none as long as runs are few.
func (l *Lag) seconds() (lagS, sigmaS float64) {
	w := float64(l.Runs) * (lagFirstS * lagFirstS) / (lagRunS * lagRunS)
	return l.MeanS * w / (1 + w), lagFirstS / math.Sqrt(1+w)
}

// learn applies one stop.
func (l *Lag) learn(s *runState) {
	if s.before.n < minStop || s.behind.n < minStop {
		return
	}
	v0, a0 := s.before.get()
	v1, a1 := s.behind.get()
	if a1-a0 < minEdgeA || (v1-v0)*1000 < minLagMV {
		return
	}
	// The area between the two steps, each brought to run from 0 to 1, is the delay of the one
	// against the other.
	area := 0.0
	for i := max(0, s.ringN-len(s.ring)) + 1; i < s.ringN; i++ {
		p, dt := &s.ring[i%len(s.ring)], (s.ring[i%len(s.ring)].at - s.ring[(i-1)%len(s.ring)].at)
		if d := p.at - s.stop; d < -lagSpan || d > lagSpan {
			continue
		}
		if dt > LongestScan {
			return
		}
		area += dt.Seconds() * ((p.a-a0)/(a1-a0) - (p.v-v0)/(v1-v0))
	}
	// The voltage is read later: it shows the stop earlier in the row of scans, so that its step
	// leads.
	if area = -area; math.Abs(area) > maxLagS {
		return
	}
	l.Runs++
	l.MeanS += (area - l.MeanS) / float64(min(l.Runs, lagMemory))
	l.Runs = min(l.Runs, lagMemory)
}
