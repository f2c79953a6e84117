package pump

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

// The relief valve shows in a run as a step up in pressure that then stays where it is: the platform
// has come to its end of travel. A platform's own pressure changes slowly on its way.
const (
	oilStep    = 1.1             // ratio: of the pressure at the valve to the lift before, usually a quarter or more; trade practice
	oilFollows = 2 * time.Second // over which the lift's pressure is averaged: slower changes are no step; our choice
	oilFlat    = 0.03            // ratio: within which the pressure stays at the valve; our choice
	oilHold    = time.Second     // for which it stays there; our choice
	oilFrom    = time.Second     // of a run: inrush and the first oil are over; our choice
	minOilBar  = 10.0            // bar: a pump that lifts anything has more; our choice
)

// oilRun is what the pressure does in the run under way.
type oilRun struct {
	last     time.Duration
	levelBar float64 // of the lift
	has      bool
	heldBar  float64 // at the valve: mean of the stretch under way
	heldN    int
	since    time.Duration // of that stretch
	bar      float64       // of the longest stretch,
	longest  time.Duration // if it was long enough
	barS     float64       // bar seconds of lifting
	liftS    float64
	mostBar  float64
	read     bool
}

// step applies one reading, at a time after the run's start.
func (o *oilRun) step(now, at time.Duration, r unit.Reading) {
	dt := now - o.last
	o.last = now
	if !r.OK() || at < oilFrom {
		return
	}
	p := r.Value
	o.read, o.mostBar = true, max(o.mostBar, p)
	if at <= liftTo && dt <= time.Second {
		o.barS, o.liftS = o.barS+p*dt.Seconds(), o.liftS+dt.Seconds()
	}
	if !o.has {
		o.levelBar, o.has = p, true
		return
	}
	if p < oilStep*o.levelBar || p < minOilBar {
		o.heldN = 0
		x := float64(dt) / float64(oilFollows)
		o.levelBar += (p - o.levelBar) * x / (1 + x)
		return
	}
	if o.heldN == 0 || math.Abs(p-o.heldBar) > oilFlat*o.heldBar {
		o.heldBar, o.heldN, o.since = p, 1, now
		return
	}
	o.heldN++
	o.heldBar += (p - o.heldBar) / float64(o.heldN)
	if d := now - o.since; d >= oilHold && d > o.longest {
		o.bar, o.longest = o.heldBar, d
	}
}

// Oil is what the pressure was while the motor lifted in the last runs. It is saved as it is.
type Oil struct {
	MeanBar float64            // of the runs that were learned from
	Count   uint32             // of them
	Bar     [UsualRuns]float64 // of the last runs, newest first
	Bars    int
}

func (o *Oil) take(bar float64) {
	copy(o.Bar[1:], o.Bar[:UsualRuns-1])
	o.Bar[0] = bar
	o.Bars = min(o.Bars+1, UsualRuns)
	if o.Count < LearnRuns {
		o.Count++
		o.MeanBar += (bar - o.MeanBar) / float64(o.Count)
	}
}

// Ratio returns the mean pressure of the last runs over what is usual; ok is false while one of them
// is not known.
func (o *Oil) Ratio() (ratio float64, ok bool) {
	if o.Count < LearnRuns || o.Bars < UsualRuns || o.MeanBar < minOilBar {
		return 0, false
	}
	for _, bar := range o.Bar {
		ratio += bar / o.MeanBar / UsualRuns
	}
	return ratio, true
}

// Held returns the pressure at which the run under way has been held against the relief valve (bar),
// and for how long at the longest; 0: not yet.
func (w *Watch) Held() (bar float64, longest time.Duration) { return w.run.oil.bar, w.run.oil.longest }
