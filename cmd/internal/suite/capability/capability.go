// Package capability is the suite that plays units of aged batteries and judges their cold cranking
// capability.
package capability

import (
	"context"
	"fmt"
	"math"
	"time"

	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/suite"
	"liftbank/cmd/internal/trial"
	"liftbank/rules"
	"liftbank/rules/loadtest"
	"liftbank/sim/cell"
)

// Suite is the suite.
var Suite = suite.Suite{
	Name: "capability", About: "units of aged batteries: the cold cranking capability",
	Flags: []string{"seeds", "only", "no-command"}, Seeds: 3, Run: run,
}

// days is the length of a run; our choice.
const days = 10

// Battery is the result of one battery.
type Battery struct {
	Seed      uint64         `json:"seed"`
	ID        string         `json:"battery"`
	Kind      string         `json:"aging"` // new, metal, capacity, sulfation, mixed
	Chemistry cell.Chemistry `json:"chemistry"`
	TempC     float64        `json:"temp_c"`      // mean of the air
	LagS      float64        `json:"lag_s"`       // of the double layer
	LayerPct  float64        `json:"layer_pct"`   // the reaction's share of the resistance
	TrueShare float64        `json:"true_share"`  // capability over rated
	At        [points]Said   `json:"at"`          // after 20 and 30 judged runs, and at the end
	CalledAt  uint32         `json:"called_runs"` // judged runs when first called tired or failed; 0: never
	CalledFit bool           `json:"called_fit"`  // ever, fit or fit-low
	Runs      uint32         `json:"runs_judged"`
}

// Said is what is known of a battery at one moment. Errors are in % of the truth.
type Said struct {
	Seen             bool    `json:"seen"`
	Known            bool    `json:"known"`
	OffPct           float64 `json:"capability_error_pct"`
	SigmaPct         float64 `json:"capability_sigma_pct"`
	ResistanceOffPct float64 `json:"resistance_error_pct"`
	ResistanceSigma  float64 `json:"resistance_sigma_pct"`
	Verdict          string  `json:"verdict"`
}

const points = 3

// judgedRuns are the runs at which a battery is judged.
var judgedRuns = [points]uint32{20, 30, math.MaxUint32}

func run(ctx context.Context, o suite.Options) (suite.Result, error) {
	seeds, err := o.Units(describe)
	if err != nil {
		return nil, err
	}
	began := time.Now()
	units, err := suite.Each(ctx, &o, len(seeds), func(ctx context.Context, k int) ([]*Battery, error) {
		batteries, err := play(ctx, &o, seeds[k])
		if err == nil {
			for _, b := range batteries {
				o.Progress.Note(b.Summary())
			}
		}
		return batteries, err
	})
	return reportOf(units, time.Since(began)), err
}

func play(ctx context.Context, o *suite.Options, seed uint64) ([]*Battery, error) {
	sc, aged := Scenario(seed)
	o.Draw(&sc, seed)
	if o.Days > 0 {
		sc.Days = o.Days
	}
	t, err := trial.New(sc, trial.Options{
		RestEvery: o.Step, TapPct: o.TapPct, Coarse: trial.CoarseRest, NoCommand: o.NoCommand, Moved: o.Progress.Moved,
	})
	if err != nil {
		return nil, err
	}
	truth := t.Rig.Unit.Truth().Batteries
	var all []*follower
	for k, b := range sc.Bank.Batteries {
		all = append(all, &follower{
			k: k, trueA: truth[k].CrankingA, trueMohm: truth[k].ResistanceMohm,
			Battery: Battery{
				Seed: seed, ID: b.ID, Kind: aged[k], Chemistry: b.Chemistry, TempC: sc.Weather.MeanC,
				LagS: b.Layer.RelaxationS, LayerPct: b.Layer.TransferPct,
				TrueShare: truth[k].CrankingA / b.RatedCCA,
			},
		})
	}
	err = t.Play(ctx, sc.Length(), func(out *rules.Output) error {
		for _, f := range all {
			f.step(out)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var out []*Battery
	for _, f := range all {
		f.note(points-1, &t.Core.Output().Battery[f.k])
		out = append(out, &f.Battery)
	}
	return out, nil
}

// follower follows battery k of a unit. Its truth does not change within the days of a run.
type follower struct {
	Battery
	k               int
	trueA, trueMohm float64
}

func (f *follower) step(out *rules.Output) {
	s := &out.Battery[f.k]
	f.Runs = s.RunsJudged
	f.CalledFit = f.CalledFit || s.Verdict == loadtest.Fit || s.Verdict == loadtest.FitLow
	if s.Verdict >= loadtest.Tired && f.CalledAt == 0 {
		f.CalledAt = max(s.RunsJudged, 1)
	}
	for p, runs := range judgedRuns {
		if !f.At[p].Seen && s.RunsJudged >= runs {
			f.note(p, s)
		}
	}
}

// note keeps what is known of the battery at point p.
func (f *follower) note(p int, s *rules.BatteryState) {
	f.At[p] = Said{
		Seen: true, Known: s.CrankingA.Known, OffPct: 100 * (s.CrankingA.Value/f.trueA - 1),
		Verdict:          s.Verdict.String(),
		ResistanceOffPct: 100 * (s.Resistance.Value/f.trueMohm - 1),
		ResistanceSigma:  100 * s.Resistance.Sigma / f.trueMohm,
	}
	if s.CrankingA.Known {
		f.At[p].SigmaPct = 100 * s.CrankingA.Sigma / s.CrankingA.Value
	}
}

// Summary returns a line about the battery.
func (b *Battery) Summary() string {
	text := fmt.Sprintf("unit %d battery %s %s %s %.0f °C, layer %.2f s %.0f %%, %.0f %% of rated:",
		b.Seed, b.ID, b.Chemistry, b.Kind, b.TempC, b.LagS, b.LayerPct, 100*b.TrueShare)
	for p, a := range b.At {
		if a.Seen && a.Known {
			text += fmt.Sprintf(" [%d: %+.1f ±%.1f %%, resistance %+.1f ±%.1f %%, %v]",
				p, a.OffPct, a.SigmaPct, a.ResistanceOffPct, a.ResistanceSigma, a.Verdict)
		}
	}
	return fmt.Sprintf("%s %d runs, called at %d", text, b.Runs, b.CalledAt)
}

// within10 reports whether the error is at most 10 %.
func (a *Said) within10() bool { return math.Abs(a.OffPct) <= 10 }

// within5 reports whether the error is at most 5 %.
func (a *Said) within5() bool { return math.Abs(a.OffPct) <= 5 }

// inBand reports whether the error is at most twice the stated uncertainty.
func (a *Said) inBand() bool { return math.Abs(a.OffPct) <= 2*a.SigmaPct }

// judged reports whether the battery counts for the table of a point.
func (b *Battery) judged(p int) bool { return b.At[p].Seen && b.Runs >= score.MinRuns }
