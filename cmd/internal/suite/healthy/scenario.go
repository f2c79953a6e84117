package healthy

import (
	"fmt"
	"math/rand/v2"
	"time"

	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/internal/trial"
	"liftbank/sim/cell"
	"liftbank/sim/scenario"
)

// Scenario draws a healthy unit, its climate, its duty and its makers' spread from a seed, and
// describes it.
//
// Healthy means: no fault, leads diagonal, links and joints as new, capability and capacity within
// makers' spread (90 % of rated and more), stops enough to charge at.
func Scenario(seed uint64) (sc scenario.Scenario, about string) {
	random := rand.New(rand.NewPCG(seed, 0x6865616c))
	sc = scenario.Default()
	sc.Name, sc.Seed, sc.Days = fmt.Sprintf("healthy-%d", seed), seed, days
	sc.Start = time.Date(2025, 1, 1, 5, 0, 0, 0, time.UTC).AddDate(0, 0, random.IntN(365))
	about = drawBank(&sc, random)
	about += ", " + drawClimate(&sc, random)
	about += ", " + drawDuty(&sc, random)
	return sc, about
}

// ScenarioOf draws a healthy unit that is built for a layout.
func ScenarioOf(layout string, seed uint64) (sc scenario.Scenario, about string) {
	if layout == scenario.Parallel {
		return Scenario(seed)
	}
	random := rand.New(rand.NewPCG(seed, 0x737472696e67))
	sc = scenario.DefaultFor(layout)
	sc.Name, sc.Seed, sc.Days = fmt.Sprintf("healthy-%s-%d", layout, seed), seed, days
	sc.Start = time.Date(2025, 1, 1, 5, 0, 0, 0, time.UTC).AddDate(0, 0, random.IntN(365))
	about = drawStrings(&sc, random)
	about += ", " + drawClimate(&sc, random)
	about += ", " + drawDuty(&sc, random)
	return sc, about
}

// What new batteries of one type differ by, in the strings of a healthy unit. Just below what the truth has in
// doubt: 7 % of capacity and 4 points of charge.
const (
	stringCapacityPct   = 7.0 // a matched set is within 5 % (common practice, no source)
	stringResistancePct = 5.0 // less with little capacity, so that each still gives 90 % of its cranking current
	stringChargePct     = 1.9 // up and down: charged together after they had stood on a shelf; our choice
	// %: of the capacity a month, at 25 °C that one loses more. Low-antimony ones lose 4 to 8 % (published), so 4 more, and
	// twice that in a box at 35 °C.
	stringLeakPct = 8.0
	monthHours    = 720.0
)

// drawStrings draws batteries in series: of one make and charged together, but each with what its maker's
// spread left it, and one that loses more than the rest.
func drawStrings(sc *scenario.Scenario, random *rand.Rand) (about string) {
	chemistry, rating := drawMake(random)
	charged := draw.Between(random, 87, 99)
	for k := range sc.Bank.Batteries {
		b := scenario.Battery{
			ID: sc.Bank.Batteries[k].ID, Chemistry: chemistry, RatedAh: rating.ah, RatedCCA: rating.cca,
			SoCPct: min(charged+draw.Between(random, -stringChargePct, stringChargePct), 100),
			Aging: scenario.Aging{
				LostCapacityPct: draw.Between(random, 0, stringCapacityPct), RaisedResistancePct: draw.Between(random, 0, stringResistancePct),
				SulfationPct: draw.Between(random, 0, 1),
			},
		}
		b.Aging.RaisedResistancePct *= min(1, (stringCapacityPct-b.Aging.LostCapacityPct)/2)
		sc.Bank.Batteries[k] = b
	}
	n := len(sc.Bank.Batteries)
	leaky := scenario.Fault{
		Kind: "self-discharge", Battery: sc.Bank.Batteries[random.IntN(n)].ID,
		Amp: draw.Between(random, 0, stringLeakPct/100*rating.ah/monthHours),
	}
	sc.Faults = []scenario.Fault{leaky}
	draw.DiagonalLeads(sc, draw.Between(random, 0.2, 0.8))
	share := min(1, float64(n/2)*rating.cca/650)
	m := &sc.Motor
	m.RunA, m.ReliefA, m.BreakerA, m.ResistanceMohm = m.RunA*share, m.ReliefA*share, m.BreakerA*share, m.ResistanceMohm/share
	if chemistry == cell.Gel {
		sc.Feed.AbsorptionV = 28.4
	}
	about = fmt.Sprintf("%d x %s %g Ah %g A in %s", n, chemistry, rating.ah, rating.cca, sc.Bank.Layout)
	if random.IntN(3) == 0 {
		sc.Feed.EqualizerA = draw.Between(random, 2, 5)
		about += fmt.Sprintf(", a balancing output of %.1f A", sc.Feed.EqualizerA)
	}
	return about
}

// rating is a battery's label.
type rating struct{ ah, cca float64 }

func drawMake(random *rand.Rand) (cell.Chemistry, rating) {
	chemistry := []cell.Chemistry{cell.Flooded, cell.AGM, cell.Gel}[random.IntN(3)]
	return chemistry, []rating{
		{60, 540}, {70, 700}, {80, 500}, {90, 750}, {100, 950}, {110, 850}, {100, 800}, {75, 600},
	}[random.IntN(8)]
}

func drawBank(sc *scenario.Scenario, random *rand.Rand) (about string) {
	chemistry, rating := drawMake(random)
	n := []int{1, 2, 2, 2, 2, 3, 4}[random.IntN(7)]
	sc.Bank.Batteries = nil
	for k := range n {
		sc.Bank.Batteries = append(sc.Bank.Batteries, scenario.Battery{
			ID: string(rune('a' + k)), Chemistry: chemistry, RatedAh: rating.ah, RatedCCA: rating.cca,
			SoCPct: draw.Between(random, 85, 100),
			Aging: scenario.Aging{
				LostCapacityPct: draw.Between(random, 0, 5), RaisedResistancePct: draw.Between(random, 0, 5),
				SulfationPct: draw.Between(random, 0, 1),
			},
		})
	}
	draw.DiagonalLeads(sc, draw.Between(random, 0.2, 0.8))
	// A small bank carries a small motor.
	share := min(1, float64(n)*rating.cca/1300)
	sc.Motor.RunA, sc.Motor.ReliefA, sc.Motor.BreakerA = 120*share, 160*share, 150*share
	sc.Motor.ResistanceMohm = 26 / share
	if chemistry == cell.Gel {
		sc.Feed.AbsorptionV = 14.2
	}
	return fmt.Sprintf("%d x %s %g Ah %g A", n, chemistry, rating.ah, rating.cca)
}

func drawClimate(sc *scenario.Scenario, random *rand.Rand) (about string) {
	climate := []struct {
		name                      string
		mean, season, day, spells float64
	}{
		{"mild", 12, 10, 5, 3}, {"cold", 2, 16, 6, 6}, {"arctic", -5, 18, 6, 6}, {"hot", 26, 9, 8, 4},
		{"tropical", 28, 3, 5, 2},
	}[random.IntN(5)]
	w := &sc.Weather
	w.MeanC, w.SeasonC, w.DayC, w.SpellC = climate.mean, climate.season, climate.day, climate.spells
	return climate.name
}

func drawDuty(sc *scenario.Scenario, random *rand.Rand) (about string) {
	seconds := func(a, b float64) [2]time.Duration {
		return [2]time.Duration{time.Duration(a * float64(time.Second)), time.Duration(b * float64(time.Second))}
	}
	stops := [][2]int{{2, 4}, {4, 8}, {8, 12}}[random.IntN(3)]
	sc.Duty.Stops = stops
	// Lifts are short, for speed: a run's first 200 ms and its last 120 ms are what is read. Some
	// of those who lift seldom are of full length.
	up := [][2]float64{{1, 1.6}, {1, 1.6}, {1.5, 4}, {8, 14}}[random.IntN(4)]
	if up[0] >= 8 && stops[0] > 2 {
		up = [2]float64{1, 1.6}
	}
	sc.Duty.Up = seconds(up[0], up[1])
	sc.Duty.EngineAtStops = random.IntN(6) == 0
	drive := [][2]float64{{5, 15}, {10, 30}, {20, 45}, {45, 90}}[random.IntN(4)]
	sc.Duty.Drive = seconds(60*drive[0], 60*drive[1])
	about = fmt.Sprintf("%d to %d stops a day, drives of %g to %g min, lifts of %g to %g s",
		stops[0], stops[1], drive[0], drive[1], up[0], up[1])
	if sc.Duty.EngineAtStops {
		about += ", engine on at stops"
	}
	return about
}

// disturbances are what the agent of a healthy unit has to bear: power lost every few days for a
// minute or some hours, in half of the units; four times a year a wall clock that is an hour or
// days wrong for some hours, and twice one that is not set; and readings that fail for some
// minutes, one chip's or all, four times each.
func disturbances(sc *scenario.Scenario, seed uint64) (trial.Restarts, []rig.ClockJump) {
	random := rand.New(rand.NewPCG(seed, 0x7570736574))
	between := func(a, b time.Duration) time.Duration { return a + time.Duration(random.Int64N(int64(b-a))) }
	const day = 24 * time.Hour
	sometime := func() time.Duration { return between(day, sc.Length()-day) }
	var cuts trial.Restarts
	if random.IntN(2) == 0 {
		cuts.Every = between(day, 20*day)
		cuts.Off = []time.Duration{
			time.Minute, between(time.Minute, 20*time.Minute), between(20*time.Minute, 6*time.Hour),
		}[random.IntN(3)]
	}
	if sc.Length() <= 3*day {
		return cuts, nil
	}
	var jumps []rig.ClockJump
	for _, by := range []time.Duration{-time.Hour, time.Hour, -2 * day, 3 * day} {
		jumps = append(jumps, rig.ClockJump{At: sometime(), For: between(time.Hour, 12*time.Hour), By: by})
	}
	fault := func(kind string, atMost time.Duration) {
		f := scenario.SensorFault{Kind: kind, At: sometime(), For: between(atMost/20, atMost)}
		sc.Sensors.Faults = append(sc.Sensors.Faults, f)
	}
	for range 2 {
		fault("clock-unset", day)
	}
	for range 4 {
		fault("bus-stuck", time.Hour)
		fault("chip-silent", time.Hour)
	}
	return cuts, jumps
}
