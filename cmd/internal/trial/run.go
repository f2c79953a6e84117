package trial

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/rules"
	"liftbank/sim/curve"
	"liftbank/sim/scenario"
)

// Options say how a scenario is run.
type Options struct {
	Days       float64              // 0: as the scenario says
	RestEvery  time.Duration        // between scans while the motor stands; 0: one second
	Coarse     time.Duration        // by so much rarer are scans while nothing happens at all, and ticks of the unit so long; a part of a minute
	ThroughBus bool                 // every reading byte by byte over the emulated bus
	NoCommand  bool                 // the contactor coil is not wired
	Restarts   Restarts             // the agent loses power now and then
	Jumps      []ClockJump          // the wall clock is wrong now and then
	Curve      io.Writer            // gets the sensors' readings, one row a battery and scan at rest, with the true charge; nil for none
	Trace      *Trace               // gets the course of the run, for drawing; nil for none
	Elapsed    func() time.Duration // real time since the start, for the report; nil leaves it out
}

// Report compares what the agent made of a scenario with the truth.
type Report struct {
	Scenario   string         `json:"scenario"`
	Seed       uint64         `json:"seed"`
	SimulatedS float64        `json:"simulated_s"`
	WallS      float64        `json:"wall_s,omitempty"`
	SpeedSPerS float64        `json:"simulated_s_per_s,omitempty"`
	Scans      uint64         `json:"scans"`
	Batteries  []BatteryScore `json:"batteries"`
	Runs       Count          `json:"motor_runs"`
	MotorS     CountS         `json:"motor_run_time_s"`
	Findings   []FindingScore `json:"findings"`                  // detected or due, by onset
	False      []FalseFinding `json:"false_findings"`            // raised without a condition behind them
	NotCovered []string       `json:"conditions_without_a_rule"` // true in this run, but nothing is made of them yet
}

// BatteryScore is the error of the charge against the truth, in percentage points, over the scans at which it was said.
type BatteryScore struct {
	ID        string  `json:"id"`
	KnownPct  float64 `json:"known_pct"` // share of the scans at rest with a charge said
	RMSPct    float64 `json:"soc_error_rms_pct"`
	P95Pct    float64 `json:"soc_error_p95_pct"`
	MaxPct    float64 `json:"soc_error_max_pct"`
	LastPct   float64 `json:"soc_last_pct"`
	TruePct   float64 `json:"soc_true_pct"`
	InBandPct float64 `json:"within_two_sigma_pct"`
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

// FindingScore is one condition that was true, with what was found. Times are seconds since the scenario's start.
type FindingScore struct {
	Finding   string   `json:"finding"`
	Subject   string   `json:"subject,omitempty"`
	RootCause bool     `json:"root_cause"`
	OnsetS    float64  `json:"onset_s"`
	DetectedS *float64 `json:"detected_s"` // null: not found
	DelayS    *float64 `json:"delay_s"`
	ClearedS  *float64 `json:"cleared_s,omitempty"`
}

// FalseFinding is one raised with nothing behind it.
type FalseFinding struct {
	Finding   string  `json:"finding"`
	Subject   string  `json:"subject,omitempty"`
	DetectedS float64 `json:"detected_s"`
	Evidence  string  `json:"evidence"`
}

// run is a scenario being run.
type run struct {
	opts   Options
	rig    *Rig
	core   *agent.Core
	report Report
	errs   []errorTally
	curve  *curve.Writer
	trials []*findingTrial
	open   []*findingTrial // of these, those that go on
	turns  uint64          // of the conditions, as last followed
	nextAt time.Duration   // of the next comparison at rest

	cfg         config.Config
	restartAt   time.Duration
	saves       agent.Saves
	saved       *rules.State // what was learnt, as last saved
	scansBefore uint64       // by the agents that lost power
}

// Run plays a scenario through the agent's board, estimators and rules, as fast as it can.
func Run(ctx context.Context, sc scenario.Scenario, o Options) (*Report, error) {
	r, err := newRun(sc, o)
	if err != nil {
		return nil, err
	}
	return r.play(ctx, sc)
}

func (r *run) play(ctx context.Context, sc scenario.Scenario) (*Report, error) {
	for end := Length(sc, r.opts.Days); r.rig.Clock.Now() < end; {
		out, err := r.next(ctx)
		if err != nil {
			return nil, fmt.Errorf("simulate %s: stopped after %v: %w", sc.Name, r.rig.Clock.Now().Round(time.Second), err)
		}
		if err := r.compare(out); err != nil {
			return nil, err
		}
	}
	return r.finish(sc)
}

// Length gives the length of a run of so many days; 0 is as long as the scenario says.
func Length(sc scenario.Scenario, days float64) time.Duration {
	if days > 0 {
		return time.Duration(days * float64(24*time.Hour))
	}
	return sc.Length()
}

func newRun(sc scenario.Scenario, o Options) (*run, error) {
	every := o.RestEvery
	if every == 0 {
		every = time.Second
	}
	b := Board{NoCommand: o.NoCommand, RestEvery: every.String()}
	if o.Coarse > 0 {
		b.RunTail = coarseTail.String()
	}
	cfg, err := Config(&sc, "simulated", b)
	if err != nil {
		return nil, err
	}
	rig, err := NewRig(sc, cfg, o.ThroughBus)
	if err != nil {
		return nil, err
	}
	rig.Clock.Coarsen(o.Coarse)
	rig.jumpClock(o.Jumps)
	core, err := agent.NewCore(cfg, rig.Parts())
	if err != nil {
		return nil, err
	}
	r := &run{opts: o, rig: rig, core: core, errs: make([]errorTally, len(sc.Bank.Batteries)), cfg: cfg, restartAt: o.Restarts.Every}
	r.report = Report{Scenario: sc.Name, Seed: sc.Seed, Findings: []FindingScore{}, False: []FalseFinding{}, NotCovered: []string{}}
	if o.Curve != nil {
		r.curve = curve.NewWriter(o.Curve)
	}
	return r, nil
}

// compareEvery is how often the truth is looked at while nothing happens: conditions carry the exact time of their onset, so
// this bounds only how soon a short one may be missed.
const compareEvery = 10 * time.Second

// compare takes one step's output.
func (r *run) compare(out *rules.Output) error {
	scan := r.core.Scan()
	changed := false
	for _, ev := range out.Events {
		changed = changed || ev.Kind != rules.RunEnded
	}
	now := r.rig.Clock.Now()
	if changed || now >= r.nextAt {
		r.nextAt = now + compareEvery
		r.followTruth()
	}
	for _, ev := range out.Events {
		r.note(ev, out)
	}
	if r.opts.Trace != nil {
		r.opts.Trace.add(out, r.rig.Unit.SoCPct)
	}
	if scan.Fast {
		return nil
	}
	for i := range out.Battery {
		b := &out.Battery[i]
		truth := r.rig.Unit.SoCPct(i)
		r.errs[i].add(b.SoCPct, truth)
		if r.curve == nil || !b.In.VoltageV.OK() || !b.In.CurrentA.OK() {
			continue
		}
		row := curve.Row{Battery: b.ID, VoltageV: b.In.VoltageV.Value, CurrentA: b.In.CurrentA.Value, TempC: b.In.TempC.Value, TempKnown: b.In.TempC.OK()}
		if err := r.curve.Write(now.Seconds(), row, truth); err != nil {
			return fmt.Errorf("write curve: %w", err)
		}
	}
	return nil
}

func (r *run) finish(sc scenario.Scenario) (*Report, error) {
	if r.curve != nil {
		if err := r.curve.Flush(); err != nil {
			return nil, fmt.Errorf("write curve: %w", err)
		}
	}
	r.followTruth()
	truth := r.rig.Unit.Truth()
	rep := &r.report
	rep.SimulatedS = r.rig.Clock.Now().Seconds()
	rep.Scans = r.scansBefore + r.core.Stats().Scans
	out := r.core.Output()
	rep.Runs = Count{out.Motor.Runs, truth.MotorRuns}
	rep.MotorS = CountS{round3(out.Motor.RunTime.Seconds()), round3(truth.MotorRunTime.Seconds())}
	for i := range r.errs {
		s := r.errs[i].score(sc.Bank.Batteries[i].ID)
		s.LastPct, s.TruePct = round2(out.Battery[i].SoCPct.Value), round2(truth.Batteries[i].SoCPct)
		rep.Batteries = append(rep.Batteries, s)
	}
	r.score()
	if r.opts.Trace != nil {
		r.opts.Trace.close(r, r.rig.Clock.Now())
	}
	if r.opts.Elapsed != nil {
		wall := r.opts.Elapsed().Seconds()
		rep.WallS, rep.SpeedSPerS = round3(wall), math.Round(rep.SimulatedS/wall)
	}
	return rep, nil
}

// errorTally gathers the error of one battery's charge.
type errorTally struct {
	scans, known, inBand uint64
	sum2, max            float64
	tenths               [1001]uint64 // how many errors of so many tenths of a percentage point
}

func (t *errorTally) add(soc rules.Estimate, truth float64) {
	t.scans++
	if !soc.Known {
		return
	}
	t.known++
	e := math.Abs(soc.Value - truth)
	if e <= 2*soc.Sigma {
		t.inBand++
	}
	t.sum2 += e * e
	t.max = max(t.max, e)
	t.tenths[min(int(math.Ceil(e*10)), len(t.tenths)-1)]++
}

func (t *errorTally) score(id string) BatteryScore {
	s := BatteryScore{ID: id}
	if t.scans > 0 {
		s.KnownPct = round2(100 * float64(t.known) / float64(t.scans))
	}
	if t.known == 0 {
		return s
	}
	n := float64(t.known)
	s.RMSPct, s.MaxPct, s.InBandPct = round2(math.Sqrt(t.sum2/n)), round2(t.max), round2(100*float64(t.inBand)/n)
	var below uint64
	for i, k := range t.tenths {
		if below += k; float64(below) >= 0.95*n {
			s.P95Pct = float64(i) / 10
			break
		}
	}
	return s
}

func round2(x float64) float64 { return math.Round(x*100) / 100 }
func round3(x float64) float64 { return math.Round(x*1000) / 1000 }

// findingTrial follows one condition from its onset.
type findingTrial struct {
	score  FindingScore
	active bool
	ended  time.Duration
}

// linger is how long after a condition ended a finding may still be raised for it: its evidence was gathered while it held.
const linger = 15 * time.Minute

// followTruth opens a trial for each condition that has become true, and ends those that are over.
func (r *run) followTruth() {
	turns := r.rig.Unit.Turns()
	if turns == r.turns {
		return
	}
	r.turns = turns
	now := r.rig.Clock.Now()
	for _, c := range r.rig.Unit.Conditions() {
		t := r.openTrial(c.Finding, c.Subject)
		switch {
		case c.Active && t == nil:
			t = &findingTrial{active: true, score: FindingScore{Finding: c.Finding, Subject: c.Subject, RootCause: c.Cause, OnsetS: c.Since.Seconds()}}
			r.trials, r.open = append(r.trials, t), append(r.open, t)
		case !c.Active && t != nil:
			t.active, t.ended = false, now
			r.open = slices.DeleteFunc(r.open, func(o *findingTrial) bool { return o == t })
		}
	}
}

func (r *run) openTrial(name, subject string) *findingTrial {
	for _, t := range r.open {
		if t.score.Finding == name && t.score.Subject == subject {
			return t
		}
	}
	return nil
}

// note takes a finding raised or cleared.
func (r *run) note(ev rules.Event, out *rules.Output) {
	if ev.Kind != rules.FindingRaised && ev.Kind != rules.FindingCleared {
		return
	}
	rec := &out.Findings[ev.Finding]
	now := r.rig.Clock.Now()
	s := now.Seconds()
	if ev.Kind == rules.FindingCleared {
		for _, t := range r.matching(rec.Def.Name, rec.Subject, math.MaxInt64) {
			if t.score.DetectedS != nil && t.score.ClearedS == nil {
				t.score.ClearedS = &s
			}
		}
		return
	}
	found := r.matching(rec.Def.Name, rec.Subject, linger)
	if len(found) == 0 && !r.rig.Unit.Doubtful(rec.Def.Name, rec.Subject) {
		r.report.False = append(r.report.False, FalseFinding{rec.Def.Name, rec.Subject, s, said(rec)})
	}
	for _, t := range found {
		if t.score.DetectedS == nil {
			delay := s - t.score.OnsetS
			t.score.DetectedS, t.score.DelayS = &s, &delay
		}
	}
}

// matching gives the trials that a finding may be of: the same name, the same subject where both have one, active or over for
// no longer than within.
func (r *run) matching(name, subject string, within time.Duration) []*findingTrial {
	now := r.rig.Clock.Now()
	var out []*findingTrial
	for _, t := range r.trials {
		if t.score.Finding != name || !t.active && now-t.ended > within {
			continue
		}
		if matchesSubject(name, t.score.Subject, subject, r.core.Output()) {
			out = append(out, t)
		}
	}
	return out
}

// sameSubject compares a subject in the scenario's words (voltage-a, chip 1, bus) with one in the rules' (battery a voltage). A
// fault of a chip or of the bus shows in any channel.
func sameSubject(truth, said string) bool {
	quantity, battery, ok := scenario.SplitChannel(truth)
	if !ok {
		return true
	}
	if battery == "" {
		return said == quantity+" voltage" || slices.Contains([]string{"voltage", "current", "temperature"}, quantity)
	}
	return said == "battery "+battery+" "+quantity
}

// score closes the book: what was true and found or not, and what no rule covers.
func (r *run) score() {
	covered := map[string]bool{}
	for i := range r.core.Output().Findings {
		covered[r.core.Output().Findings[i].Def.Name] = true
	}
	for _, t := range r.trials {
		if covered[t.score.Finding] {
			r.report.Findings = append(r.report.Findings, t.score)
		} else if !slices.Contains(r.report.NotCovered, t.score.Finding) {
			r.report.NotCovered = append(r.report.NotCovered, t.score.Finding)
		}
	}
	slices.Sort(r.report.NotCovered)
	slices.SortStableFunc(r.report.Findings, func(a, b FindingScore) int {
		switch {
		case a.OnsetS < b.OnsetS:
			return -1
		case a.OnsetS > b.OnsetS:
			return 1
		}
		return 0
	})
}
