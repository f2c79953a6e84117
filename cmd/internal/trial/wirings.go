package trial

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"liftbank/rules/network"
	"liftbank/sim/cell"
	"liftbank/sim/scenario"
)

// Wirings says how many differently wired units are played, to see whether leads and links are told right.
type Wirings struct {
	Units    int
	First    uint64  // seed
	Days     float64 // of each; 0: 14
	Workers  int
	Fine     bool            // scans and ticks each second throughout
	Progress func(WiredUnit) // called after each unit, by one goroutine at a time; nil for none
}

const wiringDays = 14

// WiredUnit is what was made of one unit's wiring.
type WiredUnit struct {
	Seed   uint64
	About  string
	Days   float64
	Wiring wiringTally
	Wrong  string // what was told wrong, with what is so
}

// WiredScenario draws a unit's wiring, batteries, climate and sensors' errors from a seed: two to four batteries, one in three of them
// weak, links of 0.2 to 3 mΩ one by one, leads diagonal, on one post or anywhere, those of load and feed apart, -15 to 35 °C, every voltage and
// current sensor at an end of its class (±10 mV, ±0.2 A, ±1 %). The duty is a light one, a third of
// an ordinary one: some 2.5 Ah a day.
func WiredScenario(seed uint64) (scenario.Scenario, string) {
	d := rand.New(rand.NewPCG(seed, 0x77697265))
	from := func(a, b float64) float64 { return a + (b-a)*d.Float64() }
	sc := scenario.Default()
	sc.Name, sc.Seed, sc.Days = fmt.Sprintf("wiring-%d", seed), seed, wiringDays
	n := 2 + d.IntN(3)
	about := fmt.Sprintf("%d batteries", n)
	drawBatteries(&sc, n, d, &about)
	w := &sc.Bank.Wiring
	w.PositiveLinkMohm, w.NegativeLinkMohm, w.PositivePostMohm, w.NegativePostMohm = nil, nil, nil, nil
	for k := range n {
		w.PositivePostMohm = append(w.PositivePostMohm, from(0.05, 0.15))
		w.NegativePostMohm = append(w.NegativePostMohm, from(0.05, 0.15))
		if k > 0 {
			w.PositiveLinkMohm = append(w.PositiveLinkMohm, 0.2*math.Pow(15, d.Float64()))
			w.NegativeLinkMohm = append(w.NegativeLinkMohm, 0.2*math.Pow(15, d.Float64()))
		}
	}
	about += fmt.Sprintf("; links %.2f and %.2f mΩ", w.PositiveLinkMohm, w.NegativeLinkMohm)
	place := func(name string, l *scenario.Leads) {
		first, last := sc.Bank.Batteries[0].ID, sc.Bank.Batteries[n-1].ID
		any := func() string { return sc.Bank.Batteries[d.IntN(n)].ID }
		l.PositiveAt, l.NegativeAt = first, last
		switch d.IntN(6) {
		case 0:
			l.PositiveAt, l.NegativeAt = last, first
		case 1:
			l.NegativeAt = first
		case 2:
			l.PositiveAt = last
		case 3:
			l.PositiveAt, l.NegativeAt = any(), any()
		}
		about += fmt.Sprintf("; %s %s-%s", name, l.PositiveAt, l.NegativeAt)
	}
	place("load", &w.LoadLeads)
	place("feed", &w.FeedLeads)
	sc.Weather = scenario.Weather{MeanC: from(-15, 35), SeasonC: 3, DayC: 5, SpellC: 3, WarmestDay: 200}
	sc.Duty.Stops, sc.Duty.LiftsPerStop, sc.Duty.NudgesPerStop = [2]int{4, 6}, [2]int{1, 2}, [2]int{0, 1}
	sc.Duty.Up = [2]time.Duration{6 * time.Second, 12 * time.Second}
	errAtLimits(&sc, d)
	return sc, fmt.Sprintf("%s; %.0f °C", about, sc.Weather.MeanC)
}

func drawBatteries(sc *scenario.Scenario, n int, d *rand.Rand, about *string) {
	from := func(a, b float64) float64 { return a + (b-a)*d.Float64() }
	chemistry := []cell.Chemistry{cell.Flooded, cell.AGM, cell.Gel}[d.IntN(3)]
	rating := []struct{ ah, cca float64 }{{70, 700}, {80, 500}, {90, 750}, {100, 950}, {110, 850}}[d.IntN(5)]
	*about += fmt.Sprintf(" %s %g A", chemistry, rating.cca)
	sc.Bank.Batteries = nil
	for k := range n {
		b := scenario.Battery{
			ID: string(rune('a' + k)), Chemistry: chemistry, RatedAh: rating.ah, RatedCCA: rating.cca, SoCPct: from(85, 100),
			Ageing: scenario.Ageing{LostCapacityPct: from(0, 5), RaisedResistancePct: from(0, 5)},
		}
		if d.IntN(3) == 0 {
			b.Ageing = []scenario.Ageing{
				{RaisedResistancePct: from(20, 100)}, {LostCapacityPct: from(10, 40)}, {SulphationPct: from(5, 20)},
				{LostCapacityPct: 13, RaisedResistancePct: 25, SulphationPct: 5},
			}[d.IntN(4)]
			*about += fmt.Sprintf(", %s weak %v", b.ID, b.Ageing)
		}
		sc.Bank.Batteries = append(sc.Bank.Batteries, b)
	}
}

// errAtLimits puts every voltage and current sensor at an end of its class.
func errAtLimits(sc *scenario.Scenario, d *rand.Rand) {
	sign := func() float64 { return float64(d.IntN(2)*2 - 1) }
	add := func(channel string, offset, noise float64) {
		sc.Sensors.Errors = append(sc.Sensors.Errors, scenario.SensorError{Channel: channel, Offset: offset * sign(), GainPct: sign(), NoiseRMS: noise})
	}
	for i, b := range sc.Bank.Batteries {
		add("voltage-"+b.ID, 0.010, 0.002)
		add("current-"+b.ID, 0.2, 0.1)
		if i > 0 {
			add("negative-"+b.ID, 0.010, 0.0005)
		}
	}
	add("motor", 0.010, 0.002)
	add("feed", 0.010, 0.002)
}

// RunWirings plays the units, by seed. With an error it gives those that have ended.
func RunWirings(ctx context.Context, w Wirings) ([]WiredUnit, error) {
	units := make([]WiredUnit, w.Units)
	var progress sync.Mutex
	ended, err := inParallel(ctx, w.Workers, w.Units, func(k int) (err error) {
		units[k], err = runWired(ctx, w.First+uint64(k), w)
		if w.Progress != nil && err == nil {
			progress.Lock()
			defer progress.Unlock()
			w.Progress(units[k])
		}
		return err
	})
	return only(units, ended), err
}

func runWired(ctx context.Context, seed uint64, w Wirings) (WiredUnit, error) {
	sc, about := WiredScenario(seed)
	if w.Days > 0 {
		sc.Days = w.Days
	}
	u := WiredUnit{Seed: seed, About: about, Days: sc.Days}
	o := Options{Coarse: coarseRest}
	if w.Fine {
		o.Coarse = 0
	}
	r, err := newRun(sc, o)
	if err != nil {
		return u, err
	}
	for r.rig.Clock.Now() < sc.Length() {
		if _, err := r.core.Next(ctx); err != nil {
			return u, fmt.Errorf("%s: %w", sc.Name, err)
		}
	}
	u.judge(r)
	return u, nil
}

func (u *WiredUnit) judge(r *run) {
	out, unit := r.core.Output(), r.rig.Unit
	u.Wiring.add(out, unit)
	w, n := unit.Wiring(), unit.Batteries()
	for _, p := range []struct {
		name string
		got  network.Leads
		want network.Arrangement
	}{
		{"load", out.Bank.LoadLeads, ArrangementOf(w.LoadPositive.At, w.LoadNegative.At, n)},
		{"feed", out.Bank.FeedLeads, ArrangementOf(w.FeedPositive.At, w.FeedNegative.At, n)},
	} {
		if p.got.Arrangement != p.want {
			u.Wrong += fmt.Sprintf("; %s leads %v on %d and %d (%.3f, waits for %q), not %v", p.name, p.got.Arrangement, p.got.Positive, p.got.Negative, p.got.Probability, p.got.WaitsFor, p.want)
		}
	}
	for i := range out.Links {
		l := &out.Links[i]
		e := linkError{trueMohm: TrueLinkMohm(&w, n, l.Side, l.From)}
		e.offMohm = l.Mohm.Value - e.trueMohm
		switch {
		case !l.Mohm.Known:
			u.Wrong += fmt.Sprintf("; %v link %d not said (%.2f mΩ)", l.Side, l.From, e.trueMohm)
		case e.share() > 1:
			u.Wrong += fmt.Sprintf("; %v link %d %.2f ± %.2f, not %.2f mΩ", l.Side, l.From, l.Mohm.Value, l.Mohm.Sigma, e.trueMohm)
		}
	}
}

// Sentence says what was made of one unit.
func (u *WiredUnit) Sentence() string { return fmt.Sprintf("unit %d: %s%s", u.Seed, u.About, u.Wrong) }

// WriteWirings prints how often leads and links were told right.
func WriteWirings(w io.Writer, units []WiredUnit, took time.Duration) error {
	var all wiringTally
	var days float64
	for i := range units {
		all.merge(&units[i].Wiring)
		days = units[i].Days
	}
	right, wrong := float64(all.right), float64(all.wrong)
	_, err := fmt.Fprintf(w, "%d units of %.0f days\n%s\nleads told right %.2f %% (95 %% certain: %.2f %% or more), told wrong %.2f %% (at most %.2f %%)\nlinks within 0.1 mΩ or 10 %%: %.2f %% of those told; %.0f units an hour\n",
		len(units), days, all.sentence(), 100*right/float64(all.leads), 100*LeastShare(all.right, all.leads), 100*wrong/float64(all.leads),
		100*(1-LeastShare(all.leads-all.wrong, all.leads)), 100*float64(all.within)/float64(max(all.links, 1)), float64(len(units))/took.Hours())
	return err
}

// LeastShare gives the lower end of the one-sided 95 % confidence interval of a share of which k in n were seen (Clopper and Pearson 1934):
// the p at which k or more in n have a probability of 5 %.
func LeastShare(k, n int) float64 {
	if k == 0 || n == 0 {
		return 0
	}
	low, high := 0.0, 1.0
	for range 60 {
		p := (low + high) / 2
		if tail(k, n, p) < 0.05 {
			low = p
		} else {
			high = p
		}
	}
	return low
}

// tail gives the probability of k or more in n.
func tail(k, n int, p float64) (sum float64) {
	lgN, _ := math.Lgamma(float64(n) + 1)
	for i := n; i >= k; i-- {
		a, _ := math.Lgamma(float64(i) + 1)
		b, _ := math.Lgamma(float64(n-i) + 1)
		sum += math.Exp(lgN - a - b + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
	}
	return sum
}
