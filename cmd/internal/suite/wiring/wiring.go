// Package wiring is the suite that plays differently wired units and judges what is said of their
// leads and links.
package wiring

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/suite"
	"liftbank/cmd/internal/trial"
	"liftbank/rules"
	"liftbank/rules/network"
	"liftbank/sim/scenario"
)

// Suite is the suite.
var Suite = suite.Suite{
	Name: "wiring", About: "two weeks each of random wirings: leads and links",
	Flags: []string{"seeds", "only", "fine"}, Seeds: 3, Run: run,
}

// days is the length of a run; our choice.
const days = 14

// Unit is the result of one unit.
type Unit struct {
	Seed   uint64       `json:"seed"`
	About  string       `json:"about"`
	Days   float64      `json:"days"`
	Wiring score.Wiring `json:"wiring"`
	Wrong  string       `json:"wrong,omitempty"` // what was said wrong, with the truth
}

// Scenario draws a unit's wiring, batteries and climate from a seed, and describes it: two to four batteries, a third of them weak, links of 0.2 to 3 mΩ one by one, leads diagonal,
// on one post or anywhere, those of load and feed apart, -15 to 35 °C. The duty is a third of an
// ordinary one: some 2.5 Ah a day.
func Scenario(seed uint64) (sc scenario.Scenario, about string) {
	random := rand.New(rand.NewPCG(seed, 0x77697265))
	sc = scenario.Default()
	sc.Name, sc.Seed, sc.Days = fmt.Sprintf("wiring-%d", seed), seed, days
	n := 2 + random.IntN(3)
	about = fmt.Sprintf("%d batteries", n) + draw.Batteries(&sc, n, random)
	w := &sc.Bank.Wiring
	for k := range n {
		w.PositivePostMohm = append(w.PositivePostMohm, draw.Between(random, 0.05, 0.15))
		w.NegativePostMohm = append(w.NegativePostMohm, draw.Between(random, 0.05, 0.15))
		if k > 0 {
			w.PositiveLinkMohm = append(w.PositiveLinkMohm, 0.2*math.Pow(15, random.Float64()))
			w.NegativeLinkMohm = append(w.NegativeLinkMohm, 0.2*math.Pow(15, random.Float64()))
		}
	}
	about += fmt.Sprintf("; links %.2f and %.2f mΩ", w.PositiveLinkMohm, w.NegativeLinkMohm)
	about += fmt.Sprintf("; load %s", place(&w.LoadLeads, sc.Bank.Batteries, random))
	about += fmt.Sprintf("; feed %s", place(&w.FeedLeads, sc.Bank.Batteries, random))
	sc.Weather = scenario.Weather{MeanC: draw.Between(random, -15, 35), SeasonC: 3, DayC: 5, SpellC: 3, WarmestDay: 200}
	sc.Duty.Stops, sc.Duty.LiftsPerStop, sc.Duty.NudgesPerStop = [2]int{4, 6}, [2]int{1, 2}, [2]int{0, 1}
	sc.Duty.Up = [2]time.Duration{6 * time.Second, 12 * time.Second}
	return sc, fmt.Sprintf("%s; %.0f °C", about, sc.Weather.MeanC)
}

// place draws where a pair of leads sits.
func place(l *scenario.Leads, batteries []scenario.Battery, random *rand.Rand) (about string) {
	n := len(batteries)
	first, last := batteries[0].ID, batteries[n-1].ID
	anywhere := func() string { return batteries[random.IntN(n)].ID }
	l.PositiveAt, l.NegativeAt = first, last
	switch random.IntN(6) {
	case 0:
		l.PositiveAt, l.NegativeAt = last, first
	case 1:
		l.NegativeAt = first
	case 2:
		l.PositiveAt = last
	case 3:
		l.PositiveAt, l.NegativeAt = anywhere(), anywhere()
	}
	return l.PositiveAt + "-" + l.NegativeAt
}

func run(ctx context.Context, o suite.Options) (suite.Result, error) {
	seeds, err := o.Units(func(seed uint64) string { _, about := Scenario(seed); return about })
	if err != nil {
		return nil, err
	}
	began := time.Now()
	units, err := suite.Each(ctx, &o, len(seeds), func(ctx context.Context, k int) (*Unit, error) {
		u, err := play(ctx, &o, seeds[k])
		if err == nil && u.Wrong != "" {
			o.Progress.Note(u.Summary())
		}
		return u, err
	})
	return reportOf(units, time.Since(began)), err
}

func play(ctx context.Context, o *suite.Options, seed uint64) (*Unit, error) {
	sc, about := Scenario(seed)
	o.Draw(&sc, seed)
	if o.Days > 0 {
		sc.Days = o.Days
	}
	options := trial.Options{RestEvery: o.Step, TapPct: o.TapPct, Coarse: trial.CoarseRest, Moved: o.Progress.Moved}
	if o.Fine {
		options.Coarse = 0
	}
	t, err := trial.New(sc, options)
	if err != nil {
		return nil, err
	}
	if err := t.Play(ctx, sc.Length(), nil); err != nil {
		return nil, err
	}
	u := &Unit{Seed: seed, About: about, Days: sc.Days}
	u.judge(t)
	return u, nil
}

func (u *Unit) judge(t *trial.Trial) {
	out, unit := t.Core.Output(), t.Rig.Unit
	u.Wiring.Add(out, unit)
	w, n := unit.Wiring(), unit.Batteries()
	load := score.ArrangementOf(w.LoadPositive.At, w.LoadNegative.At, n)
	feed := score.ArrangementOf(w.FeedPositive.At, w.FeedNegative.At, n)
	u.Wrong = wrongLeads("load", out.Bank.LoadLeads, load) + wrongLeads("feed", out.Bank.FeedLeads, feed)
	for i := range out.Links {
		l := &out.Links[i]
		u.Wrong += wrongLink(l, score.TrueLinkMohm(&w, n, l.Side, l.From))
	}
}

func wrongLeads(name string, got network.Leads, want network.Arrangement) string {
	if got.Arrangement == want {
		return ""
	}
	return fmt.Sprintf("; %s leads %v on %d and %d (%.3f, waits for %q), not %v",
		name, got.Arrangement, got.Positive, got.Negative, got.Probability, got.WaitsFor.Said(), want)
}

func wrongLink(l *rules.LinkState, trueMohm float64) string {
	e := score.LinkError{OffMohm: l.Mohm.Value - trueMohm, TrueMohm: trueMohm}
	switch {
	case !l.Mohm.Known:
		return fmt.Sprintf("; %v link %d not known (%.2f mΩ)", l.Side, l.From, trueMohm)
	case e.Share() > 1:
		return fmt.Sprintf("; %v link %d %.2f ± %.2f, not %.2f mΩ", l.Side, l.From, l.Mohm.Value, l.Mohm.Sigma,
			trueMohm)
	}
	return ""
}

// Summary returns a line about the unit.
func (u *Unit) Summary() string { return fmt.Sprintf("unit %d: %s%s", u.Seed, u.About, u.Wrong) }

// Report is the result of the suite.
type Report struct {
	Units     []*Unit      `json:"units"`
	Days      float64      `json:"days"` // of each unit
	Wiring    score.Wiring `json:"wiring"`
	UnitsPerH float64      `json:"units_per_h"`
	MinRight  float64      `json:"leads_right_min_pct"` // with 95 % confidence
	MaxWrong  float64      `json:"leads_wrong_max_pct"` // with 95 % confidence
}

func reportOf(units []*Unit, took time.Duration) *Report {
	r := &Report{Units: units, UnitsPerH: float64(len(units)) / took.Hours()}
	for _, u := range units {
		r.Wiring.Merge(&u.Wiring)
		r.Days = u.Days
	}
	r.MinRight = 100 * score.MinShare(r.Wiring.Right, r.Wiring.Leads)
	r.MaxWrong = 100 * (1 - score.MinShare(r.Wiring.Leads-r.Wiring.Wrong, r.Wiring.Leads))
	return r
}

// Jobs returns the number of units.
func (r *Report) Jobs() int { return len(r.Units) }

// Table writes how often leads and links were right.
func (r *Report) Table(w io.Writer) error {
	x := &r.Wiring
	leads, links := float64(max(x.Leads, 1)), float64(max(x.Links, 1))
	_, err := fmt.Fprintf(w, "%d units of %.0f days\n%v\n"+
		"leads right %.2f %% (95 %% certain: %.2f %% or more), wrong %.2f %% (at most %.2f %%)\n"+
		"links within 0.1 mΩ or 10 %%: %.2f %% of those known; %.0f units an hour\n",
		len(r.Units), r.Days, x, 100*float64(x.Right)/leads, r.MinRight, 100*float64(x.Wrong)/leads, r.MaxWrong,
		100*float64(x.Within)/links, r.UnitsPerH)
	return err
}
