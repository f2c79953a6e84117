// Package rules turns scans of one unit into what they mean: charge, health and sharing of each battery, motor runs,
// the state of the feed, and findings with the next check to make.
//
// It is pure: no input or output, no clock, no goroutine. The caller hands in plain values with the moment they were
// taken and reads the result; the same inputs give the same results, bit for bit, on any run. Current into a battery is
// positive (charge), out of it negative.
package rules

import (
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
	"liftbank/rules/motor"
	"liftbank/rules/network"
)

// MaxBatteries is the largest bank: four 12 V blocks in parallel.
const MaxBatteries = 4

// Moment is one instant. Intervals and integrals use Mono; Wall is only a label and the calendar. Results carry monotonic
// instants alone, so that their labels can still be put right when the wall clock becomes known.
type Moment struct {
	Mono        time.Duration // since the agent's clock started; never goes back
	Wall        time.Time     // UTC; zero when not known at all
	WallTrusted bool          // whether Wall comes from a clock known to be set
}

// Quality says whether a reading may be used and, if not, why. The zero value is a sensor that this unit does not have.
type Quality uint8

// Qualities of a reading.
const (
	NotFitted  Quality = iota // this unit has no such sensor
	Good                      // value usable
	Waiting                   // fitted, not read yet
	NoAnswer                  // chip did not acknowledge, or answered with an error
	BusStuck                  // bus held by a chip; transfers time out
	NotReady                  // conversion did not finish in time
	Saturated                 // converter at the end of its range: the true value lies at or beyond Value
	ChipReset                 // chip lost its settings behind our back; the value belongs to another input
	OutOfRange                // outside what this channel can be, as configured; Value holds it for evidence only
)

// String gives the quality in words, for evidence and logs.
func (q Quality) String() string {
	if int(q) < len(qualityWords) {
		return qualityWords[q]
	}
	return "unknown quality"
}

var qualityWords = [...]string{
	NotFitted: "not fitted", Good: "good", Waiting: "not read yet", NoAnswer: "no answer on the bus", BusStuck: "bus stuck",
	NotReady: "conversion not finished", Saturated: "at the end of the converter's range", ChipReset: "converter lost its settings",
	OutOfRange: "outside the possible range",
}

// Reading is one measured value with its quality. Value is meaningful only for Good (usable), and for Saturated and
// OutOfRange (evidence).
type Reading struct {
	Value   float64
	Quality Quality
}

// OK reports whether the value may be used.
func (r Reading) OK() bool { return r.Quality == Good }

// Faulty reports whether the sensor is fitted and gives no usable value, start-up apart.
func (r Reading) Faulty() bool { return r.Quality > Waiting }

// Contact is a debounced digital input.
type Contact uint8

// Contact states. The zero value is an input that this unit does not have.
const (
	ContactNotFitted Contact = iota
	ContactOff
	ContactOn
	ContactUnknown // fitted, but it can't be read
)

// Edge is one change of the motor command since the previous input.
type Edge struct {
	On bool
	At time.Duration // monotonic, as Moment.Mono
}

// BatteryInput holds what is measured at one battery.
type BatteryInput struct {
	VoltageV  Reading // at its own positive post, over the board's ground
	NegativeV Reading // at its own negative post, over the same; NotFitted where that is the ground
	CurrentA  Reading // positive into the battery
	TempC     Reading // at the case or post
}

// Input is one scan of a unit, brought to physical values.
type Input struct {
	At           Moment
	Battery      [MaxBatteries]BatteryInput // in the order of Config.Batteries; the rest NotFitted
	FeedV        Reading                    // ahead of the charge breaker
	MotorV       Reading                    // at the motor terminal
	WakeLine     Contact
	MotorCommand Contact // contactor coil
	Disconnect   Contact // on: closed
	CommandEdges []Edge  // changes of MotorCommand since the previous Input, in time order; read during Step only
}

// Estimate is a figure with its standard uncertainty. Unknown is neither zero nor NaN: Known is false.
type Estimate struct {
	Value float64
	Sigma float64 // standard deviation, same unit as Value
	Known bool
}

// BatteryState is what is known of one battery.
type BatteryState struct {
	ID             string
	In             BatteryInput  // as measured in the last input
	SoCPct         Estimate      // of the present full capacity at the 20 h rate, 0 to 100
	RestedV        Estimate      // last rested voltage, at 25 °C
	RestedAt       time.Duration // monotonic
	Resistance     Estimate      // mΩ, from motor runs, at 25 °C and full charge
	CrankingA      Estimate      // A, cold cranking capability
	Trend          Estimate      // mΩ per 100 runs, at 25 °C and full charge: how Resistance moves
	CapacityAh     Estimate      // present full capacity, 20 h rate; learnt from deep swings only
	HealthPct      Estimate      // state of health: present full capacity over rated
	RunsJudged     uint32        // motor runs that went into Resistance
	Verdict        loadtest.Verdict
	WaitsFor       string   // what a verdict still needs, in words; empty when there is one
	ChargedAh      float64  // counted in since start
	DrawnAh        float64  // counted out since start, positive
	DrawSharePct   Estimate // its share of the bank's discharge Ah over the last runs
	ChargeSharePct Estimate // its share of the bank's charge Ah
}

// LinkState is what is known of one patch cable between two batteries' posts, its lugs included.
type LinkState struct {
	Side     network.Side
	From, To int      // batteries, To = From + 1
	Mohm     Estimate // mΩ
}

// BankState is what is known of the bank as a whole.
type BankState struct {
	VoltageV        Reading // mean of the batteries' usable voltages
	CurrentA        Reading // sum over the batteries; usable only if all are
	SoCPct          Estimate
	SpreadPct       Estimate // largest minus smallest SoC
	ResistanceRatio Estimate // largest over smallest of the batteries
	Cycles          float64  // charge drawn over the rated capacity: full cycles that it comes to
	RestedV         Estimate // mean of batteries rested together, at 25 °C
	Rested          bool     // at rest long enough for RestedV to be of now
	ChargedAh       float64
	DrawnAh         float64
	ChargedWh       float64
	DrawnWh         float64
	SinceFull       time.Duration // since the last full charge, seen or worked out
	FullKnown       bool          // whether there was a full charge since start
	LoadLeads       network.Leads // where the pump motor's leads sit
	FeedLeads       network.Leads // where the converter's leads sit
	LiftsLeft       Estimate      // lifts of this unit's kind that can still follow, feed off
	LiftsWait       string        // what LiftsLeft waits for, in words; empty when known
	TimeToFullS     Estimate      // seconds until full at the present feed
	FullWait        string        // what TimeToFullS waits for, or why the feed can't fill the bank; empty when known
	CirculatingA    Estimate      // half the sum of absolute currents at rest with nothing on: what one battery drains into another
}

// MotorState counts the motor's work.
type MotorState struct {
	Running      bool
	Runs         uint64
	RunTime      time.Duration
	Last         motor.Run // zero Number: none yet
	DeadCommands uint64    // commands that drew no current
	PathMohm     Estimate  // bank positive post to the motor terminal, mΩ
	LiftCycles   uint64
	Since        [serviceKinds]ServiceCount // work since each kind of service
	LiftAh       Estimate                   // charge that a lift takes out of the bank, Ah
	LiftWh       Estimate                   // and energy, Wh
}

// FeedState is what is known of the feed.
type FeedState struct {
	Status     feed.Status
	Since      time.Duration // monotonic, of this status
	VoltageV   Reading
	WakeLine   Contact
	Disconnect Contact
	WakeTime   time.Duration // wake line on, summed since start
	PathMohm   Estimate      // converter to the bank's positive post, mΩ
	FeedTime   time.Duration // feed present, summed since start
}

// Output is what the engine knows after a step. It belongs to the engine: read it before the next Step, copy what is kept.
type Output struct {
	At       Moment
	Battery  []BatteryState
	Links    []LinkState // positive ones first, from battery to battery
	Bank     BankState
	Motor    MotorState
	Feed     FeedState
	Balance  Balance
	Findings []finding.Record // every finding that can be made of this unit, in a fixed order, normal ones included
	Events   []Event          // what happened in this step, in order
}

// EventKind says what happened.
type EventKind uint8

// Kinds of event.
const (
	RunEnded EventKind = iota
	FindingRaised
	FindingCleared
	FindingChanged // acknowledged, shelved and so on: see Event.Change
)

// Event is one thing that happened in a step.
type Event struct {
	Kind    EventKind
	Run     motor.Run      // of RunEnded
	Finding int            // index into Output.Findings, of the finding kinds
	Change  finding.Change // of the finding kinds: its sequence number, who did it
}
