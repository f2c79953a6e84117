// Package parked learns what is drawn from a parked bank by how its rested voltage falls from day to
// day: without the current sensors, whose zeros are learned from the same rests.
//
// A board of 60 mA takes 1.4 Ah a day, which is 6 mV of a bank of 200 Ah. Means of whole days leave
// out the weather; what a charge left at the plates must be gone first. So a weekend says nothing, a
// week only in the warm, two weeks or more to a third. The self-discharge is in the fall too: a share of the
// capacity a month is taken off, and is most of the doubt on a large bank.
package parked

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// What the fall of the rested voltage says of what is drawn.
const (
	settle    = 5.0            // ratio: of that, without anything on, before a day is averaged; our choice
	whole     = 24 * time.Hour // over which the voltage is averaged: a day's weather; physical
	least     = 3              // count: days averaged, the first and the last of which are compared; our choice
	leastLeft = 0.5            // ratio: of the rating: below it the curve bends, or ice takes part; our choice
	readV     = 0.003          // V: of the mean of a day against that of another; our choice
	slope     = 0.35           // ratio: of what the table has for a volt, as published ones differ; our choice
	selfPct   = 4.0            // %: in a month at 25 °C, lost in the battery itself; published: 1 to 8 in handbooks
	selfSigma = 2.5            // %: of that; published: 1 to 8 in handbooks
	selfHalfC = 10.0           // °C: colder, half as much; published: twice per 10 °C
	monthH    = 730.0          // h: in a month; physical
	knownPart = 0.5            // ratio: of what was learned, in more doubt it is not known; our choice
	leastA    = 0.02           // A: a doubt that is always known well enough; our choice
	fade      = 0.02           // A: change from one time parked to the next; our choice
	maxA      = 20.0           // A: more is no drain but a load; our choice
	maxGap    = time.Hour      // between two scans of one day; our choice
)

// Scan is what is known of one instant.
type Scan struct {
	Now      time.Duration
	QuietFor time.Duration // for how long nothing has been on; 0: something is
	V25      unit.Reading  // mean of the batteries' at 25 °C
	TempC    unit.Reading
	LeftAh   float64 // that the table has for that voltage
	AhPerV   float64 // and for a volt more
	RatedAh  float64
}

// Day is a mean over a day, or part of it.
type Day struct {
	From   time.Duration
	Second float64
	Ah, C  float64 // the charge left and the temperature, once the day is over; times the seconds before
}

// State is what has been learned. It is saved as it is.
type State struct {
	Begun   bool // a day is being averaged
	Now     Day
	Last    time.Duration
	First   Day // of this time parked
	Days    int
	DrawA   float64 // by this time parked
	Var     float64
	KnownA  float64 // by the times before
	KnownOf float64 // its variance; 0: nothing yet
}

// Learner learns of one bank. It belongs to one goroutine.
type Learner struct{ s State }

// DrawA returns what is drawn from the parked bank, the board included; not known while it may be half
// as much or more again.
func (l *Learner) DrawA() unit.Estimate {
	a, v := l.s.together()
	sigma := math.Sqrt(v)
	return unit.Estimate{Value: a, Sigma: sigma, Known: v > 0 && sigma <= max(knownPart*a, leastA)}
}

// SelfDischargeA returns what a bank loses in itself, as a current.
func SelfDischargeA(ratedAh float64, tempC unit.Reading) float64 {
	c := leadacid.ReferenceC
	if tempC.OK() {
		c = tempC.Value
	}
	return selfPct * ratedAh / 100 / monthH * math.Exp2((c-leadacid.ReferenceC)/selfHalfC)
}

// together is what this time parked and those before say.
func (s *State) together() (a, variance float64) {
	switch {
	case s.Days < least || s.Var == 0:
		return s.KnownA, s.KnownOf
	case s.KnownOf == 0:
		return s.DrawA, s.Var
	}
	was := s.KnownOf + sq(fade)
	k := was / (was + s.Var)
	// What table and self-discharge err by is the same each time: no number of them makes it surer than half.
	return s.KnownA + k*(s.DrawA-s.KnownA), max(was*(1-k), min(s.Var, was)/2)
}

// Step applies one scan.
func (l *Learner) Step(in *Scan) {
	s := &l.s
	if in.QuietFor == 0 {
		s.KnownA, s.KnownOf = s.together()
		s.Begun, s.Days, s.Var = false, 0, 0
		return
	}
	if !in.V25.OK() || !in.TempC.OK() || s.Begun && in.Now-s.Last > maxGap ||
		s.Days == 0 && in.QuietFor.Hours() < settle*leadacid.SlowSurfaceDecay.Hours()*leadacid.SurfaceSlowing(in.TempC.Value) {
		s.Begun = false
		return
	}
	if !s.Begun {
		s.Begun, s.Now, s.Last = true, Day{From: in.Now}, in.Now
		return
	}
	dt := (in.Now - s.Last).Seconds()
	s.Last, s.Now.Second = in.Now, s.Now.Second+dt
	s.Now.Ah, s.Now.C = s.Now.Ah+dt*in.LeftAh, s.Now.C+dt*in.TempC.Value
	if in.Now-s.Now.From < whole {
		return
	}
	d := s.Now
	d.Ah, d.C = d.Ah/d.Second, d.C/d.Second
	s.Begun = false
	if s.Days++; s.Days == 1 {
		s.First = d
		return
	}
	s.compare(&d, in)
}

// compare works out what is drawn from the first day and this one.
func (s *State) compare(d *Day, in *Scan) {
	hours := (d.From - s.First.From).Hours()
	_, was := leadacid.TemperatureShiftV(s.First.C)
	_, now := leadacid.TemperatureShiftV(d.C)
	ah := s.First.Ah - d.Ah
	if d.Ah < leastLeft*in.RatedAh {
		return
	}
	self := in.RatedAh / 100 / monthH * math.Exp2(((s.First.C+d.C)/2-leadacid.ReferenceC)/selfHalfC)
	a := min(max(ah/hours-selfPct*self, 0), maxA)
	s.DrawA = a
	s.Var = sq(math.Hypot(readV, now-was)*in.AhPerV/hours) + sq(slope*ah/hours) + sq(selfSigma*self)
}

// State returns what has been learned.
func (l *Learner) State() State { return l.s }

// Restore takes over what had been learned. One that can't be is refused and changes nothing.
func (l *Learner) Restore(s State) error {
	var c unit.Check
	c.In("drawn", s.DrawA, 0, maxA)
	c.In("drawn before", s.KnownA, 0, maxA)
	c.Sum("variance", s.Var, s.KnownOf, s.Now.Second)
	c.Finite("days", s.Now.Ah, s.Now.C, s.First.Ah, s.First.C)
	if s.Days < 0 {
		c.Wrong("%d days", s.Days)
	}
	if err := c.Err(); err != nil {
		return fmt.Errorf("parked: %w", err)
	}
	l.s = s
	return nil
}

func sq(x float64) float64 { return x * x }
