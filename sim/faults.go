package sim

import (
	"fmt"
	"math"
	"slices"
	"time"

	"liftbank/sim/bank"
	"liftbank/sim/cell"
	"liftbank/sim/scenario"
)

// change is a fault's beginning or end.
type change struct {
	at    time.Duration
	fault int
	on    bool
}

// ofSensor marks a change of a sensor fault.
const ofSensor = -1

// wrong is what the active faults add up to, besides the wiring.
type wrong struct {
	feed                                                       bank.FeedFault
	contactorDead, contactorStuck, breakerOpen, disconnectOpen bool
	controlOpen, lampFuseOpen                                  bool
	torque                                                     float64
	relief                                                     float64
	drainA                                                     float64
	past                                                       bank.Past
	loadA                                                      [MaxBatteries]float64 // at 12 V, by what is on a battery alone
}

// faults is the scenario's faults over time.
type faults struct {
	all     []scenario.Fault
	changes []change // in time order
	next    int
	active  uint64 // bit i: fault i; a scenario has at most 64
	now     wrong
}

func newFaults(sc *scenario.Scenario) faults {
	f := faults{all: sc.Faults}
	for i := range f.all {
		f.changes = append(f.changes, change{f.all[i].At, i, true})
		if until := f.all[i].Until(); until != never {
			f.changes = append(f.changes, change{until, i, false})
		}
	}
	for i := range sc.Sensors.Faults { // they change nothing here, but the truth about them is to change on time
		x := &sc.Sensors.Faults[i]
		f.changes = append(f.changes, change{at: x.At, fault: ofSensor}, change{at: x.Until(), fault: ofSensor})
	}
	slices.SortStableFunc(f.changes, func(a, b change) int {
		switch {
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return 0
	})
	f.now = f.sum()
	return f
}

// nextAt returns the time of the next change, or never.
func (f *faults) nextAt() time.Duration {
	if f.next >= len(f.changes) {
		return never
	}
	return f.changes[f.next].at
}

// take carries out one change due at or before `at` and reports whether there was one.
func (f *faults) take(at time.Duration) bool {
	if f.nextAt() > at {
		return false
	}
	c := f.changes[f.next]
	f.next++
	if c.fault != ofSensor {
		f.active &^= 1 << c.fault
		if c.on {
			f.active |= 1 << c.fault
		}
		f.now = f.sum()
	}
	return true
}

// lookAhead returns a copy whose future can be tried.
func (f *faults) lookAhead() faults { return *f }

// contacts returns what the faults do to contacts.
func (f *faults) contacts() (wakeBroken, disconnectOpen, controlOpen bool) {
	return f.now.feed.WakeBroken, f.now.disconnectOpen, f.now.controlOpen
}

// each calls visit with every active fault.
func (f *faults) each(visit func(*scenario.Fault)) {
	for i := range f.all {
		if f.active&(1<<i) != 0 {
			visit(&f.all[i])
		}
	}
}

// sum adds up the active faults.
func (f *faults) sum() wrong {
	w := wrong{torque: 1, relief: 1}
	f.each(func(x *scenario.Fault) {
		switch x.Kind {
		case "feed-unplugged":
			w.feed.Unplugged = true
		case "converter-dead":
			w.feed.Dead = true
		case "charge-breaker-open":
			w.feed.BreakerOpen = true
		case "wake-broken":
			w.feed.WakeBroken = true
		case "feed-cable-resistive":
			w.feed.CableOhm += x.Mohm / 1000
		case "feed-set-low":
			w.feed.MostV = x.Volt
		case "feed-stuck-high":
			w.feed.StuckV = math.Max(w.feed.StuckV, x.Volt)
		case "contactor-stuck":
			w.contactorStuck = true
		case "contactor-dead":
			w.contactorDead = true
		case "motor-breaker-open":
			w.breakerOpen = true
		case "disconnect-open":
			w.disconnectOpen = true
		case "control-breaker-open":
			w.controlOpen = true
		case "lamp-fuse-open":
			w.lampFuseOpen = true
		case "relief-set":
			w.relief *= x.Factor
		case "pump-dragging", "pump-worn":
			w.torque *= x.Factor
		case "drain":
			w.drainA += x.Amp
		case "posts-charged":
			w.past = bank.Past{SetV: x.Volt, LimitA: x.Amp}
		case "posts-loaded":
			w.past = bank.Past{LoadA: x.Amp}
		}
	})
	return w
}

// wire adds a fault's resistance to the wiring; k is its battery.
func wire(w *bank.Wiring, x *scenario.Fault, k int) {
	ohm := x.Mohm / 1000
	positive := x.Side == "positive"
	negativeLink := k
	if w.Layout == bank.SeriesPairs && k == 0 {
		negativeLink = 1 // from the minus of one string to that of the next
	}
	pick := func(p, n *float64) *float64 {
		if positive {
			return p
		}
		return n
	}
	switch x.Kind {
	case "link-resistive":
		*pick(&w.PositiveLink[k], &w.NegativeLink[negativeLink]) += ohm
	case "link-open":
		*pick(&w.PositiveLink[k], &w.NegativeLink[negativeLink]) = bank.OpenOhm
	case "post-resistive":
		*pick(&w.PositivePost[k], &w.NegativePost[k]) += ohm
	case "feed-lead-resistive":
		*pick(&w.FeedPositive.Ohm, &w.FeedNegative.Ohm) += ohm
	case "load-lead-resistive":
		*pick(&w.LoadPositive.Ohm, &w.LoadNegative.Ohm) += ohm
	}
}

// applyFaults brings everything to what the active faults make of it.
func (u *Unit) applyFaults() {
	w := wiringOf(&u.sc)
	beside := besideOf(&u.sc)
	u.faults.now.loadA = [MaxBatteries]float64{}
	var aging [MaxBatteries]cell.Aging
	for k := range u.sc.Bank.Batteries {
		aging[k] = agingOf(u.sc.Bank.Batteries[k].Aging)
	}
	u.faults.each(func(x *scenario.Fault) {
		k := max(0, u.sc.Bank.Index(x.Battery))
		wire(&w, x, k)
		switch x.Kind {
		case "battery-aged":
			aging[k] = agingOf(x.Aging)
		case "posts-charged", "posts-loaded":
			u.faults.now.past.At = k
		case "tap-load", "self-discharge":
			u.faults.now.loadA[k] += x.Amp
			beside.LoadOhm[k] = 12 / u.faults.now.loadA[k]
		}
	})
	u.hands.wire(&w)
	u.faults.now.disconnectOpen = u.faults.now.disconnectOpen || u.hands.disconnectOpen
	u.faults.now.feed.BreakerOpen = u.faults.now.feed.BreakerOpen || u.hands.breakerOpen
	if err := u.bank.SetWiring(w); err != nil {
		panic(fmt.Sprintf("bug: sim: faults: %v", err)) // the scenario was checked
	}
	for k := range u.bank.Batteries() {
		if aging[k] != u.story.aging[k] {
			u.story.aging[k] = aging[k]
			u.bank.Battery(k).SetAging(aging[k])
			u.story.assess(u, k)
		}
	}
	u.bank.SetPast(u.faults.now.past)
	u.bank.SetBeside(beside)
	u.feed.SetFault(u.faults.now.feed)
	u.motor.SetTorque(u.faults.now.torque)
	u.motor.SetRelief(u.faults.now.relief)
	u.drainA = u.boardA + u.faults.now.drainA
}
