// Package tap learns how the voltage taps of a parallel bank differ, from its rests: with hardly any
// current, all batteries have one voltage, and what the taps show apart from their mean is theirs.
// What they all err by together stays.
package tap

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

const (
	restAfter   = time.Hour        // without motor and feed, before taps are compared; our choice
	window      = 30 * time.Minute // over which they are averaged; our choice
	maxWindows  = 48               // count: averages that are remembered, a day of rest; our choice
	restA       = 1.5              // A: more than this drops a millivolt or two over links; our choice
	baseWindows = 6.0              // count: averages after a calibration, from which on movement is watched; our choice
	movedAtV    = 12.6             // V: of a battery at rest, for what a tap has moved; our choice
	classes     = 2.0              // ratio: of its class, more is a fault and is not evened out; our choice
)

// Scan is what is known of one instant.
type Scan struct {
	Now      time.Duration
	RestFor  time.Duration // without motor and feed asked for; 0: not at rest
	Joined   bool          // every battery carried its part of the last run
	OwnV     [unit.MaxBatteries]unit.Reading
	CurrentA [unit.MaxBatteries]unit.Reading
	FeedV    unit.Reading // shows the bank while the converter is off
}

// State is what has been learned. It is saved as it is.
type State struct {
	Ratio   [unit.MaxBatteries]float64 // of each tap to their mean, less 1
	Windows float64                    // behind that
	From    time.Duration              // of the window
	Last    time.Duration
	Second  float64
	Sum     [unit.MaxBatteries]float64 // of the window's ratios, by time
	// Since the last calibration of a tap: which have one, and the ratios once they were compared after it.
	Calibrated [unit.MaxBatteries]bool
	Base       [unit.MaxBatteries]float64
	Based      bool
}

// Learner learns the taps of one unit. It belongs to one goroutine.
type Learner struct {
	class []unit.SensorClass
	s     State
}

// New returns a learner for the taps of so many batteries as have a class.
func New(class []unit.SensorClass) *Learner { return &Learner{class: class} }

// Evened returns a reading of battery i's tap without what it differs from the mean of all.
func (l *Learner) Evened(i int, v unit.Reading) unit.Reading {
	v.Value /= 1 + l.s.Ratio[i]
	return v
}

// Known reports whether the taps have been compared.
func (l *Learner) Known() bool { return l.s.Windows > 0 }

// Step applies one scan.
func (l *Learner) Step(in *Scan) {
	s := &l.s
	mean, ok := l.mean(in)
	if in.RestFor < restAfter || !in.Joined || !ok {
		s.endWindow()
		return
	}
	if s.Second == 0 {
		s.From, s.Last, s.Second = in.Now, in.Now, 1e-9
		return
	}
	dt := (in.Now - s.Last).Seconds()
	s.Last, s.Second = in.Now, s.Second+dt
	for i := range l.class {
		s.Sum[i] += dt * (in.OwnV[i].Value/mean - 1)
	}
	if in.Now-s.From < window {
		return
	}
	s.Windows = min(s.Windows+1, maxWindows)
	for i := range l.class {
		s.Ratio[i] += (s.Sum[i]/s.Second - s.Ratio[i]) / s.Windows
	}
	if !s.Based && s.Windows >= baseWindows && s.Calibrated != [unit.MaxBatteries]bool{} {
		s.Base, s.Based = s.Ratio, true
	}
	s.endWindow()
}

// Recalibrated says that the tap of battery i is corrected otherwise from now on. The comparison starts
// afresh, for what one tap is off by is in the mean of all. With measured, it was compared with a meter:
// how far it moves from then on is watched.
func (l *Learner) Recalibrated(i int, measured bool) {
	was := l.s.Calibrated
	l.s = State{Calibrated: was}
	if measured {
		l.s.Calibrated[i] = true
	}
}

// Moved returns by how much the tap of battery i has moved against the mean of all since its
// calibration, at a voltage; not known before it was compared after that.
func (l *Learner) Moved(i int, v float64) (moved float64, known bool) {
	s := &l.s
	if !s.Based || !s.Calibrated[i] {
		return 0, false
	}
	return (s.Ratio[i] - s.Base[i]) * v, true
}

// Drifted reports whether that is more than its class allows.
func (l *Learner) Drifted(i int) bool {
	moved, known := l.Moved(i, movedAtV)
	return known && math.Abs(moved) > l.class[i].ReadLow(movedAtV)
}

func (s *State) endWindow() { s.Second, s.Sum = 0, [unit.MaxBatteries]float64{} }

// mean returns the mean of the taps of a bank in which hardly any current flows; the feed's is one
// of them where it shows the bank. With a tap that is off by more than its class there is none.
func (l *Learner) mean(in *Scan) (mean float64, ok bool) {
	n := 0.0
	for i := range l.class {
		if v, a := in.OwnV[i], in.CurrentA[i]; !v.OK() || !a.OK() || math.Abs(a.Value) > restA {
			return 0, false
		}
		mean, n = mean+in.OwnV[i].Value, n+1
	}
	mean /= n
	if f := in.FeedV; f.OK() && math.Abs(f.Value-mean) <= l.most(0, mean) {
		mean, n = (mean*n+f.Value)/(n+1), n+1
	}
	for i := range l.class {
		if math.Abs(in.OwnV[i].Value-mean) > l.most(i, mean) {
			return 0, false
		}
	}
	return mean, n > 1
}

func (l *Learner) most(i int, v float64) float64 { return classes * l.class[i].ReadLow(v) }

// State returns what has been learned.
func (l *Learner) State() State { return l.s }

// Restore takes over what had been learned. One that can't be is refused and changes nothing.
func (l *Learner) Restore(s State) error {
	for i, r := range s.Ratio {
		if !(math.Abs(r) <= 1.0/2) || !(math.Abs(s.Base[i]) <= 1.0/2) || !(math.Abs(s.Sum[i]) <= s.Second) {
			return fmt.Errorf("taps: ratio %d: %g, sum %g: want half at most", i, r, s.Sum[i])
		}
	}
	if !(s.Windows >= 0 && s.Windows <= maxWindows) || !(s.Second >= 0 && s.Second < 2*window.Seconds()+1e6) {
		return fmt.Errorf("taps: %g windows and %g s: want %d at most", s.Windows, s.Second, maxWindows)
	}
	l.s = s
	return nil
}
