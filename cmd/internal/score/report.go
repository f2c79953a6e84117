// Package score compares what a unit says with the truth of the simulated one: charge, capability,
// links and leads, findings. Every trial uses it, so that they all mean the same by an error.
package score

import (
	"cmp"
	"math"
	"slices"
	"time"

	"liftbank/rules"
	"liftbank/rules/power"
	"liftbank/rules/view"
	"liftbank/sim"
	"liftbank/sim/scenario"
)

// Report compares what the agent said of a scenario with the truth.
type Report struct {
	Scenario   string         `json:"scenario"`
	Seed       uint64         `json:"seed"`
	SimulatedS float64        `json:"simulated_s"`
	WallS      float64        `json:"wall_s,omitempty"`
	SpeedSPerS float64        `json:"simulated_s_per_s,omitempty"`
	Scans      uint64         `json:"scans"`
	Batteries  []BatteryScore `json:"batteries"`
	Capability Capability     `json:"cranking_capability"`
	Wiring     Wiring         `json:"wiring"`
	Runs       Count          `json:"motor_runs"`
	MotorS     CountS         `json:"motor_run_time_s"`
	Power      Power          `json:"power"`
	Findings   []FindingScore `json:"findings"`                  // found or due, by onset
	False      []FalseFinding `json:"false_findings"`            // raised with no condition behind them
	NotCovered []string       `json:"conditions_without_a_rule"` // true in this run, but no rule reports them
}

// Power is what the monitor's own board took.
type Power struct {
	DrawnAh     float64 `json:"drawn_ah"` // as counted
	TrueAh      float64 `json:"true_ah"`
	AwakeDays   float64 `json:"awake_days"`
	SavingDays  float64 `json:"saving_days"`
	AsleepDays  float64 `json:"asleep_days"`
	Sleeps      uint64  `json:"sleeps"`
	StandsDays  float64 `json:"stands_days,omitempty"` // as said last; left out: not known
	WithoutDays float64 `json:"stands_without_days,omitempty"`
	// lifts that the unit could truly still make at the end, at most 500
	TrueLifts float64 `json:"true_lifts_left"`
}

func powerOf(p *view.Power, u *sim.Unit, blocks int) Power {
	days := func(l power.Level) float64 { return round2(p.Spent[l].Hours() / 24) }
	const leastV, mostLifts = 9.6, 500 // at the motor's terminal, of 12 V: motor.least_v's default
	return Power{
		DrawnAh: round2(p.DrawnAh), TrueAh: round2(u.BoardAh()), AwakeDays: days(power.Awake), SavingDays: days(power.Saving),
		AsleepDays: days(power.Asleep), Sleeps: p.Sleeps, StandsDays: round2(p.Outlook.Days), WithoutDays: round2(p.Outlook.Without),
		TrueLifts: round2(u.LiftsLeft(leastV*float64(blocks), 0, mostLifts).Left),
	}
}

// BatteryScore is one battery's charge at the end, and its error over the scans at rest.
type BatteryScore struct {
	ID string `json:"id"`
	ChargeError
	LastPct float64 `json:"soc_last_pct"`
	TruePct float64 `json:"soc_true_pct"`
}

// Count is a number counted beside the true one.
type Count struct {
	Counted uint64 `json:"counted"`
	True    uint64 `json:"true"`
}

// CountS is a time counted beside the true one, in seconds.
type CountS struct {
	Counted float64 `json:"counted"`
	True    float64 `json:"true"`
}

// FindingScore is one condition that was true, with what was found. Times are seconds since the
// start.
type FindingScore struct {
	Finding   string   `json:"finding"`
	Subject   string   `json:"subject,omitempty"`
	RootCause bool     `json:"root_cause"`
	OnsetS    float64  `json:"onset_s"`
	DetectedS *float64 `json:"detected_s"` // null: not found
	DelayS    *float64 `json:"delay_s"`
	EarlyS    float64  `json:"early_s,omitempty"` // it had been found so much before its onset
	ClearedS  *float64 `json:"cleared_s,omitempty"`
}

// FalseFinding is one that was raised with no condition behind it.
type FalseFinding struct {
	Finding   string  `json:"finding"`
	Subject   string  `json:"subject,omitempty"`
	DetectedS float64 `json:"detected_s"`
	Evidence  string  `json:"evidence"`
}

// Scorer follows a unit through a run.
type Scorer struct {
	Charge   []Charge // by battery, over the scans at rest
	Findings *Findings

	scenario *scenario.Scenario
	unit     *sim.Unit
}

// New returns a scorer for a run of this length.
func New(sc *scenario.Scenario, unit *sim.Unit, length time.Duration) *Scorer {
	ids := BatteryIDs(sc)
	return &Scorer{Charge: make([]Charge, len(ids)), Findings: NewFindings(unit, ids, length), scenario: sc, unit: unit}
}

// BatteryIDs returns the batteries of a scenario's bank.
func BatteryIDs(sc *scenario.Scenario) []string {
	ids := make([]string, len(sc.Bank.Batteries))
	for i := range ids {
		ids[i] = sc.Bank.Batteries[i].ID
	}
	return ids
}

// Step takes what the rules said after a scan. fast is a scan of a motor run: it does not count for
// the charge.
func (s *Scorer) Step(now time.Duration, out *rules.Output, fast bool) {
	s.Findings.Step(now, out)
	if fast {
		return
	}
	for i := range out.Battery {
		s.Charge[i].Add(out.Battery[i].SoCPct, s.unit.SoCPct(i))
	}
}

// Report sums up the run that ended now. out is what the rules said last.
func (s *Scorer) Report(now time.Duration, out *rules.Output) *Report {
	s.Findings.Finish(out)
	truth := s.unit.Truth()
	r := &Report{
		Scenario: s.scenario.Name, Seed: s.scenario.Seed, SimulatedS: now.Seconds(),
		Runs:     Count{out.Motor.Runs, truth.MotorRuns},
		MotorS:   CountS{round3(out.Motor.RunTime.Seconds()), round3(truth.MotorRunTime.Seconds())},
		Findings: []FindingScore{}, False: []FalseFinding{}, NotCovered: []string{},
	}
	for i := range s.Charge {
		r.Batteries = append(r.Batteries, BatteryScore{
			ID: out.Battery[i].ID, ChargeError: s.Charge[i].Error(),
			LastPct: round2(out.Battery[i].SoCPct.Value), TruePct: round2(truth.Batteries[i].SoCPct),
		})
	}
	r.Power = powerOf(&out.Power, s.unit, s.scenario.Bank.BuiltFor())
	r.Capability.Add(out, s.unit)
	r.Wiring.Add(out, s.unit)
	s.addFindings(r, out)
	return r
}

// Took notes the real time that the run took.
func (r *Report) Took(wall time.Duration) {
	r.WallS, r.SpeedSPerS = round3(wall.Seconds()), math.Round(r.SimulatedS/wall.Seconds())
}

func (s *Scorer) addFindings(r *Report, out *rules.Output) {
	covered := map[string]bool{}
	for i := range out.Findings {
		covered[out.Findings[i].Def.Name] = true
	}
	for i := range s.Findings.Spans {
		span := &s.Findings.Spans[i]
		if covered[span.Finding] {
			r.Findings = append(r.Findings, span.score())
		} else if !slices.Contains(r.NotCovered, span.Finding) {
			r.NotCovered = append(r.NotCovered, span.Finding)
		}
	}
	slices.Sort(r.NotCovered)
	slices.SortStableFunc(r.Findings, func(a, b FindingScore) int { return cmp.Compare(a.OnsetS, b.OnsetS) })
	for i := range s.Findings.Raises {
		if raise := &s.Findings.Raises[i]; !raise.Behind && !raise.Before && !raise.Doubtful {
			r.False = append(r.False, falseFinding(raise))
		}
	}
}

func (s *Span) score() FindingScore {
	f := FindingScore{Finding: s.Finding, Subject: s.Subject, RootCause: s.Root, OnsetS: s.From.Seconds()}
	if s.Found >= 0 {
		at, delay := s.Found.Seconds(), s.Found.Seconds()-f.OnsetS
		f.DetectedS, f.DelayS, f.EarlyS = &at, &delay, s.Early.Seconds()
	}
	if s.Cleared >= 0 {
		at := s.Cleared.Seconds()
		f.ClearedS = &at
	}
	return f
}

func falseFinding(r *Raise) FalseFinding {
	return FalseFinding{Finding: r.Finding, Subject: r.Subject, DetectedS: r.From.Seconds(), Evidence: r.Evidence}
}
