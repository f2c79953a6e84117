package zero

import (
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

const (
	dayTime    = 24 * time.Hour // over which the fall of the voltage is read again and again; our choice
	slopeShare = 0.2            // ratio: of a charge that a fall of the table means; our choice
)

// Days is a rest of days. What a surface charge leaves to fall becomes less from day to day, what a
// drain makes fall does not.
type Days struct {
	Begun    bool
	Read     bool // a day is over
	At       time.Duration
	V        float64
	SurfaceV float64 // most of the last day's fall that can have been a surface charge's
}

// watchDays reads the drain from the fall of the rested voltage from day to day. What all taps read
// too much is in none of it.
func (l *Learner) watchDays(in *Scan, v float64) {
	d := &l.s.Days
	if in.RestFor < fallAfter {
		return
	}
	if !d.Begun || v > d.V+fallV { // something charged
		*d = Days{Begun: true, At: in.Now, V: v}
		return
	}
	span := in.Now - d.At
	if span < dayTime {
		return
	}
	fall := max(d.V-v, 0)
	surface := fall
	if d.Read {
		surface = min(fall, d.SurfaceV/(1+float64(span)/float64(leadacid.SurfaceDecay(coldest(in.TempC)))))
	}
	*d = Days{Begun: true, Read: true, At: in.Now, V: v, SurfaceV: surface}
	ahPerVh := in.AhPerV / span.Hours()
	l.takeDrain((fall-surface/2)*ahPerVh, (sq(surface/2)+sq(slopeShare*fall)+sq(fallV))*sq(ahPerVh))
}

// coldest returns the lowest of the temperatures that are known, else that of the rated figures.
func coldest(temps []unit.Reading) float64 {
	low, any := leadacid.ReferenceC, false
	for _, t := range temps {
		if t.OK() && (!any || t.Value < low) {
			low, any = t.Value, true
		}
	}
	return low
}

// takeDrain takes in a drain of amps with variance r.
func (l *Learner) takeDrain(amps, r float64) {
	l.doubtDrain(amps, r)
	l.apply(&[states]float64{iDrain: 1}, amps-l.s.X[iDrain], r)
	l.limitStates()
}

// doubtDrain makes room for a drain of amps with variance r where another was believed: what that took
// belongs to the zeros.
func (l *Learner) doubtDrain(amps, r float64) {
	y := amps - l.s.X[iDrain]
	if sq(y/outlier) <= l.s.P[iDrain][iDrain]+r {
		return
	}
	l.widen(iDrain, sq(y))
	for i := range l.n {
		l.widen(iZero+i, sq(y*l.share[i]))
	}
}
