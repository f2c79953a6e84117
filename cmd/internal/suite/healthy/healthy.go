// Package healthy is the suite that plays years of healthy units and counts false findings.
package healthy

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/suite"
	"liftbank/cmd/internal/trial"
	"liftbank/rules"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
	"liftbank/sim/bank"
	"liftbank/sim/scenario"
)

// Suite is the suite.
var Suite = suite.Suite{
	Name: "healthy", About: "years of healthy units, each a different one: false findings",
	Flags: []string{"seeds", "years", "only", "fine", "layout"}, Seeds: 10, Run: run,
}

// days is the length of a unit's year.
const days = 365

// Unit is the result of one unit's year.
type Unit struct {
	Seed      uint64         `json:"seed"`
	About     string         `json:"about"` // chemistry, ratings, climate and duty
	Days      float64        `json:"days"`
	Batteries int            `json:"batteries"`
	Runs      uint64         `json:"motor_runs"`
	Judged    []uint32       `json:"runs_judged"`   // by battery
	Tired     int            `json:"called_tired"`  // batteries, at any time
	Failed    int            `json:"called_failed"` // batteries, at any time
	FirstDay  float64        `json:"first_called_day"`
	Last      []string       `json:"verdicts"`   // of each battery, at the end
	Amps      []float64      `json:"cranking_a"` // of each battery, at the end
	Raised    map[string]int `json:"raised"`     // findings, by name
	False     map[string]int `json:"false"`      // of these, with no condition behind them
	// capability over rated, of all batteries and times; null: no verdict
	Lowest   *float64          `json:"lowest_share"`
	True     float64           `json:"lowest_true_share"`   // of capability and capacity, over rated
	Cranking score.Capability  `json:"cranking_capability"` // at the end
	Leads    [2]Leads          `json:"leads"`               // load, feed; at the end
	When     map[string]string `json:"when,omitempty"`      // first time and evidence of each false finding
	Charge   score.ChargeError `json:"charge"`
	charge   score.Charge      // of all batteries
	sharers  int               // batteries in parallel, or strings
}

// Leads is what is said of a pair of leads.
type Leads string

// What can be said.
const (
	Unsaid Leads = "unknown"
	Right  Leads = "right"
	Wrong  Leads = "wrong"
)

func run(ctx context.Context, o suite.Options) (suite.Result, error) {
	seeds, err := o.Units(func(seed uint64) string { _, about := ScenarioOf(o.Built(), seed); return about })
	if err != nil {
		return nil, err
	}
	began := time.Now()
	units, err := suite.Each(ctx, &o, len(seeds), func(ctx context.Context, k int) (*Unit, error) {
		u, err := play(ctx, &o, seeds[k])
		if err == nil {
			o.Progress.Note(u.Summary())
		}
		return u, err
	})
	return reportOf(units, time.Since(began)), err
}

// follower follows a unit through its year.
type follower struct {
	*Unit
	sc    *scenario.Scenario
	worst []loadtest.Verdict // of each battery, tired and worse
}

func play(ctx context.Context, o *suite.Options, seed uint64) (*Unit, error) {
	sc, about := ScenarioOf(o.Built(), seed)
	o.Draw(&sc, seed)
	if o.Days > 0 {
		sc.Days = o.Days
	}
	options := trial.Options{TapPct: o.TapPct, Coarse: trial.CoarseRest, RestEvery: o.Step, Moved: o.Progress.Moved}
	options.Restarts, options.Jumps = disturbances(&sc, seed)
	if r := &options.Restarts; r.Every > 0 {
		about += fmt.Sprintf(", no power every %v for %v", r.Every.Round(time.Minute), r.Off.Round(time.Second))
	}
	if o.Fine {
		options.Coarse = 0
	}
	n := len(sc.Bank.Batteries)
	f := follower{sc: &sc, worst: make([]loadtest.Verdict, n), Unit: &Unit{
		Seed: seed, About: about, Days: sc.Days, Batteries: n, True: math.Inf(1), sharers: n / sc.Bank.BuiltFor(),
		Raised: map[string]int{}, False: map[string]int{}, When: map[string]string{},
	}}
	t, err := trial.New(sc, options)
	if err != nil {
		return nil, err
	}
	s := score.New(&sc, t.Rig.Unit, sc.Length())
	err = t.Play(ctx, sc.Length(), func(out *rules.Output) error {
		s.Step(t.Now(), out, t.Fast())
		f.step(out)
		return nil
	})
	if err != nil {
		return nil, err
	}
	f.finish(t, s)
	return f.Unit, nil
}

// step takes one step's verdicts.
func (f *follower) step(out *rules.Output) {
	for k := range out.Battery {
		b := &out.Battery[k]
		if b.Verdict == loadtest.Unknown {
			continue
		}
		share := b.CrankingA.Value / f.sc.Bank.Batteries[k].RatedCCA
		if b.CrankingA.Known && (f.Lowest == nil || share < *f.Lowest) {
			f.Lowest = &share
		}
		if b.Verdict < loadtest.Tired {
			continue
		}
		if f.FirstDay == 0 {
			f.FirstDay = out.At.Mono.Hours() / 24
		}
		f.worst[k] = max(f.worst[k], b.Verdict)
	}
}

func (f *follower) finish(t *trial.Trial, s *score.Scorer) {
	out, unit := t.Core.Output(), t.Rig.Unit
	f.Runs = out.Motor.Runs
	for k, truth := range unit.Truth().Batteries {
		rated := &f.sc.Bank.Batteries[k]
		f.True = min(f.True, truth.CrankingA/rated.RatedCCA, truth.CapacityAh/rated.RatedAh)
		f.charge.Merge(&s.Charge[k])
		f.Judged = append(f.Judged, out.Battery[k].RunsJudged)
		f.Last = append(f.Last, out.Battery[k].Verdict.String())
		f.Amps = append(f.Amps, out.Battery[k].CrankingA.Value)
		switch f.worst[k] {
		case loadtest.Tired:
			f.Tired++
		case loadtest.Failed:
			f.Failed++
		}
	}
	f.Charge = f.charge.Error()
	f.Cranking.Add(out, unit)
	w := unit.Wiring()
	blocks := f.Batteries / f.sharers
	for _, l := range []*bank.Lead{&w.LoadPositive, &w.LoadNegative, &w.FeedPositive, &w.FeedNegative} {
		l.At /= blocks
	}
	f.Leads[0] = leadsSaid(out.Bank.LoadLeads, w.LoadPositive, w.LoadNegative, f.sharers)
	f.Leads[1] = leadsSaid(out.Bank.FeedLeads, w.FeedPositive, w.FeedNegative, f.sharers)
	for i := range s.Findings.Raises {
		f.addRaise(&s.Findings.Raises[i])
	}
}

func (f *follower) addRaise(r *score.Raise) {
	f.Raised[r.Finding]++
	if r.Behind || r.Doubtful {
		return
	}
	f.False[r.Finding]++
	if f.When[r.Finding] == "" {
		f.When[r.Finding] = fmt.Sprintf("%s %s on day %.2f%s", r.Finding, r.Subject, r.From.Hours()/24, r.Evidence)
	}
}

func leadsSaid(got network.Leads, positive, negative bank.Lead, n int) Leads {
	var w score.Wiring
	w.AddLeads(got, positive, negative, n)
	switch {
	case w.Right > 0:
		return Right
	case w.Wrong > 0:
		return Wrong
	}
	return Unsaid
}

// lowest returns the lowest capability said, over rated.
func (u *Unit) lowest() float64 {
	if u.Lowest == nil {
		return math.Inf(1)
	}
	return *u.Lowest
}

// Summary returns a line about the unit's year.
func (u *Unit) Summary() string {
	text := fmt.Sprintf("unit %d (%s): %d runs, verdicts at the end %v, lowest capability said %.0f %% of rated "+
		"(true %.0f %%)",
		u.Seed, u.About, u.Runs, u.Last, 100*u.lowest(), 100*u.True)
	if u.Tired+u.Failed > 0 {
		text += fmt.Sprintf("; CALLED tired %d, failed %d, first on day %.1f", u.Tired, u.Failed, u.FirstDay)
	}
	for k, side := range []string{"load", "feed"} {
		if u.sharers > 1 && u.Leads[k] == Wrong {
			text += "; " + side + " leads WRONG"
		}
	}
	for _, name := range slices.Sorted(maps.Keys(u.When)) {
		text += "; false: " + u.When[name]
	}
	return text
}
