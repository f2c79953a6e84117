package scenario

import (
	"cmp"
	"time"

	"liftbank/sim/cell"
)

// Scenario is one unit's story. Field comments give unit, default and meaning; the `want` tag is
// the accepted range, which error messages quote.
type Scenario struct {
	Name        string  `yaml:"name"`                     // default: the file's name
	Description string  `yaml:"description"`              // one line
	Days        float64 `yaml:"days" want:"0.01 to 4000"` // length of the run, 1
	// the unit's local time, written as UTC; whole seconds; 2025-03-03T05:00:00Z, a Monday
	Start   time.Time `yaml:"start"`
	Seed    uint64    `yaml:"seed" want:"0 to 9007199254740992"` // of duty, weather and sensor noise, 1
	BoardA  float64   `yaml:"board_a" want:"0 to 2"`             // that the monitor board takes while it is awake, A, 0.06
	Power   Power     `yaml:"power"`
	Bank    Bank      `yaml:"bank"`
	Feed    Feed      `yaml:"feed"`
	Motor   Motor     `yaml:"motor"`
	Duty    Duty      `yaml:"duty"`
	Weather Weather   `yaml:"weather"`
	Sensors Sensors   `yaml:"sensors"`
	Service Service   `yaml:"service"`
	Faults  []Fault   `yaml:"faults" want:"0 to 64"`
	Work    []Stretch `yaml:"work" want:"0 to 64"` // somebody works on the unit and has told the monitor
	Expect  []string  `yaml:"expect"`              // findings that this story brings about, by name
}

// Length returns the length of the run.
func (s *Scenario) Length() time.Duration { return time.Duration(s.Days * float64(24*time.Hour)) }

// Bank is the batteries and their wiring.
type Bank struct {
	// how the batteries are truly joined, parallel: series is a below b; series-pairs a below b and c below
	// d, the two strings in parallel
	Layout string `yaml:"layout" want:"one of parallel, series, series-pairs"`
	// what the unit is built and its monitor configured for: the layout itself, and series where
	// series-pairs has but one pair
	Configured string    `yaml:"configured" want:"one of parallel, series, series-pairs"`
	Batteries  []Battery `yaml:"batteries" want:"1 to 4"` // default: as many as configured has at least, flooded, 100 Ah, 950 A
	Wiring     Wiring    `yaml:"wiring"`
}

// Layouts of a bank.
const (
	Parallel    = "parallel"
	Series      = "series"
	SeriesPairs = "series-pairs"
)

// Blocks returns how many batteries truly stand one on another.
func (b *Bank) Blocks() int { return blocks(b.Layout) }

// BuiltFor returns for how many the unit, its motor, its feed and its monitor are made.
func (b *Bank) BuiltFor() int { return blocks(b.Configured) }

func blocks(layout string) int {
	if layout == Series || layout == SeriesPairs {
		return 2
	}
	return 1
}

// Index returns the place of the battery with this id, or -1.
func (b *Bank) Index(id string) int {
	for k := range b.Batteries {
		if b.Batteries[k].ID == id {
			return k
		}
	}
	return -1
}

// Battery is one 12 V block at the start.
type Battery struct {
	ID        string         `yaml:"id" want:"one of a, b, c, d"`
	Chemistry cell.Chemistry `yaml:"chemistry" want:"one of flooded, agm, gel"` // flooded
	Labeled   cell.Chemistry `yaml:"labeled" want:"one of flooded, agm, gel"`   // what the configuration says; what it is
	RatedAh   float64        `yaml:"rated_ah" want:"20 to 400"`                 // at the 20 h rate, 100
	RatedCCA  float64        `yaml:"rated_cca" want:"100 to 2000"`              // A, SAE J537, 950
	SoCPct    float64        `yaml:"soc_pct" want:"0 to 100"`                   // 100
	Reversed  bool           `yaml:"reversed"`                                  // clamped the wrong way round
	Aging     Aging          `yaml:"aging"`
	Layer     Layer          `yaml:"layer"`
}

// Label returns the chemistry that the configuration says.
func (b *Battery) Label() cell.Chemistry { return cmp.Or(b.Labeled, b.Chemistry) }

// Layer is the double layer of the plates and the reaction it lies across. Zero is that of the
// chemistry.
type Layer struct {
	TransferPct float64 `yaml:"transfer_pct" want:"0 to 80"`  // the reaction's share of a new battery's resistance, 15
	RelaxationS float64 `yaml:"relaxation_s" want:"0 to 1.5"` // at small currents, 25 °C, full, 0.08
}

// Aging is how far a battery has gone.
type Aging struct {
	LostCapacityPct     float64 `yaml:"lost_capacity_pct" want:"0 to 95"`      // of the rated capacity
	RaisedResistancePct float64 `yaml:"raised_resistance_pct" want:"0 to 900"` // over a new battery's
	SulfationPct        float64 `yaml:"sulfation_pct" want:"0 to 90"`
	ShortedCells        int     `yaml:"shorted_cells" want:"0 to 5"`
	OpenCell            bool    `yaml:"open_cell"`
}

// Wiring is the copper. Lists give the same value to all links or posts when they hold one number.
type Wiring struct {
	PositiveLinkMohm []float64 `yaml:"positive_link_mohm" want:"0 to 1e6"` // a-b, b-c, c-d; 0.5
	NegativeLinkMohm []float64 `yaml:"negative_link_mohm" want:"0 to 1e6"` // 0.5
	PositivePostMohm []float64 `yaml:"positive_post_mohm" want:"0 to 1e6"` // 0.1
	NegativePostMohm []float64 `yaml:"negative_post_mohm" want:"0 to 1e6"` // 0.1
	FeedLeads        Leads     `yaml:"feed_leads"`                         // diagonal, 2 mΩ each
	// diagonal, 1.5 mΩ the positive (with contactor, breaker and disconnect), 1 mΩ the negative
	LoadLeads Leads `yaml:"load_leads"`
}

// Leads is the two cables of the feed or of the load. `at` places both: diagonal is the positive on
// the first battery and the negative on the last, same-post both on the first; positive_at and
// negative_at place each, and win.
type Leads struct {
	At           string  `yaml:"at" want:"one of diagonal, same-post"`
	PositiveAt   string  `yaml:"positive_at" want:"one of a, b, c, d"`
	NegativeAt   string  `yaml:"negative_at" want:"one of a, b, c, d"`
	PositiveMohm float64 `yaml:"positive_mohm" want:"0 to 1e6"`
	NegativeMohm float64 `yaml:"negative_mohm" want:"0 to 1e6"`
}

// Feed is the tractor's side and the converter.
type Feed struct {
	AlternatorV      float64       `yaml:"alternator_v" want:"12 to 16"`           // at the tractor's battery, 14.0
	CableMohm        float64       `yaml:"cable_mohm" want:"0 to 2000"`            // tractor to converter and back, 25
	EfficiencyPct    float64       `yaml:"efficiency_pct" want:"50 to 99"`         // 90
	PowerW           float64       `yaml:"power_w" want:"20 to 3000"`              // most output, 500
	LimitA           float64       `yaml:"limit_a" want:"1 to 200"`                // most output, 40
	MinInputV        float64       `yaml:"min_input_v" want:"8 to 13"`             // 11
	StartDelay       time.Duration `yaml:"start_delay" want:"0s to 10m"`           // wake line to output, 5s
	AbsorptionV      float64       `yaml:"absorption_v" want:"13 to 33"`           // at 25 °C, 14.4
	FloatV           float64       `yaml:"float_v" want:"12.8 to 31"`              // at 25 °C, 13.6
	CompensationMVPC float64       `yaml:"compensation_mv_per_c" want:"-100 to 0"` // of the bank, -24
	TailA            float64       `yaml:"tail_a" want:"0.1 to 50"`                // absorption ends under this, 1
	TailFor          time.Duration `yaml:"tail_for" want:"1s to 1d"`               // held so long, 10m
	AbsorptionMax    time.Duration `yaml:"absorption_max" want:"1m to 2d"`         // or after this, 4h
	// most that a balancing output moves between the batteries of a string, 0: there is none
	EqualizerA float64 `yaml:"equalizer_a" want:"0 to 20"`
	// the battery at a string's minus that its leads are clamped on alone; empty: the bank
	Across string `yaml:"across" want:"one of a, c"`
}

// Motor is the pump motor and its breaker.
type Motor struct {
	RunA           float64 `yaml:"run_a" want:"20 to 400"`          // rated load, 25 °C, nominal_v, 120
	ReliefA        float64 `yaml:"relief_a" want:"20 to 600"`       // against the relief valve, 160
	ReliefBar      float64 `yaml:"relief_bar" want:"20 to 400"`     // at which the relief valve is to open, 170
	ResistanceMohm float64 `yaml:"resistance_mohm" want:"2 to 200"` // armature and brushes, 26
	NominalV       float64 `yaml:"nominal_v" want:"8 to 28"`        // at the motor, 12.4
	// back EMF per ampere over the load's and second, 0.3
	SpinVPerAs   float64 `yaml:"spin_v_per_as" want:"0.02 to 2"`
	BreakerA     float64 `yaml:"breaker_a" want:"30 to 500"`                // 150
	BreakerReset string  `yaml:"breaker_reset" want:"one of auto, by-hand"` // auto
	// by-hand: how long it stays open, 1h
	ResetAfter time.Duration `yaml:"reset_after" want:"1m to 30d"`
}

// Duty is what is asked of the unit.
type Duty struct {
	// mon to fri; [] for none
	WorkDays []string `yaml:"work_days" want:"one of mon, tue, wed, thu, fri, sat, sun"`
	// first ignition, after midnight, 6h
	Depart time.Duration `yaml:"depart" want:"0s to 20h"`
	// a day, from and to, [8, 12]
	Stops [2]int `yaml:"stops" want:"0 to 40"`
	// ignition on, [20m, 45m]
	Drive [2]time.Duration `yaml:"drive" want:"1m to 8h"`
	// every so many days the drives are far_drive long; 0: never
	FarEvery int              `yaml:"far_every" want:"0 to 365"`
	FarDrive [2]time.Duration `yaml:"far_drive" want:"1m to 8h"` // [1h, 1h30m]
	// at a stop besides the lifting, [8m, 20m]
	Stay         [2]time.Duration `yaml:"stay" want:"1m to 8h"`
	LiftsPerStop [2]int           `yaml:"lifts_per_stop" want:"0 to 20"` // [1, 3]
	// powered runs in a lift cycle, 1
	RunsPerLift int `yaml:"runs_per_lift" want:"1 to 10"`
	// a lift to the end of travel, [8s, 14s]
	Up [2]time.Duration `yaml:"up" want:"1s to 1m"`
	// between runs, [25s, 70s]
	Gap           [2]time.Duration `yaml:"gap" want:"4s to 1h"`
	NudgesPerStop [2]int           `yaml:"nudges_per_stop" want:"0 to 20"` // [0, 2]
	Nudge         [2]time.Duration `yaml:"nudge" want:"100ms to 5s"`       // [300ms, 1s]
	// ignition stays on at stops, false
	EngineAtStops bool `yaml:"engine_at_stops"`
	BusyMonth     int  `yaml:"busy_month" want:"0 to 12"` // 0: no season
	// stops over the mean in the busy month, 0
	SeasonSwingPct float64 `yaml:"season_swing_pct" want:"0 to 90"`
	// days on which it does not go out
	Parked []Stretch `yaml:"parked" want:"0 to 400"`
}

// Stretch is a part of the run.
type Stretch struct {
	At  time.Duration `yaml:"at" want:"0s to 4000d"`
	For time.Duration `yaml:"for" want:"1s to 4000d"`
}

// Weather is the air around the battery box.
type Weather struct {
	MeanC      float64 `yaml:"mean_c" want:"-40 to 50"`     // over the year, 12
	SeasonC    float64 `yaml:"season_c" want:"0 to 40"`     // warmest day over the mean, 10
	DayC       float64 `yaml:"day_c" want:"0 to 20"`        // warmest hour over the day's mean, 5
	SpellC     float64 `yaml:"spell_c" want:"0 to 15"`      // warmer and colder days, 3
	WarmestDay int     `yaml:"warmest_day" want:"1 to 365"` // of the year, 200
}

// Power is how the monitor board is switched off while the unit stands.
type Power struct {
	AsleepA    float64       `yaml:"asleep_a" want:"0 to 1"`        // that it takes then, 0.008
	SleepAfter time.Duration `yaml:"sleep_after" want:"0s to 730d"` // parked; 0: it never sleeps
	WakeEvery  time.Duration `yaml:"wake_every" want:"4h to 30d"`   // by a timer, besides the wake line, 24h
}

// Service is when the lift wants service; zero: not watched.
type Service struct {
	LiftCycles int     `yaml:"lift_cycles" want:"0 to 1e6"`
	MotorHours float64 `yaml:"motor_hours" want:"0 to 1e5"`
}

// Fault is something that goes wrong, or is wrong from the start. Which of the values a kind needs
// is in Kinds.
type Fault struct {
	Kind    string        `yaml:"kind"`
	At      time.Duration `yaml:"at" want:"0s to 4000d"`  // since the start, 0
	For     time.Duration `yaml:"for" want:"0s to 4000d"` // 0: to the end
	Battery string        `yaml:"battery" want:"one of a, b, c, d"`
	Side    string        `yaml:"side" want:"one of positive, negative"`
	Mohm    float64       `yaml:"mohm" want:"0 to 1e6"`
	Volt    float64       `yaml:"volt" want:"13 to 40"`
	Amp     float64       `yaml:"amp" want:"0 to 1000"`
	Factor  float64       `yaml:"factor" want:"0.2 to 3"`
	Hold    time.Duration `yaml:"hold" want:"1s to 5m"`
	Aging   Aging         `yaml:"aging"`
}

// Until returns the time at which the fault ends, or the largest time if it does not.
func (f *Fault) Until() time.Duration { return until(f.At, f.For) }

func until(at, lasting time.Duration) time.Duration {
	if lasting == 0 {
		return 1<<63 - 1
	}
	return at + lasting
}

// Sensors is how the board errs. It is data only: whoever puts a board in front of the bank applies
// it.
type Sensors struct {
	// signals that this unit's board measures besides the usual ones
	Fitted []string      `yaml:"fitted" want:"one of input, control, ambient, oil, indicator"`
	Errors []SensorError `yaml:"errors" want:"0 to 64"`
	Faults []SensorFault `yaml:"faults" want:"0 to 64"`
}

// SensorError is how one channel errs all the time, in the channel's own unit (V, A or °C).
type SensorError struct {
	Channel     string  `yaml:"channel"` // see Channels; a quantity alone (voltage) stands for all batteries
	Offset      float64 `yaml:"offset" want:"-100 to 100"`
	GainPct     float64 `yaml:"gain_pct" want:"-50 to 50"` // reads so much too much
	NoiseRMS    float64 `yaml:"noise_rms" want:"0 to 100"`
	DriftPerDay float64 `yaml:"drift_per_day" want:"-10 to 10"`
	// for each K that the air in the box is over 25 °C
	OffsetPerK  float64 `yaml:"offset_per_k" want:"-1 to 1"`
	GainPctPerK float64 `yaml:"gain_pct_per_k" want:"-1 to 1"`
	WanderRMS   float64 `yaml:"wander_rms" want:"0 to 100"` // slow, over hours
}

// SensorFault is a fault of a channel, an input chip or the bus.
type SensorFault struct {
	Kind    string        `yaml:"kind"`
	At      time.Duration `yaml:"at" want:"0s to 4000d"`
	For     time.Duration `yaml:"for" want:"0s to 4000d"` // 0: to the end
	Channel string        `yaml:"channel"`
	With    string        `yaml:"with"` // the channel that it is swapped with
	// number of the input chip, in the order of the board's config
	Chip  int           `yaml:"chip" want:"0 to 3"`
	Value float64       `yaml:"value" want:"-1e4 to 1e4"` // what the kind needs, in the channel's unit
	Every time.Duration `yaml:"every" want:"1s to 1d"`    // dropouts: one this often
}

// Until returns the time at which the fault ends, or the largest time if it does not.
func (f *SensorFault) Until() time.Duration { return until(f.At, f.For) }
