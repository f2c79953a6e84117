package trial

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"text/tabwriter"
	"time"

	"liftbank/rules/loadtest"
	"liftbank/sim/cell"
	"liftbank/sim/scenario"
)

// Capability says how many units are played to hold the cold cranking capability against the truth.
type Capability struct {
	Units     int
	First     uint64
	Days      float64 // of each; 0: 10
	Workers   int
	NoCommand bool // motor runs told by current alone
	Progress  func([]AgedBattery)
}

const capabilityDays = 10

// AgedBattery is what was said of one battery.
type AgedBattery struct {
	Seed      uint64
	ID, Kind  string // how it is aged: new, metal, capacity, sulphation, mixed
	Chemistry cell.Chemistry
	TempC     float64                  // mean of the air
	TrueShare float64                  // capability over rated
	At        [judgedPoints]saidOfAged // after 20 and 30 judged runs, and at the end
	CalledAt  uint32                   // runs at which it was first called tired or failed; 0: never
	CalledBy  uint64                   // the same in runs of the motor
	Runs      uint32
}

// saidOfAged is what is said at one moment.
type saidOfAged struct {
	Seen, Known       bool
	OffPct, SigmaPct  float64
	ResistanceOffPct  float64
	ResistanceSigma   float64
	Verdict           loadtest.Verdict
	MotorRuns         uint64
	RestedV, Capacity float64
}

const judgedPoints = 3

var judgedRuns = [judgedPoints]uint32{20, 30, math.MaxUint32}

// agedKinds are the ways a battery ages, each scaled so that x = 1 leaves about 70 % of the rated capability.
var agedKinds = []struct {
	name string
	at   func(x float64) scenario.Ageing
}{
	{"new", func(float64) scenario.Ageing { return scenario.Ageing{} }},
	{"metal", func(x float64) scenario.Ageing { return scenario.Ageing{RaisedResistancePct: 64 * x} }},
	{"capacity", func(x float64) scenario.Ageing { return scenario.Ageing{LostCapacityPct: 25 * x} }},
	{"sulphation", func(x float64) scenario.Ageing { return scenario.Ageing{SulphationPct: 19 * x} }},
	{"mixed", func(x float64) scenario.Ageing {
		return scenario.Ageing{LostCapacityPct: 9 * x, RaisedResistancePct: 23 * x, SulphationPct: 6 * x}
	}},
}

// AgedScenario draws a unit of one to three batteries, each aged in its own way or new, at -20 to 40 °C, ordinary duty with short lifts, sensors
// at the ends of their class, voltage gains too.
func AgedScenario(seed uint64) (scenario.Scenario, []string) {
	d := rand.New(rand.NewPCG(seed, 0x61676564))
	from := func(a, b float64) float64 { return a + (b-a)*d.Float64() }
	sc := scenario.Default()
	sc.Name, sc.Seed, sc.Days = fmt.Sprintf("aged-%d", seed), seed, capabilityDays
	sc.Start = time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC) // a night's rest to begin with
	n := 1 + d.IntN(3)
	about := ""
	drawBatteries(&sc, n, d, &about)
	var kinds []string
	for k := range sc.Bank.Batteries {
		kind := &agedKinds[d.IntN(len(agedKinds))]
		sc.Bank.Batteries[k].Ageing = kind.at(from(0.2, 1.1))
		kinds = append(kinds, kind.name)
	}
	w, last := &sc.Bank.Wiring, sc.Bank.Batteries[n-1].ID
	w.PositiveLinkMohm, w.NegativeLinkMohm = slices.Repeat([]float64{0.5}, n-1), slices.Repeat([]float64{0.5}, n-1)
	w.PositivePostMohm, w.NegativePostMohm = slices.Repeat([]float64{0.1}, n), slices.Repeat([]float64{0.1}, n)
	w.FeedLeads.PositiveAt, w.FeedLeads.NegativeAt, w.LoadLeads.PositiveAt, w.LoadLeads.NegativeAt = "a", last, "a", last
	sc.Weather = scenario.Weather{MeanC: from(-20, 40), DayC: from(1, 8), SpellC: from(0, 5), WarmestDay: 200}
	sc.Duty.Stops, sc.Duty.Up = [2]int{5, 8}, [2]time.Duration{2 * time.Second, 6 * time.Second}
	if n == 1 {
		sc.Motor.RunA, sc.Motor.ReliefA, sc.Motor.BreakerA, sc.Motor.ResistanceMohm = 80, 107, 100, 39
	}
	errAtLimits(&sc, d)
	return sc, kinds
}

// RunCapability plays the units and gives their batteries, by seed. With an error it gives those of the units that have ended.
func RunCapability(ctx context.Context, c Capability) ([]AgedBattery, error) {
	units := make([][]AgedBattery, c.Units)
	var progress sync.Mutex
	ended, err := inParallel(ctx, c.Workers, c.Units, func(k int) (err error) {
		units[k], err = runAged(ctx, &c, c.First+uint64(k))
		if c.Progress != nil && err == nil {
			progress.Lock()
			defer progress.Unlock()
			c.Progress(units[k])
		}
		return err
	})
	return slices.Concat(only(units, ended)...), err
}

func runAged(ctx context.Context, c *Capability, seed uint64) ([]AgedBattery, error) {
	sc, kinds := AgedScenario(seed)
	if c.Days > 0 {
		sc.Days = c.Days
	}
	r, err := newRun(sc, Options{Coarse: coarseRest, NoCommand: c.NoCommand})
	if err != nil {
		return nil, err
	}
	truth := r.rig.Unit.Truth().Batteries
	var out []AgedBattery
	for k, b := range sc.Bank.Batteries {
		out = append(out, AgedBattery{Seed: seed, ID: b.ID, Kind: kinds[k], Chemistry: b.Chemistry, TempC: sc.Weather.MeanC, TrueShare: truth[k].CrankingA / b.RatedCCA})
	}
	for end := sc.Length(); r.rig.Clock.Now() < end; {
		if _, err := r.core.Next(ctx); err != nil {
			return nil, fmt.Errorf("%s: %w", sc.Name, err)
		}
		for k := range out {
			out[k].follow(r, k, truth[k].CrankingA, truth[k].ResistanceMohm)
		}
	}
	for k := range out {
		out[k].say(judgedPoints-1, r, k, truth[k].CrankingA, truth[k].ResistanceMohm)
	}
	return out, nil
}

func (b *AgedBattery) follow(r *run, k int, trueA, trueMohm float64) {
	s := &r.core.Output().Battery[k]
	b.Runs = s.RunsJudged
	if s.Verdict >= loadtest.Tired && b.CalledAt == 0 {
		b.CalledAt, b.CalledBy = max(s.RunsJudged, 1), r.core.Output().Motor.Runs
	}
	for p, runs := range judgedRuns {
		if !b.At[p].Seen && s.RunsJudged >= runs {
			b.say(p, r, k, trueA, trueMohm)
		}
	}
}

func (b *AgedBattery) say(p int, r *run, k int, trueA, trueMohm float64) {
	s := &r.core.Output().Battery[k]
	b.At[p] = saidOfAged{Seen: true, Known: s.CrankingA.Known, OffPct: 100 * (s.CrankingA.Value/trueA - 1), Verdict: s.Verdict,
		ResistanceOffPct: 100 * (s.Resistance.Value/trueMohm - 1), ResistanceSigma: 100 * s.Resistance.Sigma / trueMohm, MotorRuns: r.core.Output().Motor.Runs,
		RestedV: s.RestedV.Value, Capacity: s.CapacityAh.Value}
	if s.CrankingA.Known {
		b.At[p].SigmaPct = 100 * s.CrankingA.Sigma / s.CrankingA.Value
	}
}

// Sentence says what was made of one battery.
func (b *AgedBattery) Sentence() string {
	text := fmt.Sprintf("unit %d battery %s %s %s %.0f °C, %.0f %% of rated:", b.Seed, b.ID, b.Chemistry, b.Kind, b.TempC, 100*b.TrueShare)
	for p, a := range b.At {
		if a.Seen && a.Known {
			text += fmt.Sprintf(" [%d: %+.1f ±%.1f %%, resistance %+.1f ±%.1f %%, %v]", p, a.OffPct, a.SigmaPct, a.ResistanceOffPct, a.ResistanceSigma, a.Verdict)
		}
	}
	return fmt.Sprintf("%s %d runs, called at %d", text, b.Runs, b.CalledAt)
}

// WriteCapability prints how far off the capability was, by way of ageing and by temperature, and how batteries were called.
func WriteCapability(w io.Writer, all []AgedBattery, took time.Duration) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "ageing\tafter\tbatteries\tnot said\tlowest %\tp5 %\tmedian %\tp95 %\thighest %\tRMS %\twithin 5 %\twithin 2 sigma\t")
	for p, when := range []string{"20 runs", "30 runs", "the end"} {
		for _, kind := range []string{"new", "metal", "capacity", "sulphation", "mixed", ""} {
			writeAged(t, kind, when, all, func(b *AgedBattery) bool { return kind == "" || b.Kind == kind }, p)
		}
	}
	for _, band := range [][2]float64{{-20, -5}, {-5, 10}, {10, 25}, {25, 40}} {
		writeAged(t, fmt.Sprintf("%g to %g °C", band[0], band[1]), "20 runs", all, func(b *AgedBattery) bool { return b.TempC >= band[0] && b.TempC < band[1] }, 0)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	var weak, called, in30, sound, accused int
	for i := range all {
		b := &all[i]
		switch {
		case b.TrueShare <= 0.70 && b.At[1].Seen:
			weak++
			if b.CalledAt > 0 {
				called++
			}
			if b.CalledAt > 0 && b.CalledAt <= 30 {
				in30++
			}
		case b.TrueShare > 0.9 && b.At[0].Seen:
			sound++
			if b.CalledAt > 0 {
				accused++
			}
		}
	}
	_, err := fmt.Fprintf(w, "of %d at 70 %% of rated or less %d were called tired or failed, %d within 30 runs; of %d over 90 %% %d were called; %.0f batteries an hour\n",
		weak, called, in30, sound, accused, float64(len(all))/took.Hours())
	return err
}

func writeAged(w io.Writer, name, when string, all []AgedBattery, of func(*AgedBattery) bool, p int) {
	var off []float64
	var unsaid, within5, inBand int
	for i := range all {
		b := &all[i]
		a := &b.At[p]
		switch {
		case !of(b) || !a.Seen || b.Runs < crankingRuns:
		case !a.Known:
			unsaid++
		default:
			off = append(off, a.OffPct)
			if math.Abs(a.OffPct) <= 5 {
				within5++
			}
			if math.Abs(a.OffPct) <= 2*a.SigmaPct {
				inBand++
			}
		}
	}
	if len(off) == 0 {
		return
	}
	slices.Sort(off)
	if name == "" {
		name = "all"
	}
	share := func(n int) float64 { return 100 * float64(n) / float64(len(off)) }
	fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%+.1f\t%+.1f\t%+.1f\t%+.1f\t%+.1f\t%.1f\t%.0f %%\t%.0f %%\t\n", name, when, len(off), unsaid, off[0], quantile(off, 0.05),
		quantile(off, 0.5), quantile(off, 0.95), off[len(off)-1], rootMeanSquare(off), share(within5), share(inBand))
}
