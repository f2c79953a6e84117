// Package snapshot holds the one type that everything shown, sent or scraped is read from, so that
// the page, MQTT, the metrics and a report cannot disagree.
//
// Figures are rounded once, when a snapshot is built. A nil pointer is an unknown figure: JSON
// null, no metric sample, a dash on the page. A snapshot is immutable once it is handed on.
package snapshot

import "time"

// Schema names the layout of the JSON form. Fields are only ever added within a version.
const Schema = "liftbank.snapshot.v2"

// Snapshot is the state of one unit at one moment. Field names carry their units: _v volt, _a
// ampere, _ah ampere hour, _wh watt hour, _c °C, _mohm milliohm, _s second, _pct percent. Current
// into a battery is positive.
type Snapshot struct {
	Schema       string      `json:"schema"`
	Unit         string      `json:"unit"`
	Session      string      `json:"session"` // one start of the agent; sequence numbers count within it
	Seq          uint64      `json:"seq"`
	At           time.Time   `json:"at"` // UTC
	ClockTrusted bool        `json:"clock_trusted"`
	UptimeS      float64     `json:"uptime_s"` // of the unit's clock, since the agent started
	Scan         Scan        `json:"scan"`
	Bank         Bank        `json:"bank"`
	Batteries    []Battery   `json:"batteries"`
	Strings      []String    `json:"strings,omitempty"` // of a bank in series; left out in parallel
	Links        []Link      `json:"links"`
	Motor        Motor       `json:"motor"`
	Feed         Feed        `json:"feed"`
	Findings     []Finding   `json:"findings"`   // worst first
	NotJudged    []NotJudged `json:"not_judged"` // findings that can't be judged, with the reason
	// findings that this unit is watched for and not every unit, by signals that not every unit has
	OptionalFindings []string `json:"optional_findings,omitempty"`
	// so many findings came at once that only urgent ones are told one by one
	Flood bool `json:"flood,omitempty"`
	// somebody works on the unit: until it ends, findings stay as they are and nothing is learned
	Work     *UnderWay `json:"work,omitempty"`
	Power    *Power    `json:"power,omitempty"` // what the monitor's own board draws; left out by older units
	Channels []Channel `json:"channels"`
	Chips    []Chip    `json:"chips"`
	Outlets  []Outlet  `json:"outlets,omitempty"` // where results are sent
	// what is wrong with the monitor itself; measuring goes on
	Troubles []Trouble `json:"troubles,omitempty"`
}

// UnderWay is work under way: somebody works on the unit.
type UnderWay struct {
	Since time.Time `json:"since"`
	By    string    `json:"by"`
	Ends  time.Time `json:"ends"` // by itself, if nobody ends it before
	Kind  string    `json:"kind"` // visit or switch: how it was begun
}

// Power is what the monitor's own board draws, and why.
type Power struct {
	Level   string    `json:"level"` // awake; saving: scans slower, radio on by the hour; asleep: about to be switched off
	Since   time.Time `json:"since"`
	Why     *Text     `json:"why,omitempty"`
	DrawA   float64   `json:"draw_a"`   // at this level, by the configuration
	ParkedS float64   `json:"parked_s"` // since motor, wake line or feed was on
	DrawnAh float64   `json:"drawn_ah"` // by the board since then
	// of the bank's capacity
	DrawnPct float64 `json:"drawn_pct"`
	TotalAh  float64 `json:"total_ah"` // by the board since counting began
	AwakeS   float64 `json:"awake_s"`  // since counting began
	SavingS  float64 `json:"saving_s"`
	AsleepS  float64 `json:"asleep_s"`
	Sleeps   uint64  `json:"sleeps"`
	// parked as now, until the bank is too low for a lift, up to 365 days; null: not known
	StandsDays *float64 `json:"stands_days"`
	// the same if there were no monitor
	StandsWithoutDays *float64 `json:"stands_without_days"`
	// the board is to be switched off; nothing is measured until it is woken
	Asleep *Asleep `json:"asleep,omitempty"`
	// what was to be said before the last sleep did not get out in time
	LateWord bool `json:"late_word,omitempty"`
}

// Asleep is a board that is switched off on purpose.
type Asleep struct {
	Since time.Time  `json:"since"`
	Until *time.Time `json:"until,omitempty"` // a timer wakes it; left out: only the wake line does
	Line  bool       `json:"wake_line"`       // the wake line wakes it
	Why   Text       `json:"why"`
}

// Trouble is what is wrong with one part of the monitor itself.
type Trouble struct {
	Part    string `json:"part"`    // bus, metrics, outlet, page, pin, power, recording, set-aside, settings, state, store or visits
	Problem string `json:"problem"` // in English
}

// Outlet is one way in which results are sent.
type Outlet struct {
	Name      string `json:"name"`      // mqtt
	Connected bool   `json:"connected"` // the receiver can be reached
	Problem   string `json:"problem,omitempty"`
}

// Scan is how the reading itself goes.
type Scan struct {
	Count    uint64  `json:"count"`
	Fast     bool    `json:"fast"` // true while the motor runs
	TookS    float64 `json:"took_s"`
	Overruns uint64  `json:"overruns"` // scans begun later than they were due
}

// Estimate is a figure with its standard uncertainty; both are nil when unknown.
type Estimate struct {
	Value *float64 `json:"value"`
	Sigma *float64 `json:"sigma"`
}

// Bank is the batteries together.
type Bank struct {
	// how the batteries are joined: parallel, series or series-pairs; left out by older units: parallel
	Layout string `json:"layout,omitempty"`
	// that batteries are of different kinds or ages is said by the configuration, or by who put them in
	MixedKnown bool    `json:"mixed_known,omitempty"`
	Mixed      []Mixed `json:"mixed,omitempty"` // in which way batteries differ from the first; left out: they are alike

	VoltageV        *float64 `json:"voltage_v"`
	CurrentA        *float64 `json:"current_a"`
	SoCPct          Estimate `json:"soc_pct"`
	SpreadPct       Estimate `json:"spread_pct"`
	ResistanceRatio Estimate `json:"resistance_ratio"` // largest over smallest of the batteries
	FullCycles      float64  `json:"full_cycles"`      // charge drawn over the rated capacity
	RestedV         Estimate `json:"rested_v"`         // at 25 °C
	Rested          bool     `json:"rested"`
	// outside of the batteries' box; left out where it is not measured
	AmbientC     *float64 `json:"ambient_c,omitempty"`
	ChargedAh    float64  `json:"charged_ah"`
	DrawnAh      float64  `json:"drawn_ah"`
	ChargedWh    float64  `json:"charged_wh"`
	DrawnWh      float64  `json:"drawn_wh"`
	SinceFullS   *float64 `json:"since_full_s"`
	LiftsLeft    Estimate `json:"lifts_left"`               // lifts of this unit's kind, with the feed off
	LiftsWaitFor *Text    `json:"lifts_wait_for,omitempty"` // what lifts_left waits for
	TimeToFullS  Estimate `json:"time_to_full_s"`           // at the present feed
	// what time_to_full_s waits for, or why the feed can't fill the bank
	FullWaitsFor *Text    `json:"full_waits_for,omitempty"`
	CirculatingA Estimate `json:"circulating_a"`
	ParkedDrawA  Estimate `json:"parked_draw_a"` // with nothing on, the board included; learned while parked for weeks
	MotorLeads   string   `json:"motor_leads"`   // diagonal, same-post, between (any other) or unknown
	FeedLeads    string   `json:"feed_leads"`
	MotorLeadsAt *Leads   `json:"motor_leads_at,omitempty"` // nil: can't be located
	FeedLeadsAt  *Leads   `json:"feed_leads_at,omitempty"`
}

// Mixed is one way in which a battery differs from the first of its bank.
type Mixed struct {
	Battery string   `json:"battery"`
	From    string   `json:"from"`
	What    string   `json:"what"`                  // chemistry, rated_ah, rated_cca or age
	Series  bool     `json:"in_series,omitempty"`   // the two are in one string: one current goes through both
	Older   string   `json:"older,omitempty"`       // of different age, which battery is
	Years   *float64 `json:"years_apart,omitempty"` // and by how much
}

// Leads is on which batteries a pair of leads sits; empty is one that can't be told.
type Leads struct {
	Positive string `json:"positive,omitempty"`
	Negative string `json:"negative,omitempty"`
}

// Link is one patch cable between two batteries' posts, its lugs included.
type Link struct {
	Side           string   `json:"side"` // positive, negative, or middle: from the battery below to the one that stands on it
	From           string   `json:"from"` // battery
	To             string   `json:"to"`
	ResistanceMohm Estimate `json:"resistance_mohm"`
	// through it: positive for a charge current from From's side; nil: not known
	CurrentA *float64 `json:"current_a"`
	DropV    *float64 `json:"drop_v"` // over it, in the same direction
	// as the last scan shows it; nil: not known, or less than 5 A flow
	NowMohm *float64 `json:"resistance_now_mohm"`
}

// Battery is one 12 V block.
type Battery struct {
	ID        string  `json:"id"`
	Chemistry string  `json:"chemistry"`
	RatedAh   float64 `json:"rated_ah"`
	RatedCCA  float64 `json:"rated_cca_a"`
	// who says chemistry and ratings: a technician, by the label of the battery that was put in; left
	// out: the configuration
	RatingsFrom    string    `json:"ratings_from,omitempty"`
	Passport       *Passport `json:"passport,omitempty"` // nil: nothing is known of it
	VoltageV       *float64  `json:"voltage_v"`          // of one that stands on another: over that one's positive post
	CurrentA       *float64  `json:"current_a"`          // of a string: that of all its batteries
	TempC          *float64  `json:"temperature_c"`
	SoCPct         Estimate  `json:"soc_pct"`
	RestedV        Estimate  `json:"rested_v"` // at 25 °C
	ResistanceMohm Estimate  `json:"resistance_mohm"`
	CrankingA      Estimate  `json:"cranking_a"`
	CapacityAh     Estimate  `json:"capacity_ah"`           // 20 h rate; learned from deep swings only
	HealthPct      Estimate  `json:"health_pct"`            // present full capacity over rated
	TrendMohm      Estimate  `json:"resistance_trend_mohm"` // of the resistance, per 100 runs
	Verdict        string    `json:"verdict"`
	WaitsFor       *Text     `json:"waits_for,omitempty"` // what the verdict still needs
	ChargedAh      float64   `json:"charged_ah"`
	DrawnAh        float64   `json:"drawn_ah"`
	DrawSharePct   Estimate  `json:"discharge_share_pct"` // of the bank's, in parallel; of strings, see there
	ChargeSharePct Estimate  `json:"charge_share_pct"`
}

// Passport is what tells one battery from another of its kind. All of it is as somebody at the unit
// wrote it, and each part may be empty.
type Passport struct {
	Place         string `json:"place,omitempty"` // where it is: street side, front
	Make          string `json:"make,omitempty"`  // maker and type
	Serial        string `json:"serial,omitempty"`
	DateCode      string `json:"date_code,omitempty"`      // as it is on the label
	Made          string `json:"made,omitempty"`           // what the date code says where that is certain: 2025-08, 2025-08-14 or 2025-W33
	Installed     string `json:"installed,omitempty"`      // 2025-10-16 or 2025-10
	WarrantyUntil string `json:"warranty_until,omitempty"` // 2028-10-16 or 2028-10
}

// Motor is the pump motor's work.
type Motor struct {
	Running    bool           `json:"running"`
	Runs       uint64         `json:"runs"`
	RunTimeS   float64        `json:"run_time_s"`
	LiftCycles uint64         `json:"lift_cycles"`
	Since      []SinceService `json:"since"`     // work since each kind of service
	VoltageV   *float64       `json:"voltage_v"` // at the motor terminal
	Command    *bool          `json:"command"`   // contactor coil
	// behind the breaker of the lift's controls; left out where it is not measured
	ControlV *float64 `json:"control_voltage_v,omitempty"`
	// oil at the pump; left out where it is not measured
	OilBar   *float64 `json:"oil_pressure_bar,omitempty"`
	PathMohm Estimate `json:"path_mohm"` // bank's positive post to the motor's terminal
	// over that path in the last scan; nil: not known, or less than 5 A flow out of the bank
	PathDropV   *float64 `json:"path_drop_v"`
	PathNowMohm *float64 `json:"path_now_mohm"` // its resistance as that scan shows it
	LiftAh      Estimate `json:"lift_ah"`       // charge that a lift takes
	LiftWh      Estimate `json:"lift_wh"`       // energy that a lift takes
	LastRun     *Run     `json:"last_run"`
	// what an old counter or a former board had when this one began; totals are the sum of both
	Before *Before `json:"before,omitempty"`
}

// Before is what had been counted before this board began.
type Before struct {
	LiftCycles uint64  `json:"lift_cycles"`
	Runs       uint64  `json:"runs"`
	RunTimeS   float64 `json:"run_time_s"`
	From       string  `json:"from,omitempty"` // what had counted it
}

// Totals returns the counts of the lift's life, as far as they are known.
func (m *Motor) Totals() (liftCycles, runs uint64, runTimeS float64) {
	liftCycles, runs, runTimeS = m.LiftCycles, m.Runs, m.RunTimeS
	if b := m.Before; b != nil {
		liftCycles, runs, runTimeS = liftCycles+b.LiftCycles, runs+b.Runs, runTimeS+b.RunTimeS
	}
	return liftCycles, runs, runTimeS
}

// SinceService is the work since a service of one kind was done, or since counting began.
type SinceService struct {
	Kind       string  `json:"kind"` // service, filter or oil
	LiftCycles uint64  `json:"lift_cycles"`
	RunTimeS   float64 `json:"run_time_s"`
	// by the calendar; absent without the time of day, of then and of now
	Days *float64 `json:"days,omitempty"`
	// the intervals that are set, from the maker's manual
	DueLiftCycles *uint64  `json:"due_lift_cycles,omitempty"`
	DueRunTimeS   *float64 `json:"due_run_time_s,omitempty"`
	DueDays       *float64 `json:"due_days,omitempty"`
	// when it is due, by what comes first at the usual duty; absent while that is not known
	NextBy string `json:"next_by,omitempty"` // lift-cycles, motor-hours or days
	NextOn string `json:"next_on,omitempty"` // the day, as 2027-03-12; that of the snapshot where it is due
}

// Run is one motor run.
type Run struct {
	Number    uint64    `json:"number"`
	Start     time.Time `json:"start"`
	DurationS float64   `json:"duration_s"`
	ByCommand bool      `json:"by_command"`
	PeakA     float64   `json:"peak_a"`
	MeanA     float64   `json:"mean_a"`
	MinBankV  float64   `json:"min_bank_v"`
	DrawnAh   float64   `json:"drawn_ah"`
	// Batteries is what each battery did at the start of the run: the load test in it. Of the last
	// run only, of those that were read.
	Batteries []RunBattery `json:"batteries,omitempty"`
}

// RunBattery is one battery's step from rest into a run.
type RunBattery struct {
	Battery  string  `json:"battery"`
	StepV    float64 `json:"step_v"` // negative: it fell
	StepA    float64 `json:"step_a"` // negative: it gives
	DropMohm float64 `json:"drop_mohm"`
}

// Feed is the charger's side.
type Feed struct {
	Status   string    `json:"status"`
	Since    time.Time `json:"since"`
	VoltageV *float64  `json:"voltage_v"` // ahead of the charge breaker
	// ahead of the converter, from the tractor; left out where it is not measured
	InputV   *float64 `json:"input_v,omitempty"`
	WakeLine *bool    `json:"wake_line"`
	// the charging lamp's line is live, behind its fuse; left out where it is not wired
	IndicatorLine    *bool    `json:"indicator_line,omitempty"`
	DisconnectClosed *bool    `json:"disconnect_closed"`
	WakeTimeS        float64  `json:"wake_time_s"`
	FeedTimeS        float64  `json:"feed_time_s"`
	PathMohm         Estimate `json:"path_mohm"` // converter to the bank's positive post
	// over that path in the last scan; nil: not known, or less than 5 A flow into the bank
	PathDropV   *float64 `json:"path_drop_v"`
	PathNowMohm *float64 `json:"path_now_mohm"` // its resistance as that scan shows it
}

// Finding is a named condition with its evidence and the next check.
type Finding struct {
	Name      string     `json:"name"`
	Subject   string     `json:"subject,omitempty"` // battery or channel; empty for the unit
	Severity  string     `json:"severity"`          // note, repair, urgent
	State     string     `json:"state"`             // of the alarm life cycle of ISA-18.2 / IEC 62682
	Since     time.Time  `json:"since"`
	Title     string     `json:"title"`
	Summary   string     `json:"summary"`
	Evidence  []Evidence `json:"evidence"`
	Causes    []Cause    `json:"causes"`     // most likely first
	NextCheck []string   `json:"next_check"` // step by step
	Clears    string     `json:"clears"`

	// number of its last change, over all of the unit's findings and restarts
	Seq uint64 `json:"seq"`
	// in a message: what happened, such as raised or acknowledged
	Change       string     `json:"change,omitempty"`
	Muted        bool       `json:"muted,omitempty"`        // in a message: nobody is to be called for it
	Active       bool       `json:"active"`                 // the condition holds now, shelved or not
	RaisedAt     *time.Time `json:"raised_at,omitempty"`    // when its last episode began
	Times        uint32     `json:"times"`                  // how often it was raised
	CausedBy     string     `json:"caused_by,omitempty"`    // name of the finding that explains this one
	CausedByOf   string     `json:"caused_by_of,omitempty"` // and its subject
	AckBy        string     `json:"acknowledged_by,omitempty"`
	AckAt        *time.Time `json:"acknowledged_at,omitempty"`
	ShelvedBy    string     `json:"shelved_by,omitempty"`
	ShelvedUntil *time.Time `json:"shelved_until,omitempty"`
	OutBy        string     `json:"out_of_service_by,omitempty"`
	Remarks      []Remark   `json:"remarks,omitempty"`
	Because      *Text      `json:"not_judged_because,omitempty"` // why it can't be judged now; it then stays as it was
}

// Remark is what somebody wrote to a finding.
type Remark struct {
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Text string    `json:"text"`
}

// Text is something the rules say: its ID, by which it is translated, and its English.
type Text struct {
	ID      string `json:"id"`
	English string `json:"text"`
}

// Cause is a likely cause, with the reason where the evidence points to it.
type Cause struct {
	Cause  Text  `json:"cause"`
	Reason *Text `json:"reason,omitempty"`
}

// Evidence is one number behind a finding, or words or a battery in place of one.
type Evidence struct {
	What    Text      `json:"what"`
	Value   float64   `json:"value"`
	Unit    string    `json:"unit"`
	Words   *Text     `json:"words,omitempty"`   // instead of a number
	Battery string    `json:"battery,omitempty"` // instead of a number
	At      time.Time `json:"at"`
}

// NotJudged is a finding that can't be judged now.
type NotJudged struct {
	Name    string `json:"name"`
	Subject string `json:"subject,omitempty"`
	Because Text   `json:"because"`
	// How many there are of what it waits for, such as 12 of 20 motor runs; want is 0 where it can't
	// be counted.
	Have int `json:"have,omitempty"`
	Want int `json:"want,omitempty"`
}

// Channel is one analog input as read last.
type Channel struct {
	Name     string   `json:"name"`
	Value    *float64 `json:"value"`
	Unit     string   `json:"unit"`
	Quality  Text     `json:"quality"`
	Rejected uint64   `json:"rejected"` // readings that could not be used, since start
	// how it is corrected; without, as its scale has it
	Calibration *Calibration `json:"calibration,omitempty"`
}

// Calibration is the correction of a channel: (value + offset) x gain.
type Calibration struct {
	Offset float64    `json:"offset"`           // in the channel's unit
	Gain   float64    `json:"gain"`             // 0.5 to 2
	From   string     `json:"from"`             // configuration or technician
	By     string     `json:"by,omitempty"`     // who signed it
	At     *time.Time `json:"at,omitempty"`     // when
	ZeroU  *float64   `json:"zero_u,omitempty"` // uncertainty of the channel at 0 then, 95 %, in its unit
	GainU  *float64   `json:"gain_u,omitempty"` // of the gain, 95 %, as a share
	// by how much it has moved since, in its unit: the zero of a current sensor, a tap against the mean of all
	Moved Estimate `json:"moved,omitzero"`
}

// Chip is one input chip on the bus.
type Chip struct {
	Name      string `json:"name"`
	Address   uint16 `json:"address"`
	Answering bool   `json:"answering"`
	Errors    uint64 `json:"errors"`  // failed transfers, retries included
	Retries   uint64 `json:"retries"` // transfers tried again
}

// String is batteries in series, through which one current goes.
type String struct {
	From     string   `json:"from"` // battery at its minus end
	To       string   `json:"to"`   // and at its plus end
	VoltageV *float64 `json:"voltage_v"`
	CurrentA *float64 `json:"current_a"`
	// How much more the upper battery has than the lower.
	RestDiffV Estimate `json:"rest_diff_v"`
	HeldDiffV Estimate `json:"held_diff_v"`       // at the end of a charge
	RunDiffV  Estimate `json:"run_diff_v"`        // in motor runs
	SpreadPct Estimate `json:"spread_pct"`        // charge of the fuller battery less that of the emptier
	Weakest   string   `json:"weakest,omitempty"` // battery that will be empty first; left out: not known
	// of the bank's, where there are two strings
	DrawSharePct   Estimate `json:"discharge_share_pct"`
	ChargeSharePct Estimate `json:"charge_share_pct"`
}
