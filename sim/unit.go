// Package sim is a whole unit that behaves: batteries, feed, pump motor, duty and weather, with
// whatever a scenario says is wrong, and with its truth known.
//
// It gives true physical values (Signals) and true conditions (Truth). What a board makes of the
// values, its sensor errors and its faults, is up to whoever puts one in front of it; the scenario
// carries them as data. Nothing here knows how a unit is judged by its monitor: the package must
// not import any of that.
//
// Time is handed in. State moves in ticks at instants that depend on the scenario and the seed
// only, and is held between them, so that it is the same at t however AdvanceTo was called: at rest
// each whole second, from a motor's start until two seconds after its stop every 5 ms, and at every
// change of ignition, lift button or fault. A year from one seed is the same, bit for bit, on every
// architecture.
package sim

import (
	"fmt"
	"time"

	"liftbank/sim/bank"
	"liftbank/sim/duty"
	"liftbank/sim/scenario"
)

// MaxBatteries is the largest bank.
const MaxBatteries = bank.MaxBatteries

// Tick lengths.
const (
	restTick = time.Second
	fastTick = 5 * time.Millisecond
	fastTail = 2 * time.Second // fast ticks go on this long after a motor's stop: the double layer relaxes

	coarseCharge = 6                // a charge's ticks are so much shorter than coarse ones at rest
	coarseTail   = 3 * fastTail / 4 // and fast ones go on for less

	lively = 2 * time.Minute // after an event ticks are never coarse: diffusion in the pores takes a minute
)

// Unit is one simulated unit. It belongs to one goroutine.
type Unit struct {
	sc      scenario.Scenario
	now     time.Duration // as asked for
	tickAt  time.Duration // last tick; at or before now
	fastEnd time.Duration // fast ticks up to here
	coarse  time.Duration // tick length while nothing happens; 0: restTick
	eventAt time.Duration // last change of ignition, lift button or fault

	bank    *bank.Bank
	feed    bank.Feed
	motor   bank.Motor
	breaker bank.Breaker
	plan    *duty.Schedule
	weather duty.Weather

	command bool // lift button
	faults  faults
	hands   hands
	welded  bool    // contactor stuck closed
	letGo   bool    // contactor has let go for lack of voltage, until the button is pressed again
	starveS float64 // for how long its coil has had too little
	joined  bool    // motor circuit closed
	drainA  float64 // all that is drawn while nothing is on
	boardA  float64 // of that the monitor board
	boardAs float64 // that it has drawn, A s

	ambientC      float64
	ambientMinute int64

	signals Signals
	count   counters
	story   story
}

// New builds the unit of a scenario at its start. A seed other than 0 takes the place of the
// scenario's own.
func New(sc scenario.Scenario, seed uint64) (*Unit, error) {
	if seed != 0 {
		sc.Seed = seed
	}
	u := &Unit{sc: sc, boardA: sc.BoardA, plan: duty.New(dutyOf(&sc)), weather: weatherOf(&sc)}
	u.ambientC = u.weather.AmbientC(0)
	batteries, err := batteriesOf(&sc, u.ambientC)
	if err != nil {
		return nil, fmt.Errorf("sim: %w", err)
	}
	if u.bank, err = bank.New(wiringOf(&sc), batteries); err != nil {
		return nil, fmt.Errorf("sim: %w", err)
	}
	u.feed = bank.NewFeed(feedOf(&sc))
	u.motor = bank.NewMotor(motorOf(&sc), u.ambientC)
	u.breaker = bank.NewBreaker(breakerOf(&sc))
	u.faults = newFaults(&sc)
	u.story = newStory(u)
	u.applyFaults()
	u.happen(0)
	u.solve()
	u.story.judge(u, true, true)
	return u, nil
}

// Now returns the time since the scenario's start that AdvanceTo was last called with.
func (u *Unit) Now() time.Duration { return u.now }

// StartWall returns the wall time of the scenario's start.
func (u *Unit) StartWall() time.Time { return u.sc.Start }

// BoardDraws says what the monitor board takes from now on.
func (u *Unit) BoardDraws(amps float64) {
	u.boardA = amps
	u.applyFaults()
	u.solve()
}

// BoardAh returns what the monitor board has taken since the start.
func (u *Unit) BoardAh() float64 { return u.boardAs / time.Hour.Seconds() }

// Batteries returns the number of batteries.
func (u *Unit) Batteries() int { return u.bank.Batteries() }

// Coarsen makes ticks so long while nothing has happened for two minutes and the ignition is off,
// and a sixth of that while it is on; 0 is the usual second. It has to divide a minute. After a
// run, fast ticks end earlier. Years then pass many times as fast, and differ a little from those
// of one-second ticks.
func (u *Unit) Coarsen(tick time.Duration) {
	if tick < 0 || tick > 0 && time.Minute%tick != 0 {
		panic("bug: sim: coarse tick: want a part of a minute")
	}
	u.coarse = tick
}

// AdvanceTo lets time pass until t after the scenario's start. A t before Now changes nothing.
func (u *Unit) AdvanceTo(t time.Duration) {
	for at := u.nextTick(); at <= t; at = u.nextTick() {
		u.tick(at)
	}
	u.now = max(u.now, t)
}

// nextTick returns the instant of the next tick.
func (u *Unit) nextTick() time.Duration {
	rest := restTick
	if u.coarse > 0 && u.tickAt-u.eventAt >= lively {
		rest = u.coarse
		if u.feed.Wake() {
			rest = max(rest/coarseCharge, restTick)
		}
	}
	at := u.tickAt.Truncate(rest) + rest
	if u.busy() || u.tickAt < u.fastEnd {
		at = u.tickAt + fastTick
	}
	if e, due := u.plan.Peek(at); due {
		at = e.At
	}
	return min(at, u.faults.nextAt())
}

// busy reports whether the motor is on or asked for.
func (u *Unit) busy() bool { return u.command || u.joined }

// tick moves the state to `at`, lets happen what is due, and solves the network anew.
func (u *Unit) tick(at time.Duration) {
	u.pass(at - u.tickAt)
	u.tickAt = at
	minute := at/time.Minute != time.Duration(u.ambientMinute)
	if minute {
		u.ambientMinute = int64(at / time.Minute)
		u.ambientC = u.weather.AmbientC(at)
	}
	event := u.happen(at)
	if event || u.busy() {
		u.eventAt = at
	}
	u.solve()
	if minute || event || u.busy() {
		u.story.judge(u, minute || event, minute)
	}
}

// pass lets time pass with everything as it was solved last.
func (u *Unit) pass(dt time.Duration) {
	dtS := float64(dt) / float64(time.Second)
	flow := &u.bank.Flow
	u.story.tally(u, dt, dtS)
	u.boardAs += u.boardA * dtS
	u.feed.Step(dtS, flow.FeedA, flow.FeedV, u.bank.Battery(0).TempC())
	u.motor.Step(dtS, flow.LoadA, u.ambientC)
	u.breaker.Step(dtS, flow.LoadA, u.ambientC)
	u.starveCoil(dtS)
	u.bank.Step(dtS, u.ambientC)
}

// A 12 V contactor's coil holds down to 6 or 7 V and needs 8 to close (common practice, no source);
// its armature takes about 10 ms to fall. The operator then lets go of the button, as the platform
// has stopped.
const (
	coilHoldsV  = 6.5
	coilClosesV = 8.0
	coilFallsS  = 0.010

	goodRun = time.Second // after which the bank carries the motor; our choice
)

// starveCoil lets go of the motor when the bank has been too low to hold its contactor.
func (u *Unit) starveCoil(dtS float64) {
	if !u.joined || u.faults.now.contactorStuck || coilV(u) >= coilHoldsV {
		u.starveS = 0
		u.story.fell = u.story.fell && u.count.thisRun < goodRun
		return
	}
	if u.starveS += dtS; u.starveS >= coilFallsS {
		u.letGo, u.story.fell = true, true
	}
}

// happen carries out what the plan and the faults have due at `at` and reports whether there was
// anything.
func (u *Unit) happen(at time.Duration) bool {
	event := false
	for u.faults.take(at) {
		event = true
		u.applyFaults()
	}
	for {
		e, due := u.plan.Peek(at)
		if !due {
			break
		}
		u.plan.Take()
		event = true
		switch e.Line {
		case duty.Wake:
			u.feed.SetWake(e.On)
		case duty.Motor:
			u.press(e)
		}
	}
	u.joinMotor()
	return event
}

// press takes a change of the lift button.
func (u *Unit) press(e duty.Edge) {
	u.command = e.On
	if e.On {
		u.count.commands++
		u.story.deadS = 0
		u.letGo, u.starveS = coilV(u) < coilClosesV, 0
		u.story.fell = u.story.fell || u.letGo
		u.motor.Begin(e.Run.Load, e.Run.Travel.Seconds())
	}
}

// joinMotor works out whether the motor's circuit is closed.
func (u *Unit) joinMotor() {
	was := u.joined
	f := &u.faults.now
	closed := (u.coil() && !f.contactorDead && !u.letGo) || u.welded
	u.welded = f.contactorStuck && closed
	u.joined = closed && !f.breakerOpen && !f.disconnectOpen && !u.breaker.Open()
	if u.joined && !was {
		u.count.runs++
		u.count.thisRun, u.story.reliefS = 0, 0
	}
	if was || u.joined || u.command {
		u.fastEnd = u.tickAt + fastTail
		if u.coarse > 0 {
			u.fastEnd = u.tickAt + coarseTail
		}
	}
}

// solve finds the currents of this instant and sets the signals.
func (u *Unit) solve() {
	u.joinMotor()
	u.bank.Prepare((u.nextTick() - u.tickAt).Seconds())
	u.bank.Solve(u.feed.Source(u.bank.Battery(0).TempC()), loadOf(u))
	u.signals.set(u)
}

func loadOf(u *Unit) bank.Load {
	return bank.Load{
		Joined: u.joined, BackEMFV: u.motor.BackEMFV(), Ohm: u.sc.Motor.ResistanceMohm / 1000, DrainA: u.drainA,
	}
}

// NextPress returns when the operator presses the button next, after from and at or before limit. ok is
// false if nobody does.
func (u *Unit) NextPress(from, limit time.Duration) (at time.Duration, ok bool) {
	u.plan.Ahead(limit, func(e duty.Edge) bool {
		if ok = e.Line == duty.Motor && e.On && e.At > from; ok {
			at = e.At
		}
		return !ok
	})
	return at, ok
}

// NextEdge returns the earliest change of a contact (wake line, motor command, disconnect) after
// Now and at or before limit. ok is false if there is none.
func (u *Unit) NextEdge(limit time.Duration) (at time.Duration, ok bool) {
	lines := linesOf(u)
	ahead := u.faults.lookAhead()
	changed := func(upTo time.Duration) (time.Duration, bool) {
		for ahead.nextAt() <= upTo {
			when := ahead.nextAt()
			ahead.take(when)
			if lines.set(ahead.contacts()) {
				return when, true
			}
		}
		return 0, false
	}
	u.plan.Ahead(limit, func(e duty.Edge) bool {
		if at, ok = changed(e.At - 1); ok {
			return false
		}
		if lines.edge(e) {
			at, ok = e.At, true
		}
		return !ok
	})
	if !ok {
		at, ok = changed(limit)
	}
	return at, ok
}
