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
	"liftbank/rules/unit"
)

// State is what is known of a unit after a scan, as far as people are shown it.
type State struct {
	At      unit.Moment
	Battery []BatteryState
	Links   []LinkState // positive ones first, from battery to battery
	Bank    BankState
	Motor   MotorState
	Feed    FeedState
	Balance daily.Balance
	Work    Work // somebody works on the unit
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
	From, To int // batteries, To = From + 1
	Mohm     unit.Estimate
	CurrentA unit.Reading // through it in the last scan: positive for a charge current from From's side
	DropV    unit.Reading // over it in the last scan, in the same direction
}

// BankState is what is known of the bank as a whole.
type BankState struct {
	VoltageV        unit.Reading // mean of the batteries' usable voltages
	CurrentA        unit.Reading // sum over the batteries; usable only if all are
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
	LiftAh       unit.Estimate              // charge that a lift cycle takes out of the bank, Ah
	LiftWh       unit.Estimate              // and energy, Wh
}

// FeedState is what is known of the feed.
type FeedState struct {
	Status     feed.Status
	Since      time.Duration // monotonic, of this status
	VoltageV   unit.Reading
	WakeLine   unit.Contact
	Disconnect unit.Contact
	WakeTime   time.Duration // wake line on, summed since start
	PathMohm   unit.Estimate // converter to the bank's positive post, mΩ
	FeedTime   time.Duration // feed present, summed since start
}

// ServiceKind is a kind of service whose work is counted. Only Service has an interval with a
// finding.
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
}

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
