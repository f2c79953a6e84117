package sim

import (
	"time"

	"liftbank/sim/bank"
	"liftbank/sim/cell"
)

// counters is what the unit did, exactly.
type counters struct {
	commands uint64 // lift button pressed
	runs     uint64 // motor circuit closed
	runTime  time.Duration
	thisRun  time.Duration // circuit closed in this run
}

// storyDays is how many working days are remembered.
const storyDays = 3

// story is what conditions need to know of the past: a few figures, however long the run.
type story struct {
	aging     [MaxBatteries]cell.Aging // as set
	crankingA [MaxBatteries]float64    // of that aging
	restS     float64                  // nothing but the drain on the bank
	wakeS     float64                  // ignition at the box without a break
	reliefS   float64                  // on the relief valve in this run
	deadS     float64                  // command without current, since the last press
	strayS    float64                  // current without command
	highS     float64                  // charge voltage so high that it gasses
	nearS     float64                  // or may do so
	sunkS     float64                  // so low with the motor off that the bank is empty
	unwokenS  float64                  // ignition on at the tractor, and nothing at the box, since midnight
	wokenS    float64                  // something at the box, since midnight
	refill    refill                   // what the converter's voltage is good for
	fell      bool                     // the contactor let go, or did not close, for lack of voltage; no good run since

	lastFull  [MaxBatteries]time.Duration // true SoC at 97 % or more
	lastSure  [MaxBatteries]time.Duration // so much that any estimate of the class has to see it
	lastBank  time.Duration               // bank SoC at 60 % or more
	outAh     [MaxBatteries]float64       // by motor runs, since midnight
	outDayAh  [MaxBatteries]float64       // the day before
	gained    [storyDays]float64          // bank SoC, from midnight to midnight of the last days with runs
	known     int                         // how many of them
	workedPct float64                     // bank SoC at the end of the last of them
	nightPct  float64                     // at the last midnight,
	night     bool                        // if there was one
	runsThen  uint64                      // motor runs at the last midnight after a day with runs,
	runsToday uint64                      // and at the last
	sound     bank.Bank                   // the bank with a sound feed path, for what it would accept

	slots []slot
	shown []Condition
	turns uint64 // times that one began or ended
}

func newStory(u *Unit) story {
	s := story{}
	for k := range u.bank.Batteries() {
		s.aging[k] = agingOf(u.sc.Bank.Batteries[k].Aging)
		s.assess(u, k)
	}
	s.slots = slotsOf(u)
	return s
}

// assess works out what only aging changes; a virtual cranking test is too slow for each step.
func (s *story) assess(u *Unit, k int) { s.crankingA[k] = u.bank.Battery(k).CrankingA() }

// tally counts what happened in the dt just past, with the currents that flowed in it.
func (s *story) tally(u *Unit, dt time.Duration, dtS float64) {
	flow := &u.bank.Flow
	if u.joined {
		u.count.runTime += dt
		u.count.thisRun += dt
	}
	s.restS += dtS
	if flow.FeedA > 0 || flow.LoadA > 0 {
		s.restS = 0
	}
	s.wakeS += dtS
	if !u.feed.WakeLine() {
		s.wakeS = 0
	}
	if u.busy() || flow.LoadA > 0 {
		s.tallyRun(u, dtS)
	}
	s.tallyHigh(u, dtS)
	s.sunkS += dtS
	if u.joined || flow.FeedA > 0 || chargeV(u) >= emptyV {
		s.sunkS = 0
	}
	if u.feed.WakeLine() || flow.FeedA > 0 {
		s.wokenS += dtS
	} else if u.feed.Wake() {
		s.unwokenS += dtS
	}
}

// tallyHigh counts for how long a charge has made the batteries gas as no charger should.
func (s *story) tallyHigh(u *Unit, dtS float64) {
	gas := 0.0
	if u.bank.Flow.FeedA > 0 {
		gas = gassing(u)
	}
	s.highS += dtS
	if gas < strongGas*gasDoubt {
		s.highS = 0
	}
	s.nearS += dtS
	if gas < strongGas/gasDoubt {
		s.nearS = 0
	}
}

// flowingA is the motor current from which it counts as drawing at all.
const flowingA = 5

func (s *story) tallyRun(u *Unit, dtS float64) {
	flow := &u.bank.Flow
	for k := range u.bank.Batteries() {
		if i := flow.CurrentA[k]; i < 0 {
			s.outAh[k] -= float64(i * dtS / 3600)
		}
	}
	switch flowing := flow.LoadA > flowingA; {
	case u.coil() && !flowing:
		s.deadS += dtS
	case !u.coil() && flowing:
		s.strayS += dtS
	case flowing && u.motor.OnRelief():
		s.reliefS += dtS
	}
	if u.coil() || !u.joined {
		s.strayS = 0
	}
}

// restedS returns for how many seconds nothing but the drain has been on the bank, now included.
func (s *story) restedS(u *Unit) float64 {
	if u.bank.Flow.FeedA > 0 || u.bank.Flow.LoadA > 0 {
		return 0
	}
	return s.restS
}

// remember takes note of charge once a minute.
func (s *story) remember(u *Unit) {
	for k := range u.bank.Batteries() {
		if u.bank.Battery(k).SoCPct() >= fullPct {
			s.lastFull[k] = u.tickAt
		}
		if u.bank.Battery(k).SoCPct() >= fullPct+fullDoubtPct {
			s.lastSure[k] = u.tickAt
		}
	}
	if bankSoCPct(u) >= lowBankPct {
		s.lastBank = u.tickAt
	}
	if wall := u.sc.Start.Add(u.tickAt); wall.Hour() == 0 && wall.Minute() == 0 {
		s.midnight(u)
	}
}

func (s *story) midnight(u *Unit) {
	s.outDayAh, s.outAh = s.outAh, [MaxBatteries]float64{}
	s.unwokenS, s.wokenS = 0, 0
	s.runsToday = u.count.runs
	from, begun, now := s.nightPct, s.night, bankSoCPct(u)
	s.nightPct, s.night = now, true
	if u.count.runs == s.runsThen {
		return // a day without runs says nothing about the balance of the duty
	}
	s.runsThen, s.workedPct = u.count.runs, now
	if begun {
		copy(s.gained[1:], s.gained[:storyDays-1])
		s.gained[0] = now - from
		s.known = min(s.known+1, storyDays)
	}
}

// bankSoCPct returns the true charge of the bank, % of what its batteries or strings hold when full.
func bankSoCPct(u *Unit) float64 {
	ah, holds := has(u.bank)
	return ah / holds
}

// coilV returns the voltage that the contactor's coil has, over what its coil is made for of 12 V.
func coilV(u *Unit) float64 {
	return chargeV(u) * float64(u.sc.Bank.Blocks()) / float64(u.sc.Bank.BuiltFor())
}

// chargeV returns the mean voltage at the batteries' posts.
func chargeV(u *Unit) float64 {
	sum := 0.0
	for k := range u.bank.Batteries() {
		sum += u.bank.Flow.PositiveV[k] - u.bank.Flow.NegativeV[k]
	}
	return sum / float64(u.bank.Batteries())
}

// ratedAh returns the rated capacity of the bank.
func ratedAh(u *Unit) float64 {
	sum := 0.0
	for k := range u.sc.Bank.Batteries {
		sum += u.sc.Bank.Batteries[k].RatedAh
	}
	return sum / float64(u.sc.Bank.Blocks())
}
