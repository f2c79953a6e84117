// Package view is what a detector may ask of a unit in one scan, and nothing else: it can change
// nothing there. The engine fills a Frame; a detector gets a View of it.
package view

import (
	"math"
	"time"

	"liftbank/rules/daily"
	"liftbank/rules/feed"
	"liftbank/rules/loadtest"
	"liftbank/rules/motor"
	"liftbank/rules/network"
	"liftbank/rules/power"
	"liftbank/rules/unit"
)

// State is what is known of a unit after a scan, as far as people are shown it.
type State struct {
	At      unit.Moment
	Battery []BatteryState
	Strings []StringState // of batteries in series; none in a parallel bank
	Links   []LinkState   // positive ones first, from battery to battery; middle links last
	Bank    BankState
	Motor   MotorState
	Feed    FeedState
	Balance daily.Balance
	Work    Work // somebody works on the unit
	Power   Power
}

// Power is what the monitor's own board draws, and why.
type Power struct {
	Level     power.Level
	Since     time.Duration // monotonic, of this level
	Why       *unit.Text
	DrawA     float64 // at this level, as configured
	MeanA     float64 // over the last days; 0: not counted yet
	ParkedFor time.Duration
	ParkedAh  float64 // drawn since it was parked
	ParkedPct float64 // of the bank's capacity
	DrawnAh   float64 // in all
	Spent     [3]time.Duration
	Sleeps    uint64
	LateWord  bool // the last word before the last sleep did not get out in time
	Outlook   power.Outlook
}

// BatteryState is what is known of one battery.
type BatteryState struct {
	ID             string
	In             unit.Battery  // as measured in the last scan, as far as it is believed
	SoCPct         unit.Estimate // of the present full capacity at the 20 h rate, 0 to 100
	RestedV        unit.Estimate // last rested voltage, at 25 °C
	RestedAt       time.Duration // monotonic
	Resistance     unit.Estimate // mΩ, from motor runs, at 25 °C and full charge
	CrankingA      unit.Estimate // A, cold cranking capability
	Trend          unit.Estimate // mΩ per 100 runs, at 25 °C and full charge: how Resistance moves
	CapacityAh     unit.Estimate // present full capacity, 20 h rate; learned from deep swings only
	HealthPct      unit.Estimate // state of health: present full capacity over rated
	RunsJudged     uint32        // motor runs behind Resistance
	Verdict        loadtest.Verdict
	WaitsFor       *unit.Text    // what a verdict still needs; nil when there is one
	ChargedAh      float64       // counted in since start
	DrawnAh        float64       // counted out since start, positive
	DrawSharePct   unit.Estimate // its share of the bank's discharge Ah over the last runs
	ChargeSharePct unit.Estimate // its share of the bank's charge Ah
}

// LinkState is what is known of one patch cable between two batteries' posts, its lugs included.
type LinkState struct {
	Side     network.Side
	From, To int // batteries: neighbors in parallel; in strings ends of two, or lower and upper of one
	Mohm     unit.Estimate
	CurrentA unit.Reading // through it in the last scan: positive for a charge current from From's side
	DropV    unit.Reading // over it in the last scan, in the same direction
}

// StringState is what is known of one string: batteries in series, through which one current goes.
type StringState struct {
	From, To int          // the batteries at its minus and at its plus end
	VoltageV unit.Reading // from its minus to its plus
	CurrentA unit.Reading // through all its batteries
	// How much more the upper battery has than the lower, V: at rest, held at the feed's voltage at the end of
	// a charge, and under the motor's current. What taps that differ add is taken out as far as it is known.
	RestDiffV, HeldDiffV, RunDiffV unit.Estimate
	SpreadPct                      unit.Estimate // SoC of the fuller battery less that of the emptier
	Weakest                        int           // the battery that will be empty first
	WeakestKnown                   bool
	DrawSharePct, ChargeSharePct   unit.Estimate // of the bank's, where there are two strings
}

// BankState is what is known of the bank as a whole.
type BankState struct {
	VoltageV        unit.Reading // from its minus to its plus: the mean of its batteries' or strings' usable voltages
	CurrentA        unit.Reading // sum over the batteries, or strings; usable only if all are
	SoCPct          unit.Estimate
	SpreadPct       unit.Estimate // largest minus smallest SoC
	ResistanceRatio unit.Estimate // largest over smallest of the batteries
	FullCycles      float64       // charge drawn over the rated capacity: equivalent full cycles
	RestedV         unit.Estimate // mean of batteries rested together, at 25 °C
	Rested          bool          // at rest long enough for RestedV to be of now
	ChargedAh       float64
	DrawnAh         float64
	ChargedWh       float64
	DrawnWh         float64
	SinceFull       time.Duration // since the last full charge, measured or calculated
	FullKnown       bool          // whether there was a full charge since start
	LoadLeads       network.Leads // where the pump motor's leads are
	FeedLeads       network.Leads // where the converter's leads are
	LiftsLeft       unit.Estimate // lifts of this unit's kind that can still follow, feed off
	LiftsWaitFor    *unit.Text    // what LiftsLeft waits for; nil when known
	TimeToFullS     unit.Estimate // seconds until full at the present feed
	FullWaitsFor    *unit.Text    // what TimeToFullS waits for, or why the feed can't fill the bank; nil when known
	ParkedDrawA     unit.Estimate // with nothing on, the board included, by how the rested voltage falls
	CirculatingA    unit.Estimate // half the sum of absolute currents at rest with nothing on
}

// MotorState counts the motor's work.
type MotorState struct {
	Running      bool
	Runs         uint64
	RunTime      time.Duration
	Last         motor.Run     // zero Number: none yet
	DeadCommands uint64        // commands that drew no current
	PathMohm     unit.Estimate // bank positive post to the motor terminal, mΩ
	LiftCycles   uint64
	Since        [ServiceKinds]ServiceCount // work since each kind of service
	Next         [ServiceKinds]ServiceNext  // when each is due
	LiftAh       unit.Estimate              // charge that a lift cycle takes out of the bank, Ah
	LiftWh       unit.Estimate              // and energy, Wh
}

// FeedState is what is known of the feed.
type FeedState struct {
	Status     feed.Status
	Since      time.Duration // monotonic, of this status
	VoltageV   unit.Reading
	InputV     unit.Reading // ahead of the converter, from the tractor
	Indicator  unit.Contact // of the charging lamp
	WakeLine   unit.Contact
	Disconnect unit.Contact
	WakeTime   time.Duration // wake line on, summed since start
	PathMohm   unit.Estimate // converter to the bank's positive post, mΩ
	FeedTime   time.Duration // feed present, summed since start
}

// ServiceKind is a kind of service whose work is counted.
type ServiceKind uint8

// Kinds of service.
const (
	Service ServiceKind = iota // the lift's, by its maker's plan
	Filter
	Oil
	ServiceKinds
)

// String returns the word for it.
func (k ServiceKind) String() string { return [...]string{"service", "filter", "oil"}[k] }

// ServiceCount is the work since a service was done, or since counting began.
type ServiceCount struct {
	LiftCycles uint64
	RunTime    time.Duration
	For        time.Duration // by the calendar
	ForKnown   bool          // the date that it was done on is known, and today's
	On         time.Time     // that date; zero: not known
}

// ServiceNext is when a service is due, at the duty that was learned.
type ServiceNext struct {
	By    DueBy
	In    time.Duration // zero: now
	Known bool          // how long it takes
}

// DueBy is what makes a service due.
type DueBy uint8

// What makes a service due.
const (
	DueByNothing DueBy = iota // it has no interval
	DueByCycles
	DueByHours
	DueByDays
)

// String returns the word for it.
func (b DueBy) String() string { return [...]string{"", "lift-cycles", "motor-hours", "days"}[b] }

// ResistanceRatio returns the highest resistance of the bank over the lowest.
func ResistanceRatio(b []BatteryState) unit.Estimate {
	low, high := &b[0].Resistance, &b[0].Resistance
	for i := range b {
		r := &b[i].Resistance
		if !r.Known {
			return unit.Estimate{}
		}
		if r.Value < low.Value {
			low = r
		}
		if r.Value > high.Value {
			high = r
		}
	}
	if low == high {
		return unit.Estimate{}
	}
	ratio := high.Value / low.Value
	return unit.Estimate{Value: ratio, Sigma: ratio * math.Hypot(low.Sigma/low.Value, high.Sigma/high.Value), Known: true}
}
