// Package visit keeps the record of a service visit: who came when, what was looked at and
// measured, what was done, how the unit was before and after, and what remains.
//
// A visit is a draft while the technician works. Each change of it is on the disk before it is
// confirmed, so that neither a dead phone nor a killed agent loses more than what was being typed.
// Changes carry the revision that they were made from: two technicians can work on one draft, and
// where both have changed one field, both values are kept and somebody has to choose. A finished
// visit no longer changes; it is handed to an [Outlet].
//
// Work done acts on the agent through [Actions].
package visit

import (
	"context"
	"slices"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/snapshot"
)

// Schemas name the layouts of the JSON forms. Fields are only ever added within a version.
const (
	Schema      = "liftbank.visit-record.v2"
	DraftSchema = "liftbank.visit-draft.v1"
)

// Outlet receives finished visits. One that it returns an error for is offered again later.
type Outlet interface {
	Visit(v *Visit) error
}

// Actions are what a technician can make the agent do; by is the technician. Each returns when it
// is done or has failed.
type Actions interface {
	// ReplaceBattery forgets what was learned about a battery and its joints: there is another one
	// in its place.
	ReplaceBattery(ctx context.Context, battery, by string) error
	// JointCleaned forgets what was learned about links and paths.
	JointCleaned(ctx context.Context, by string) error
	// ResetService restarts the counters of a kind of service (service, filter, oil) at zero.
	ResetService(ctx context.Context, kind, by string) error

	Acknowledge(ctx context.Context, finding, subject, by string) error
	Shelve(ctx context.Context, finding, subject, by string, span time.Duration) error
	Unshelve(ctx context.Context, finding, subject, by string) error
	Note(ctx context.Context, finding, subject, by, text string) error
}

// Switch begins and ends work under way on the unit, which its findings leave alone (suppression by
// design, ISA-18.2). kind is "visit" or "switch": how it was begun. What is so already is no error.
type Switch interface {
	BeginWork(ctx context.Context, kind, by string) error
	EndWork(ctx context.Context, by string) error
}

// How work under way is begun.
const (
	ByVisit  = "visit"
	BySwitch = "switch"
)

// Visit is a finished visit. Field names carry units as those of a snapshot do.
type Visit struct {
	Schema       string        `json:"schema"`
	ID           string        `json:"id"`
	Unit         string        `json:"unit"`
	By           string        `json:"by"`
	Place        string        `json:"place,omitempty"`
	Begun        time.Time     `json:"begun"`
	Finished     time.Time     `json:"finished"`
	ClockTrusted bool          `json:"clock_trusted"` // both times are those of a clock that was set
	Start        Counters      `json:"start"`
	End          Counters      `json:"end"`
	Areas        []CheckedArea `json:"areas"`
	Readings     []Reading     `json:"readings"`
	Tests        []Test        `json:"load_tests"`
	Oil          Oil           `json:"oil"`
	Work         []Work        `json:"work"`
	Before       Figures       `json:"before"`
	After        Figures       `json:"after"`
	Findings     []Remaining   `json:"findings"`        // that stand at the end
	Found        []Remaining   `json:"found,omitempty"` // that stood at the beginning
	Cells        []Cells       `json:"cells,omitempty"` // by hydrometer
	Order        Order         `json:"order,omitzero"`
	Passports    []Labeled     `json:"passports,omitempty"` // of the batteries at the end
	// work since each kind of service, and when the next is due
	Services  []snapshot.SinceService `json:"services,omitempty"`
	Note      string                  `json:"note,omitempty"`
	Revision  int                     `json:"revision"`
	Photos    []Photo                 `json:"photos,omitempty"`    // named here, kept on the unit, never sent
	Shortened bool                    `json:"shortened,omitempty"` // to be sent: the unit has it whole
}

// Counters is how much the lift has worked.
type Counters struct {
	LiftCycles uint64  `json:"lift_cycles"`
	Runs       uint64  `json:"runs"`
	MotorTimeS float64 `json:"motor_time_s"`
	// what an old counter or a former board had before, which is to be added
	Before *snapshot.Before `json:"before,omitempty"`
}

// Totals returns the counts of the lift's life, as far as they are known.
func (c *Counters) Totals() (liftCycles, runs uint64, motorTimeS float64) {
	m := snapshot.Motor{LiftCycles: c.LiftCycles, Runs: c.Runs, RunTimeS: c.MotorTimeS, Before: c.Before}
	return m.Totals()
}

// CheckedArea is a part of the lift as found.
type CheckedArea struct {
	ID     string        `json:"id"`
	Title  string        `json:"title"`
	Items  []CheckedItem `json:"items"`
	Note   string        `json:"note,omitempty"`
	Photos []string      `json:"photos,omitempty"` // names
}

// CheckedItem is one thing as found.
type CheckedItem struct {
	ID      string `json:"id"`
	Text    string `json:"text"`
	State   string `json:"state"` // ok, attention, not-applicable, not-checked
	Note    string `json:"note,omitempty"`
	Reading string `json:"reading,omitempty"`
	Unit    string `json:"unit,omitempty"`
	Photo   string `json:"photo,omitempty"` // where to find it

	Value    *float64 `json:"value,omitempty"`     // the reading, where it is a number with a unit
	LimitMin *float64 `json:"limit_min,omitempty"` // from the maker's manual or the configuration
	LimitMax *float64 `json:"limit_max,omitempty"`
	Judged   string   `json:"judged,omitempty"` // within, below, above: the reading against its limits
	Photos   []string `json:"photos,omitempty"` // names
}

// Reading is a figure of the technician's own meter beside the agent's of the same moment.
type Reading struct {
	Subject string    `json:"subject"` // battery, feed or motor
	Figure  string    `json:"figure"`  // voltage_v, current_a, temperature_c
	Value   float64   `json:"value"`
	Unit    string    `json:"unit"`
	Agent   *float64  `json:"agent"` // null: not known then
	At      time.Time `json:"at"`
}

// Test is a load test of one battery beside what the agent has learned about it.
type Test struct {
	Battery             string   `json:"battery"`
	Method              string   `json:"method,omitempty"`
	LoadA               *float64 `json:"load_a"`
	AfterS              *float64 `json:"after_s"`
	VoltageV            *float64 `json:"voltage_v"`
	CrankingA           *float64 `json:"cranking_a"`
	ResistanceMohm      *float64 `json:"resistance_mohm"`
	AgentCrankingA      *float64 `json:"agent_cranking_a"`
	AgentResistanceMohm *float64 `json:"agent_resistance_mohm"`
	Tested
}

// Oil is the level in the tank; it means something only with the platform's position.
type Oil struct {
	Level    string `json:"level,omitempty"`
	Position string `json:"position,omitempty"`
	Note     string `json:"note,omitempty"`
	// The position that the maker's manual wants it read in.
	WantedPosition string `json:"wanted_position,omitempty"`
}

// Work is something done to the unit.
type Work struct {
	ID      string    `json:"id"` // of the form it came with, so that a form sent twice does it once
	At      time.Time `json:"at"`
	Kind    string    `json:"kind"`
	Subject string    `json:"subject,omitempty"` // battery
	Note    string    `json:"note,omitempty"`
	By      string    `json:"by,omitempty"`
	Acted   bool      `json:"acted"`           // the agent has taken it up
	Error   string    `json:"error,omitempty"` // why it hasn't
	// Of a replaced battery: what came in, what came out, and when that was undone.
	Fitted     *Fitted           `json:"fitted,omitempty"`
	Calibrated *calibrate.Record `json:"calibrated,omitempty"` // of a channel: what it rests on, and by how much
	Removed    *Removed          `json:"removed,omitempty"`
	TakenBack  *time.Time        `json:"taken_back,omitempty"`
	Setting    *Setting          `json:"setting,omitempty"` // that was changed
}

// Kinds of work, in the order they are offered.
const (
	BatteryReplaced = "battery-replaced"
	JointCleaned    = "joint-cleaned"
	CableReplaced   = "cable-replaced"
	FilterChanged   = "filter-changed"
	OilChanged      = "oil-changed"
	ServiceDone     = "service-done"
	OtherWork       = "other"
	ChannelCompared = "channel-compared" // with the technician's meter; the note has the correction
	// ChannelCalibrated is a correction that was applied, or taken back, on the page of calibration.
	ChannelCalibrated = "channel-calibrated"
	SettingChanged    = "setting-changed" // on the page of settings, where it is undone too
)

// WorkKinds are those that a form can have.
var WorkKinds = []string{
	BatteryReplaced, JointCleaned, CableReplaced, FilterChanged, OilChanged, ServiceDone, OtherWork, ChannelCompared,
	ChannelCalibrated,
}

// Figures is the state of the unit at one moment, as a report sets it side by side.
type Figures struct {
	At        time.Time        `json:"at"`
	Batteries []BatteryFigures `json:"batteries"`
	Strings   []StringFigures  `json:"strings,omitempty"` // batteries in series
	Links     []LinkFigures    `json:"links"`
	FeedV     *float64         `json:"feed_v"`
	FeedMohm  *float64         `json:"feed_path_mohm"`
	MotorMohm *float64         `json:"motor_path_mohm"`
	// Standard uncertainties, and what the bank can still do.
	FeedSigmaMohm  *float64 `json:"feed_path_sigma_mohm,omitempty"`
	MotorSigmaMohm *float64 `json:"motor_path_sigma_mohm,omitempty"`
	LiftsLeft      *float64 `json:"lifts_left,omitempty"`
	LiftsSigma     *float64 `json:"lifts_left_sigma,omitempty"`
}

// BatteryFigures is one battery.
type BatteryFigures struct {
	ID             string   `json:"id"`
	VoltageV       *float64 `json:"voltage_v"`
	RestedV        *float64 `json:"rested_v"`
	SoCPct         *float64 `json:"soc_pct"`
	ResistanceMohm *float64 `json:"resistance_mohm"`
	CrankingA      *float64 `json:"cranking_a"`
	CapacityAh     *float64 `json:"capacity_ah"`
	Verdict        string   `json:"verdict"`
	Sigmas         *Sigmas  `json:"sigmas,omitempty"`
}

// Sigmas are the standard uncertainties of a battery's figures.
type Sigmas struct {
	RestedV        *float64 `json:"rested_v"`
	SoCPct         *float64 `json:"soc_pct"`
	ResistanceMohm *float64 `json:"resistance_mohm"`
	CrankingA      *float64 `json:"cranking_a"`
	CapacityAh     *float64 `json:"capacity_ah"`
}

// StringFigures is batteries in series: how much more the upper one has than the lower.
type StringFigures struct {
	From        string   `json:"from"` // battery at the minus end
	To          string   `json:"to"`   // and at the plus end
	RestDiffV   *float64 `json:"rest_diff_v"`
	RestSigmaV  *float64 `json:"rest_sigma_v"`
	HeldDiffV   *float64 `json:"held_diff_v"`
	HeldSigmaV  *float64 `json:"held_sigma_v"`
	SpreadPct   *float64 `json:"spread_pct"` // charge of the fuller less that of the emptier
	SpreadSigma *float64 `json:"spread_sigma_pct"`
}

// LinkFigures is one patch cable.
type LinkFigures struct {
	Side           string   `json:"side"`
	From           string   `json:"from"`
	To             string   `json:"to"`
	ResistanceMohm *float64 `json:"resistance_mohm"`
	SigmaMohm      *float64 `json:"sigma_mohm,omitempty"`
}

// Remaining is a finding that is active at the end of a visit.
type Remaining struct {
	Name      string   `json:"name"`
	Subject   string   `json:"subject,omitempty"`
	Severity  string   `json:"severity"`
	State     string   `json:"state"`
	Title     string   `json:"title,omitempty"`
	Summary   string   `json:"summary"`
	NextCheck []string `json:"next_check"` // step by step

	AckBy        string            `json:"acknowledged_by,omitempty"`
	AckAt        *time.Time        `json:"acknowledged_at,omitempty"`
	ShelvedBy    string            `json:"shelved_by,omitempty"`
	ShelvedUntil *time.Time        `json:"shelved_until,omitempty"`
	OutBy        string            `json:"out_of_service_by,omitempty"`
	Remarks      []snapshot.Remark `json:"remarks,omitempty"`
}

// handledAs notes what people have done about the finding and written on it.
func (r *Remaining) handledAs(f *snapshot.Finding) {
	r.AckBy, r.AckAt, r.ShelvedBy, r.ShelvedUntil, r.OutBy = f.AckBy, f.AckAt, f.ShelvedBy, f.ShelvedUntil, f.OutBy
	r.Remarks = f.Remarks
}

// foundOf returns what stood at the beginning, with what has been said of it since.
func foundOf(found []Remaining, s *snapshot.Snapshot) []Remaining {
	if s == nil {
		return found
	}
	found = slices.Clone(found)
	for i := range found {
		k := slices.IndexFunc(s.Findings, func(f snapshot.Finding) bool {
			return f.Name == found[i].Name && f.Subject == found[i].Subject
		})
		if k >= 0 {
			found[i].handledAs(&s.Findings[k])
		}
	}
	return found
}

// figuresOf returns what a report needs from a snapshot, nothing for nil.
func figuresOf(s *snapshot.Snapshot) Figures {
	f := Figures{Batteries: []BatteryFigures{}, Links: []LinkFigures{}}
	if s == nil {
		return f
	}
	f.At, f.FeedV, f.FeedMohm, f.MotorMohm = s.At, s.Feed.VoltageV, s.Feed.PathMohm.Value, s.Motor.PathMohm.Value
	f.FeedSigmaMohm, f.MotorSigmaMohm = s.Feed.PathMohm.Sigma, s.Motor.PathMohm.Sigma
	f.LiftsLeft, f.LiftsSigma = s.Bank.LiftsLeft.Value, s.Bank.LiftsLeft.Sigma
	for _, b := range s.Batteries {
		f.Batteries = append(f.Batteries, BatteryFigures{
			ID: b.ID, VoltageV: b.VoltageV, RestedV: b.RestedV.Value, SoCPct: b.SoCPct.Value,
			ResistanceMohm: b.ResistanceMohm.Value,
			CrankingA:      b.CrankingA.Value, CapacityAh: b.CapacityAh.Value, Verdict: b.Verdict,
			Sigmas: &Sigmas{
				RestedV: b.RestedV.Sigma, SoCPct: b.SoCPct.Sigma, ResistanceMohm: b.ResistanceMohm.Sigma,
				CrankingA: b.CrankingA.Sigma, CapacityAh: b.CapacityAh.Sigma,
			},
		})
	}
	for _, st := range s.Strings {
		f.Strings = append(f.Strings, StringFigures{
			From: st.From, To: st.To, RestDiffV: st.RestDiffV.Value, RestSigmaV: st.RestDiffV.Sigma,
			HeldDiffV: st.HeldDiffV.Value, HeldSigmaV: st.HeldDiffV.Sigma,
			SpreadPct: st.SpreadPct.Value, SpreadSigma: st.SpreadPct.Sigma,
		})
	}
	for _, l := range s.Links {
		f.Links = append(f.Links, LinkFigures{
			Side: l.Side, From: l.From, To: l.To, ResistanceMohm: l.ResistanceMohm.Value, SigmaMohm: l.ResistanceMohm.Sigma,
		})
	}
	return f
}

func countersOf(s *snapshot.Snapshot) Counters {
	if s == nil {
		return Counters{}
	}
	return Counters{LiftCycles: s.Motor.LiftCycles, Runs: s.Motor.Runs, MotorTimeS: s.Motor.RunTimeS, Before: s.Motor.Before}
}

func remainingOf(s *snapshot.Snapshot) []Remaining {
	out := []Remaining{}
	if s == nil {
		return out
	}
	for i := range s.Findings {
		if f := &s.Findings[i]; f.Active { // one that is over does not remain, seen or not
			r := Remaining{
				Name: f.Name, Subject: f.Subject, Severity: f.Severity, State: f.State, Title: f.Title,
				Summary: f.Summary, NextCheck: f.NextCheck,
			}
			r.handledAs(f)
			out = append(out, r)
		}
	}
	return out
}

// AgentFigure returns the agent's figure for a field of the technician, nil if it has none.
func AgentFigure(s *snapshot.Snapshot, subject, figure string) *float64 {
	if s == nil {
		return nil
	}
	switch subject + " " + figure {
	case "bank voltage_v":
		return s.Bank.VoltageV
	case "feed voltage_v":
		return s.Feed.VoltageV
	case "motor voltage_v":
		return s.Motor.VoltageV
	case "motor current_a":
		if a := s.Bank.CurrentA; a != nil && s.Motor.Running {
			drawn := -*a
			return &drawn
		}
		return nil
	}
	i := s.Index(subject)
	if i < 0 {
		return nil
	}
	b := &s.Batteries[i]
	switch figure {
	case "voltage_v":
		return b.VoltageV
	case "current_a":
		return b.CurrentA
	case "temperature_c":
		return b.TempC
	case "cranking_a":
		return b.CrankingA.Value
	case "resistance_mohm":
		return b.ResistanceMohm.Value
	}
	return nil
}
