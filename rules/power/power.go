// Package power decides how much the monitor's own board may draw, and counts what it has drawn.
//
// A board of 60 mA takes 10 Ah a week from the bank that it watches. So a trailer that stands long,
// or whose bank is low, is watched with less: first slower and with the radio on by the hour only,
// then, where the board can be woken, not at all for most of the day. Whatever moves brings it back.
package power

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

// Level is how much the board may do.
type Level uint8

// Levels. Asleep is a wish while the board runs: whoever runs it says a last word and switches it off.
const (
	Awake Level = iota
	Saving
	Asleep
)

// String returns the word for it.
func (l Level) String() string { return [...]string{"awake", "saving", "asleep"}[min(l, Asleep)] }

// Wake is what can wake the board.
type Wake uint8

// Ways to wake. The wake line may have a timer beside it.
const (
	WakeNone Wake = iota // nothing can: it never sleeps
	WakeTimer
	WakeLine
)

// Settings are what the unit's configuration says.
type Settings struct {
	AwakeA         float64 // that the board draws
	RadioA         float64 // and its radio, while it is on
	AsleepA        float64 // and both, asleep
	SavingAfter    time.Duration
	SavingBelowPct float64 // charge of the lowest battery; 0: never for that
	SleepAfter     time.Duration
	SleepBelowPct  float64
	Wake           Wake
	Every          time.Duration // of a timer; 0: none
}

// Times of the policy, and what radio and wakes cost.
const (
	linger     = 30 * time.Minute // awake after something moved or somebody looked; our choice
	leastQuiet = time.Hour        // parked, before it sleeps for a low charge: a bank at work is not left alone; our choice
	leastUp    = 10 * time.Minute // after a start, before it sleeps; our choice
	restedFor  = 10 * time.Minute // of usable rests after a wake: what is judged by them is judged; our choice
	mostUp     = 2 * time.Hour    // for rests to become usable; our choice
	retryAfter = 6 * time.Hour    // after a sleep that did not come; our choice
	gap        = 20 * time.Minute // between two scans, that the board was off; our choice

	backPct     = 5.0                // %: of charge over a limit, from which it counts as over; our choice
	radioShare  = 1.0 / 12           // ratio: of the time that the radio is on by the hour: five minutes; our choice
	wakeUpH     = 1.0                // h: awake at each timer, until rests are usable; our choice
	meanTime    = 3 * 24 * time.Hour // of the mean draw: the balance looks at three working days; our choice
	mostDays    = 365.0              // ratio: days that are looked ahead: nobody knows the weather after, nor what sulfation does; our choice
	hoursPerDay = 24.0               // h: of a day; physical
	lookStepH   = 6.0                // h: steps of the look ahead; our choice
)

// Why a board is at its level.
var (
	begun    = unit.Says("power.begun", "started")
	inUse    = unit.Says("power.in-use", "motor, wake line or feed on, or lately so")
	atWork   = unit.Says("power.work", "work is under way, or was lately")
	looked   = unit.Says("power.looked", "somebody looks at the page, or did lately")
	plenty   = unit.Says("power.plenty", "not parked long, and the bank is not low")
	long     = unit.Says("power.parked", "parked for long")
	low      = unit.Says("power.low", "the bank is low")
	woken    = unit.Says("power.woken", "woken by the timer, to look and say so")
	notTaken = unit.Says("power.not-taken", "the system did not switch the board off")
)

// Scan is what the policy looks at.
type Scan struct {
	Now     time.Duration
	Active  bool          // motor, contactor, wake line or feed is on
	Work    bool          // work is under way
	Looked  bool          // a page is in use, or a visit is open
	Rested  bool          // rested voltages are usable
	Charge  unit.Estimate // of the lowest battery, %
	InDoubt bool          // what moves can't be seen: sensors or contacts of it are silent
}

// State is what is remembered. It is saved as it is.
type State struct {
	Begun    bool
	Last     time.Duration
	Level    Level
	Since    time.Duration
	Why      unit.Saved
	ActiveAt time.Duration // last: parked since then
	UsedAt   time.Duration // last that something moved or somebody looked
	UsedFor  unit.Saved    // and what it was
	UpAt     time.Duration // the start, or the last wake
	RestedAt time.Duration // since when rests are usable; 0: they are not
	NotUntil time.Duration // no sleep before

	AwakeS, SavingS, AsleepS float64 // in all
	DrawnAh                  float64 // in all
	ParkedAh                 float64 // since it was parked
	MeanA                    float64 // of the last days

	Off      bool          // told to be switched off
	For      time.Duration // until a timer wakes it; 0: none
	Owed     bool          // it slept, and the clock has not said for how long
	Nights   uint64        // times that it slept
	LateWord bool          // the last word before the last sleep did not get out in time
}

// Monitor follows one board. It belongs to one goroutine.
type Monitor struct {
	set Settings
	s   State
}

// New returns one that has not begun.
func New(s Settings) *Monitor { return &Monitor{set: s, s: State{MeanA: s.AwakeA + s.RadioA}} }

// DrawA returns what the board draws at a level, on average.
func (s *Settings) DrawA(l Level) float64 {
	switch l {
	case Saving:
		return s.AwakeA + radioShare*s.RadioA
	case Asleep:
		return s.AsleepA
	}
	return s.AwakeA + s.RadioA
}

// Pass lets the time until now pass, and returns for how much of it the board slept. known says that
// the wall clock, by which the time of a sleep is known, can be trusted.
func (m *Monitor) Pass(now time.Duration, known bool) (slept time.Duration) {
	s := &m.s
	if !s.Begun {
		s.Begun, s.Last, s.Since, s.ActiveAt, s.UsedAt, s.UpAt = true, now, now, now, now, now
		s.Why.Text, s.UsedFor.Text = begun, begun
		return 0
	}
	dt := max(now-s.Last, 0)
	s.Last = now
	if s.Owed && dt > gap {
		slept, s.Owed = dt, false
		s.Since, s.UpAt, s.UsedAt = now, now, min(s.UsedAt, now-linger)
		m.count(Asleep, dt)
		return slept
	}
	s.Owed = s.Owed && !known
	level := s.Level
	if level == Asleep { // it still runs
		level = Saving
	}
	m.count(level, dt)
	return 0
}

// count adds what is drawn in dt.
func (m *Monitor) count(l Level, dt time.Duration) {
	s, a := &m.s, m.set.DrawA(l)
	*[...]*float64{&s.AwakeS, &s.SavingS, &s.AsleepS}[l] += dt.Seconds()
	s.DrawnAh += a * dt.Hours()
	s.ParkedAh += a * dt.Hours()
	s.MeanA = a + (s.MeanA-a)*math.Exp(-float64(dt)/float64(meanTime))
}

// Step judges what is seen now; Pass comes first.
func (m *Monitor) Step(in *Scan) {
	s := &m.s
	if in.Rested && s.RestedAt == 0 {
		s.RestedAt = in.Now
	} else if !in.Rested {
		s.RestedAt = 0
	}
	var why *unit.Text
	switch {
	case in.Active:
		why = inUse
		s.ActiveAt, s.ParkedAh = in.Now, 0
	case in.Work:
		why = atWork
	case in.Looked:
		why = looked
	}
	if why != nil {
		s.UsedAt, s.UsedFor.Text = in.Now, why
	}
	level, why := m.level(in)
	if level != s.Level {
		s.Level, s.Since = level, in.Now
	}
	if level != Asleep {
		s.Off = false
	}
	s.Why.Text = why
}

// level returns the level for what is seen, and why.
func (m *Monitor) level(in *Scan) (Level, *unit.Text) {
	s, set := &m.s, &m.set
	parked, held := in.Now-s.ActiveAt, in.Now-s.Since
	if in.Now-s.UsedAt < linger {
		return Awake, s.UsedFor.Text
	}
	why := s.Why.Text
	switch {
	case parked >= set.SavingAfter:
		why = long
	case under(in.Charge, set.SavingBelowPct):
		why = low
	case s.Level != Awake && (held < linger || !over(in.Charge, set.SavingBelowPct)):
	default:
		return Awake, plenty
	}
	if s.Level == Asleep {
		return Asleep, s.Why.Text
	}
	if s.NotUntil > in.Now {
		return Saving, notTaken
	}
	if set.Wake == WakeNone || in.InDoubt || s.Level != Saving || held < leastUp || in.Now-s.UpAt < leastUp ||
		!m.judged(in.Now) {
		if s.Nights > 0 && s.UpAt == s.Since {
			why = woken
		}
		return Saving, why
	}
	switch {
	case parked >= set.SleepAfter:
		return Asleep, long
	case parked >= leastQuiet && under(in.Charge, set.SleepBelowPct):
		return Asleep, low
	}
	return Saving, why
}

// judged reports whether what rests say has been judged since the board is up, or never will be.
func (m *Monitor) judged(now time.Duration) bool {
	return m.s.RestedAt > 0 && now-m.s.RestedAt >= restedFor || now-m.s.UpAt >= mostUp
}

func under(charge unit.Estimate, pct float64) bool {
	return charge.Known && charge.Value+charge.Sigma < pct
}

func over(charge unit.Estimate, pct float64) bool {
	return charge.Known && charge.Value-charge.Sigma >= pct+backPct
}

// Sleep notes that the board is to be switched off now, and returns for how long; 0: until the wake
// line comes on. What is saved from now on says that the board sleeps.
func (m *Monitor) Sleep() time.Duration {
	s := &m.s
	s.Off, s.For = true, m.set.Every
	return s.For
}

// Stay notes that the board was not switched off after all: it is not tried again for a while.
func (m *Monitor) Stay() {
	s := &m.s
	s.Off, s.Level, s.Since, s.NotUntil = false, Saving, s.Last, s.Last+retryAfter
	s.Why.Text = notTaken
}

// Late notes whether the last word before a sleep failed to get out in time.
func (m *Monitor) Late(late bool) { m.s.LateWord = late }

// Settings returns what it goes by.
func (m *Monitor) Settings() *Settings { return &m.set }

// Outlook is how long a bank stands.
type Outlook struct {
	Known   bool
	Days    float64 // until no lift is possible, at most 365
	Without float64 // the same if there were no monitor
}

// Bank is what an outlook needs to know of a bank.
type Bank struct {
	UsableAh   float64       // until no lift is possible
	CapacityAh float64       // of the bank
	Charge     unit.Estimate // of the lowest battery, %
	OthersA    float64       // that all else takes, self-discharge included
}

// Outlook works out how long the bank stands from now on, if nothing moves.
func (m *Monitor) Outlook(b *Bank) (o Outlook) {
	o.Known, o.Without = true, mostDays
	if b.OthersA > 0 {
		o.Without = min(b.UsableAh/b.OthersA/hoursPerDay, mostDays)
	}
	left, parked, charge, s := b.UsableAh, m.s.Last-m.s.ActiveAt, b.Charge, &m.set
	step := time.Duration(lookStepH * float64(time.Hour))
	for hours := 0.0; ; hours += lookStepH {
		a := s.DrawA(Awake)
		saving := parked >= s.SavingAfter || under(charge, s.SavingBelowPct)
		if saving {
			a = s.DrawA(Saving)
		}
		if saving && s.Wake != WakeNone && (parked >= s.SleepAfter || under(charge, s.SleepBelowPct)) {
			a = s.AsleepA
			if s.Every > 0 {
				part := min(wakeUpH/s.Every.Hours(), 1)
				a += part * (s.DrawA(Saving) - a)
			}
		}
		a += b.OthersA
		if take := a * lookStepH; take < left && hours/hoursPerDay < mostDays {
			left -= take
			charge.Value -= 100 * take / b.CapacityAh
			parked += step
			continue
		}
		if a > 0 {
			hours += min(left/a, lookStepH)
		}
		o.Days = min(hours/hoursPerDay, mostDays)
		return o
	}
}

// State returns what is remembered.
func (m *Monitor) State() State { return m.s }

// Restore takes over what was remembered; one that can't be is refused and changes nothing. A board
// that was told to be switched off has slept since.
func (m *Monitor) Restore(s State) error {
	if !s.Begun {
		return nil // saved by a version that had none
	}
	var c unit.Check
	c.Time("power", s.Last, s.Since, s.ActiveAt, s.UpAt, s.RestedAt, s.NotUntil, s.For)
	c.Sum("power", s.AwakeS, s.SavingS, s.AsleepS, s.DrawnAh, s.ParkedAh)
	c.In("mean draw", s.MeanA, 0, mostA)
	if s.Level > Asleep {
		c.Wrong("level %d: want 0 to %d", s.Level, Asleep)
	}
	if err := c.Err(); err != nil {
		return fmt.Errorf("power: %w", err)
	}
	m.s = s
	if s.Owed { // the clock never said how long the last one was: it was planned to be so long
		m.planned(s.For)
	}
	m.s.Owed = s.Off
	if s.Off {
		m.s.Nights++
	}
	if s.Level == Asleep {
		m.s.Level, m.s.Since, m.s.UpAt = Saving, s.Last, s.Last
	}
	m.s.Off, m.s.RestedAt = false, 0
	return nil
}

const mostA = 10.0 // A: that a board with its radio can draw; our choice

// planned counts a sleep whose length nobody knows as long as it was planned. No time passes.
func (m *Monitor) planned(span time.Duration) { m.count(Asleep, span) }
