package tap

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

// Strings follows by how much the upper battery of each string shows more than the lower: at rest, held at the
// end of a charge, and under the motor's current; and how much of that is the taps'.
//
// The lower battery is measured by one tap, the upper by two of which its own sees the voltage of both: two
// dividers of 1 % can make 0.25 V and more. What they make shows when both batteries are full and rest, for then they
// differ by no more than makers' full batteries do. That is learned once, from the first such rests, and kept: what the
// batteries differ by later is theirs, however slowly it grows. Only another calibration of a tap begins it anew.
// That is what is shown. Whether one was behind from the first it can't say: package blocks, which may not take full
// batteries for equal, solves for the taps by itself.
type Strings struct {
	layout unit.Layout
	sigmaV [maxStrings]float64 // of what the taps of a string make, by their class, at refV
	noise  [maxStrings]float64
	StringsState
}

const maxStrings = unit.MaxBatteries / 2 // count: strings of two; physical

// What is expected of the taps and of two full batteries.
const (
	fullApartV  = 0.05            // V: that two full batteries of a string rest apart; published: full flooded ones rest at 12.65 to 12.75 V
	meterV      = 0.03            // V: that two taps calibrated with one meter leave, by its last digit; our choice
	refV        = 12.6            // V: of a battery, at which taps are told; our choice
	fullAfter   = 3 * time.Hour   // of rest after a full charge, before the taps are learned; our choice
	baseLearned = 6               // count: averages after which they are, three hours; our choice
	heldMean    = 5 * time.Minute // over which a held voltage is averaged; our choice
	runFrom     = time.Second     // of a run: inrush and the first oil are over; our choice
	runMean     = 2 * time.Second // over which a run is averaged; our choice
	stepV       = 0.01            // V: that two readings of a string may differ by, one after the other; our choice
	limitSigma  = 0.57735         // ratio: deviation of what lies anywhere within a limit, over it; physical
	leastV      = 3.0             // V: of a battery, less is no reading; our choice
	mostDiffV   = 40.0            // V: between two batteries of 24 V; our choice
)

// StringsScan is what is known of one instant.
type StringsScan struct {
	Now     time.Duration
	RestFor time.Duration // without motor and feed asked for; 0: not at rest
	Running bool
	RunFor  time.Duration
	Full    [maxStrings]bool // both batteries are full, for all that is known
	Held    [maxStrings]bool // the feed holds the string at the end of a charge
	OwnV    [unit.MaxBatteries]unit.Reading
	V25     [unit.MaxBatteries]unit.Reading // the same brought to 25 °C
	A       [maxStrings]unit.Reading
}

// StringsState is what has been learned. It is saved as it is.
type StringsState struct {
	String [maxStrings]StringDiffs
}

// StringDiffs is what is known of one string: by how much its upper battery shows more, V.
type StringDiffs struct {
	// What the taps make of two full batteries, over the voltage of one; once learned it stays.
	Base     float64
	Averages float64 // behind it
	Metered  [2]bool // lower and upper tap were compared with a meter
	Rest     Diff
	Held     Diff
	Run      Diff
	From     time.Duration // of the average at rest under way
	Last     time.Duration
	Second   float64
	Sum, Of  float64       // of differences and of the lower one's voltages, by time
	RunAt    time.Duration // of the run under way: when it was read last
	On       bool
	Holds    bool // the feed was seen to hold in the scan before
}

// Diff is a difference with the voltage of one battery that it was seen at.
type Diff struct {
	Have    bool
	V, OfV  float64
	Seconds float64 // averaged, as far as it counts
}

// NewStrings returns what knows nothing yet of n batteries. classes are those of the sensors as measured.
func NewStrings(l unit.Layout, n int, classes *unit.Classes) *Strings {
	s := &Strings{layout: l}
	if l == unit.Parallel {
		return s
	}
	for k := range l.Strings(n) {
		low, high := classes.Of(unit.BatteryVoltage, l.Lowest(k)), classes.Of(unit.BatteryVoltage, l.Highest(k))
		s.sigmaV[k] = limitSigma * math.Hypot(2*refV*math.Hypot(low.Gain, high.Gain), math.Hypot(2*low.Zero, high.Zero))
		s.noise[k] = math.Hypot(2*low.Noise, high.Noise)
	}
	return s
}

// Step applies one scan.
func (s *Strings) Step(in *StringsScan) {
	if s.layout == unit.Parallel {
		return
	}
	for k := range s.sigmaV {
		if s.sigmaV[k] == 0 {
			continue
		}
		d, low, high := &s.String[k], s.layout.Lowest(k), s.layout.Highest(k)
		v, up := in.OwnV[low], in.OwnV[high]
		ok := v.OK() && up.OK() && v.Value > leastV && math.Abs(up.Value-v.Value) < mostDiffV
		switch {
		case in.Running:
			d.run(in, up.Value-v.Value, v.Value, ok)
		default:
			d.On = false
			if held := in.Held[k] && ok; held && d.Holds {
				d.Held.blend(up.Value-v.Value, v.Value, (in.Now - d.Last).Seconds(), heldMean)
			} else if held {
				d.Held.Seconds = 0
			}
			d.Holds = in.Held[k] && ok
			d.rest(in, k, low, high, ok)
		}
		d.Last = in.Now
	}
}

// run averages a motor run.
func (d *StringDiffs) run(in *StringsScan, diff, of float64, ok bool) {
	d.endRest()
	d.Holds = false
	switch {
	case in.RunFor < runFrom || !ok:
		return
	case !d.On:
		d.On, d.RunAt, d.Run = true, in.Now, Diff{Have: true, V: diff, OfV: of}
		return
	}
	d.Run.blend(diff, of, (in.Now - d.RunAt).Seconds(), runMean)
	d.RunAt = in.Now
}

// blend takes a difference in that has held for seconds.
func (d *Diff) blend(v, of, seconds float64, memory time.Duration) {
	if !d.Have || d.Seconds == 0 {
		*d = Diff{Have: true, V: v, OfV: of, Seconds: min(max(seconds, 1e-9), memory.Seconds())}
		return
	}
	seconds = min(max(seconds, 0), memory.Seconds())
	d.Seconds = min(d.Seconds+seconds, memory.Seconds())
	share := seconds / d.Seconds
	d.V, d.OfV = d.V+share*(v-d.V), d.OfV+share*(of-d.OfV)
}

// rest averages a rest over half an hour, and learns what the taps make from the first after a full charge.
func (d *StringDiffs) rest(in *StringsScan, k, low, high int, ok bool) {
	v, up, a := in.V25[low], in.V25[high], in.A[k]
	if !ok || !v.OK() || !up.OK() || !a.OK() || math.Abs(a.Value) > restA || in.RestFor < restAfter {
		d.endRest()
		return
	}
	if d.Second == 0 {
		d.From, d.Second = in.Now, 1e-9
		return
	}
	dt := (in.Now - d.Last).Seconds()
	d.Second, d.Sum, d.Of = d.Second+dt, d.Sum+dt*(up.Value-v.Value), d.Of+dt*v.Value
	if in.Now-d.From < window {
		return
	}
	d.Rest = Diff{Have: true, V: d.Sum / d.Second, OfV: d.Of / d.Second, Seconds: d.Second}
	if in.Full[k] && in.RestFor >= fullAfter && d.Averages < baseLearned {
		d.Averages++
		d.Base += (d.Rest.V/d.Rest.OfV - d.Base) / d.Averages
	}
	d.endRest()
}

func (d *StringDiffs) endRest() { d.Second, d.Sum, d.Of = 0, 0, 0 }

// TapsV returns what the taps of string k make the upper battery show more than the lower, at the voltage of one.
func (s *Strings) TapsV(k int, of float64) unit.Estimate {
	d := &s.String[k]
	taps := s.sigmaV[k]
	if d.Metered[0] && d.Metered[1] {
		taps = meterV
	}
	if d.Averages == 0 {
		return unit.Estimate{Sigma: taps * of / refV}
	}
	// What full batteries differ by and what the taps make are both seen; each takes its part.
	part := sq(taps) / (sq(taps) + sq(fullApartV))
	return unit.Estimate{Value: part * d.Base * of, Sigma: math.Sqrt(part) * fullApartV * of / refV, Known: true}
}

// RestV, HeldV and RunV return by how much the upper battery of string k has more than the lower, V, without what
// the taps make as far as it is known: at rest, held at the end of the last charge, and in the last motor run.
func (s *Strings) RestV(k int) unit.Estimate { return s.diff(k, &s.String[k].Rest) }

// HeldV is that at the end of the last charge.
func (s *Strings) HeldV(k int) unit.Estimate { return s.diff(k, &s.String[k].Held) }

// RunV is that in the last motor run.
func (s *Strings) RunV(k int) unit.Estimate { return s.diff(k, &s.String[k].Run) }

func (s *Strings) diff(k int, d *Diff) unit.Estimate {
	if !d.Have {
		return unit.Estimate{}
	}
	taps := s.TapsV(k, d.OfV)
	return unit.Estimate{Value: d.V - taps.Value, Sigma: math.Hypot(taps.Sigma, math.Hypot(stepV, s.noise[k])), Known: true}
}

// Recalibrated says that the tap of battery i is corrected otherwise from now on; measured, by a meter.
func (s *Strings) Recalibrated(i int, measured bool) {
	if s.layout == unit.Parallel {
		return
	}
	k := s.layout.StringOf(i)
	was := s.String[k].Metered
	if measured {
		was[i-s.layout.Lowest(k)] = true
	}
	s.String[k] = StringDiffs{Metered: was}
}

// Replaced says that battery i is another one: what they differed by is of before, what the taps make stays.
func (s *Strings) Replaced(i int) {
	if s.layout == unit.Parallel {
		return
	}
	d := &s.String[s.layout.StringOf(i)]
	*d = StringDiffs{Base: d.Base, Averages: d.Averages, Metered: d.Metered}
}

// Gap says that scans were missed.
func (s *Strings) Gap() {
	for k := range s.String {
		d := &s.String[k]
		d.endRest()
		d.On, d.Holds = false, false
	}
}

// RestoreStrings takes over what had been learned. What can't be is refused and changes nothing.
func (s *Strings) RestoreStrings(m StringsState) error {
	var c unit.Check
	for k := range m.String {
		d := &m.String[k]
		c.In("taps of a string", d.Base, -1, 1)
		c.In("averages", d.Averages, 0, baseLearned)
		c.Sum("seconds", d.Second, d.Rest.Seconds, d.Held.Seconds, d.Run.Seconds)
		c.Finite("differences", d.Sum, d.Of, d.Rest.V, d.Rest.OfV, d.Held.V, d.Held.OfV, d.Run.V, d.Run.OfV)
	}
	if err := c.Err(); err != nil {
		return fmt.Errorf("taps: strings: %w", err)
	}
	s.StringsState = m
	return nil
}

func sq(x float64) float64 { return x * x }
