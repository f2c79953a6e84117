package loadtest

import (
	"math"
	"time"
)

// lag is how much later a scan reads a battery's voltage than its current, learnt at the stops. There the current breaks off at once: in
// the scan that the stop falls into, one of the two may be of before and the other of after. Each run's figure is rough, between
// nothing and a scan's length; with the stop at a random instant of the scan their mean is the lag.
type lag struct {
	meanS float64
	runs  uint32
}

const (
	lagSpan    = 25 * time.Millisecond // about the stop
	lagFirstS  = 0.002                 // standard deviation before any run: channels one or two conversions apart
	lagRunS    = 0.002                 // of one run's figure
	lagMostS   = 0.012                 // more is no lag
	lagMemory  = 200
	lagLeastMV = 100 // least step of the voltage
)

// seconds gives the lag and its standard deviation, shrunk towards none as long as runs are few.
func (l *lag) seconds() (lagS, sigmaS float64) {
	w := float64(l.runs) * (lagFirstS * lagFirstS) / (lagRunS * lagRunS)
	return l.meanS * w / (1 + w), lagFirstS / math.Sqrt(1+w)
}

// learn takes one stop in.
func (l *lag) learn(s *runState) {
	if s.before.n < stopLeast || s.behind.n < stopLeast {
		return
	}
	v0, a0 := s.before.get()
	v1, a1 := s.behind.get()
	if a1-a0 < edgeMinA || (v1-v0)*1000 < lagLeastMV {
		return
	}
	// The area between the two steps, each brought to run from 0 to 1, is the delay of the one against the other.
	area := 0.0
	for i := max(0, s.ringN-len(s.ring)) + 1; i < s.ringN; i++ {
		p, dt := &s.ring[i%len(s.ring)], (s.ring[i%len(s.ring)].at - s.ring[(i-1)%len(s.ring)].at)
		if d := p.at - s.stop; d < -lagSpan || d > lagSpan {
			continue
		}
		if dt > pairGap {
			return
		}
		area += dt.Seconds() * ((p.a-a0)/(a1-a0) - (p.v-v0)/(v1-v0))
	}
	// The voltage is read later: it shows the stop earlier in the row of scans, so that its step leads.
	if area = -area; math.Abs(area) > lagMostS {
		return
	}
	l.runs++
	l.meanS += (area - l.meanS) / float64(min(l.runs, lagMemory))
	l.runs = min(l.runs, lagMemory)
}
