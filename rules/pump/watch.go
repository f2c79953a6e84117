// Package pump measures what the pump motor's runs show: the current while it lifts and what it
// usually draws, the drop to its terminal, whether it pushes against the relief valve, and what
// each battery gave.
package pump

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

// Times within a run.
const (
	inrushTime = 300 * time.Millisecond  // a start takes 2 to 4 times the current, for tens of ms; trade practice
	liftFrom   = time.Second             // inrush and the first oil are over; our choice
	liftTo     = 4 * time.Second         // before most lifts end; our choice
	levelTo    = 2500 * time.Millisecond // the lift has got going; our choice
	minLift    = 3 * time.Second         // shorter runs are corrections of height; our choice
	minLiftS   = 1.0                     // s: of lifting, before a run says what the motor draws; our choice
	startFrom  = 20 * time.Millisecond   // of a start: its first scan may have begun before it; our choice
	startGap   = 50 * time.Millisecond   // longest between two readings of a start; our choice
	startRead  = 5                       // count: readings of a start, at the least; our choice
	startOverA = 25.0                    // A: that a start must draw above the lift, to tell a drop; our choice
)

// Levels within a run.
const (
	MotorOnV    = 3.0  // V: a motor terminal that is connected to the bank has more, whatever the motor draws; our choice
	minMotorV   = 10.0 // V: below it a 12 V motor slows down and draws less, whatever its pump; our choice
	reliefRatio = 1.2  // ratio: a relief valve opens a quarter or more above a full load; trade practice
	negativeV   = 0.2  // V: a negative post lifted further hangs on an open link; our choice
)

// Settings of a Watch.
type Settings struct {
	Batteries int
	Layout    unit.Layout
	MinA      float64 // drawn by a running motor
	UsualA    float64 // what it usually draws while lifting, at 25 °C; 0: learned
}

// Scan is what a Watch is told of one scan.
type Scan struct {
	Now     time.Duration
	Raw     *unit.Scan // as read
	Read    *unit.Scan // as far as it is believed, voltages between each battery's own posts
	BankA   unit.Reading
	PlusV   unit.Reading // lowest positive post of a string over the board's ground; of a parallel bank it is in Read
	Running bool
	Since   time.Duration   // of the run under way
	Ended   []time.Duration // lengths of the runs that ended in this scan
	FeedA   float64         // the most that the feed carries of the motor's current; negative: not known
	Fed     bool            // it carries some
	Unsure  bool            // in the run that ended a current did not react: what the motor drew is not known
	TempC   unit.Reading
}

// Watch follows the runs. It belongs to one goroutine.
type Watch struct {
	set Settings
	run run
	State
}

// State is what is remembered of the runs. It is saved as it is.
type State struct {
	Usual Usual
	Drops Drops
	Oil   Oil `json:",omitzero"`
}

// run is what is seen of the run under way.
type run struct {
	on             bool
	last           time.Duration
	liftAs, liftS  float64 // ampere seconds and seconds of lifting
	dropVs, dropAs float64 // bank to motor
	postVs, dropS  float64 // bank over ground in that time
	start          startSums
	level          float64 // A, mean when the lift had got going; 0: not yet
	levelAs        float64
	levelS         float64
	reliefSince    time.Duration // on the relief valve; negative: not
	relief         time.Duration // longest time on it
	bankSagged     bool          // the bank can't hold the voltage that a motor needs
	currentLost    bool          // the current ended before the run: a breaker, or a contactor that drops out
	motorVSeen     bool          // voltage was read at the motor terminal, believed or not
	motorRestV     float64       // what the motor's tap shows without voltage
	batteryAs      [unit.MaxBatteries]float64
	baseA          [unit.MaxBatteries]float64 // before the run, where nothing charged
	oil            oilRun
}

// startSums are those of a start: the motor draws two to four times the current of the lift.
type startSums struct {
	vs, as, s float64 // bank to motor, and drawn from the bank, over time
	n         int
}

// New returns a Watch that has seen nothing.
func New(set Settings) *Watch { return &Watch{set: set} }

// Seen is what a scan added.
type Seen struct {
	DrawnAs [unit.MaxBatteries]float64 // drawn from each battery by the motor since the last scan
	Unread  bool                       // the bank's current is missing, the inrush apart
	Ended   []Ended                    // of the runs that ended
}

// Ended is what a run that has ended showed beside what was learned from it.
type Ended struct {
	BatteryAs  [unit.MaxBatteries]float64 // drawn from each battery
	MotorVSeen bool                       // voltage at the motor's terminal,
	MotorRead  bool                       // as far as it was read in a run that drew current
	ReliefBar  float64                    // pressure at which it was held against the relief valve; 0: not seen
	OilRead    bool                       // pressure was read in a run that lifted,
	OilSeen    bool                       // and there was some
}

// Inrush reports whether the motor has only just started.
func Inrush(running bool, since, now time.Duration) bool { return running && now-since <= inrushTime }

// Step applies one scan. ended is memory for Seen.Ended.
func (w *Watch) Step(in *Scan, ended []Ended) Seen {
	seen := Seen{Ended: ended[:0]}
	for _, length := range in.Ended {
		seen.Ended = append(seen.Ended, w.end(in, length))
	}
	r := &w.run
	if !in.Running {
		w.rest(in)
		return seen
	}
	if !r.on {
		r.on, r.last = true, in.Now
	}
	before := r.last
	dt := (in.Now - before).Seconds()
	r.last = in.Now
	r.oil.step(in.Now, in.Now-in.Since, in.Read.OilBar)
	if !in.BankA.OK() {
		seen.Unread = !Inrush(true, in.Since, in.Now)
		return seen
	}
	amps, at := -in.BankA.Value, in.Now-in.Since
	for i := range w.set.Batteries {
		as := max(r.baseA[i]-in.Read.Battery[i].CurrentA.Value, 0) * dt
		r.batteryAs[i] += as
		seen.DrawnAs[i] = as
	}
	switch {
	case at >= liftFrom:
		w.lift(in, amps, at, dt)
	case at > startFrom && at <= inrushTime && in.Now-before <= startGap:
		if over, _, ok := w.drop(in); ok {
			x := &r.start
			x.vs, x.as, x.s, x.n = x.vs+over*dt, x.as+amps*dt, x.s+dt, x.n+1
		}
	}
	return seen
}

// Interrupt drops the run under way: somebody works on the unit.
func (w *Watch) Interrupt() { w.run = run{reliefSince: -1} }

// rest notes what channels show before a run.
func (w *Watch) rest(in *Scan) {
	w.run = run{reliefSince: -1}
	if v := in.Raw.MotorV; v.OK() && math.Abs(v.Value) < MotorOnV {
		w.run.motorRestV = v.Value
	}
	for i := range w.set.Batteries {
		if a := in.Read.Battery[i].CurrentA; a.OK() && in.Read.WakeLine != unit.ContactOn {
			w.run.baseA[i] = a.Value // a wrong zero, or a drain: no share of the motor's current
		}
	}
}

// lift takes a scan in once inrush and first oil are over.
func (w *Watch) lift(in *Scan, amps float64, at time.Duration, dt float64) {
	r := &w.run
	r.motorVSeen = r.motorVSeen || in.Raw.MotorV.OK() && in.Raw.MotorV.Value > MotorOnV
	r.currentLost = r.currentLost || amps < w.set.MinA
	if at <= liftTo && !r.currentLost {
		r.liftAs, r.liftS = r.liftAs+amps*dt, r.liftS+dt
		over, v, ok := w.drop(in)
		r.bankSagged = r.bankSagged || v < w.set.Layout.Volts(minMotorV)
		if ok {
			r.dropVs, r.dropAs = r.dropVs+over*dt, r.dropAs+amps*dt
			r.postVs, r.dropS = r.postVs+v*dt, r.dropS+dt
		}
	}
	if at <= levelTo {
		r.levelAs, r.levelS = r.levelAs+amps*dt, r.levelS+dt
		return
	}
	if r.level == 0 && r.levelS > 0 {
		r.level = r.levelAs / r.levelS
	}
	onRelief := r.level >= w.set.MinA && amps >= reliefRatio*r.level
	switch {
	case !onRelief:
		r.reliefSince = -1
	case r.reliefSince < 0:
		r.reliefSince = in.Now
	default:
		r.relief = max(r.relief, in.Now-r.reliefSince)
	}
}

// drop returns what is lost from the bank to the motor's terminal, and the bank's voltage; ok is false
// where it can't be read.
func (w *Watch) drop(in *Scan) (over, bankV float64, ok bool) {
	v, m := LowestPositive(in.Read, w.set.Batteries), in.Read.MotorV
	if w.set.Layout != unit.Parallel {
		v = math.Inf(1)
		if in.PlusV.OK() {
			v = in.PlusV.Value
		}
	}
	ok = w.set.Layout.NegativesNear(in.Raw, w.set.Batteries, negativeV) && m.OK() && m.Value > MotorOnV && !math.IsInf(v, 0)
	return v - m.Value + w.run.motorRestV, v, ok
}

// end learns from a run that has ended.
func (w *Watch) end(in *Scan, length time.Duration) Ended {
	r := &w.run
	e := Ended{
		BatteryAs: r.batteryAs, MotorVSeen: r.motorVSeen,
		MotorRead: r.liftS >= minLiftS && in.Raw.MotorV.OK() && r.liftAs/r.liftS >= w.set.MinA,
		ReliefBar: r.oil.bar,
		OilRead:   r.liftS >= minLiftS && r.oil.read && r.liftAs/r.liftS >= w.set.MinA, OilSeen: r.oil.mostBar >= minOilBar,
	}
	if length >= minLift && r.oil.liftS >= minLiftS && e.OilSeen {
		w.Oil.take(r.oil.barS / r.oil.liftS)
	}
	if length >= minLift && r.liftS >= minLiftS && !in.Unsure {
		if r.dropAs > 0 && in.FeedA >= 0 {
			w.Drops.add(r, in.FeedA)
		}
		// Without a temperature cold oil and a dragging pump look alike.
		if in.TempC.OK() && !in.Fed && !r.bankSagged {
			w.Usual.take(in.Now, r.liftAs/r.liftS, OilDrag(in.TempC.Value)-1, w.set.UsualA)
		}
	}
	w.run = run{reliefSince: -1, baseA: r.baseA, motorRestV: r.motorRestV}
	return e
}

// Relief returns how long the run under way has pushed against the relief valve, at the longest,
// and its current when the lift had got going (A; 0: not yet).
func (w *Watch) Relief() (longest time.Duration, levelA float64) { return w.run.relief, w.run.level }

// LowestPositive returns the lowest believed positive post of n batteries over the board's ground,
// V; in a run the load's lead is on it. Infinity where none is believed. The scan's voltages are
// those between each battery's own posts.
func LowestPositive(read *unit.Scan, n int) float64 {
	low := math.Inf(1)
	for i := range n {
		b := &read.Battery[i]
		if !b.VoltageV.OK() {
			continue
		}
		v := b.VoltageV.Value
		if b.NegativeV.OK() {
			v += b.NegativeV.Value
		}
		low = min(low, v)
	}
	return low
}

// Drops are the last runs' resistances from the bank's positive post to the motor terminal.
type Drops struct {
	Mohm  [DropRuns]float64
	PostV [DropRuns]float64 // of the bank in these runs
	Amps  [DropRuns]float64 // of the motor
	Start [DropRuns]float64 // mΩ, by what the start drew and lost more than the lift; 0: not seen
	Count int
}

// DropRuns is how many runs the drop between bank and motor is averaged over.
const DropRuns = 3 // count: runs whose drop is averaged; our choice

func (d *Drops) add(r *run, feedA float64) {
	copy(d.Mohm[1:], d.Mohm[:DropRuns-1])
	copy(d.PostV[1:], d.PostV[:DropRuns-1])
	copy(d.Amps[1:], d.Amps[:DropRuns-1])
	copy(d.Start[1:], d.Start[:DropRuns-1])
	d.Amps[0], d.Start[0] = r.dropAs/r.dropS+feedA, r.startMohm()
	d.Mohm[0] = 1000 * r.dropVs / r.dropS / d.Amps[0]
	d.PostV[0] = r.postVs / r.dropS
	d.Count = min(d.Count+1, DropRuns)
}

// startMohm returns the resistance to the motor by the difference of start and lift: two taps that
// differ by a part of their voltage, and a feed that gives what it can, do the same to both.
func (r *run) startMohm() float64 {
	x := &r.start
	if x.n < startRead || r.dropS == 0 {
		return 0
	}
	amps := x.as/x.s - r.dropAs/r.dropS
	if amps < startOverA {
		return 0
	}
	return 1000 * (x.vs/x.s - r.dropVs/r.dropS) / amps
}

// ByStart returns the mean resistance by the starts, mΩ; ok is false where one was not seen.
func (d *Drops) ByStart() (mohm float64, ok bool) {
	for _, r := range d.Start {
		if r == 0 {
			return 0, false
		}
		mohm += r / DropRuns
	}
	return mohm, true
}

// Known reports whether there are enough runs.
func (d *Drops) Known() bool { return d.Count == DropRuns }

// Mean returns the mean resistance (mΩ) and current (A), and the highest voltage of the bank (V).
func (d *Drops) Mean() (mohm, amps, postV float64) {
	for i, r := range d.Mohm {
		mohm, postV, amps = mohm+r/DropRuns, max(postV, d.PostV[i]), amps+d.Amps[i]/DropRuns
	}
	return mohm, amps, postV
}
