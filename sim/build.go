package sim

import (
	"fmt"
	"slices"
	"time"

	"liftbank/sim/bank"
	"liftbank/sim/cell"
	"liftbank/sim/duty"
	"liftbank/sim/scenario"
)

// Scenario values brought to the units and types of the parts.

func batteriesOf(sc *scenario.Scenario, tempC float64) ([]cell.Battery, error) {
	batteries := make([]cell.Battery, len(sc.Bank.Batteries))
	for k := range batteries {
		b := &sc.Bank.Batteries[k]
		spec := cell.Spec{
			Chemistry: b.Chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA, Aging: agingOf(b.Aging),
			Design: designOf(b),
		}
		var err error
		if batteries[k], err = cell.New(spec, b.SoCPct, tempC); err != nil {
			return nil, fmt.Errorf("battery %s: %w", b.ID, err)
		}
	}
	return batteries, nil
}

func designOf(b *scenario.Battery) cell.Design {
	d := cell.DefaultDesign(b.Chemistry)
	if b.Layer.TransferPct > 0 {
		d.TransferPct = max(b.Layer.TransferPct, 1)
	}
	if b.Layer.RelaxationS > 0 {
		d.LayerS = max(b.Layer.RelaxationS, 0.001)
	}
	return d
}

func agingOf(a scenario.Aging) cell.Aging {
	return cell.Aging{
		LostCapacityPct: a.LostCapacityPct, RaisedResistancePct: a.RaisedResistancePct, SulfationPct: a.SulfationPct,
		ShortedCells: a.ShortedCells, OpenCell: a.OpenCell,
	}
}

func wiringOf(sc *scenario.Scenario) bank.Wiring {
	in := &sc.Bank.Wiring
	w := bank.Wiring{}
	if sc.Bank.Blocks() > 1 {
		w.Layout = bank.SeriesPairs
	}
	for k := range sc.Bank.Batteries {
		w.Reversed[k] = sc.Bank.Batteries[k].Reversed
	}
	ohms := func(to []float64, mohm []float64) {
		for k := range mohm {
			to[k] = mohm[k] / 1000
		}
	}
	ohms(w.PositivePost[:], in.PositivePostMohm)
	ohms(w.NegativePost[:], in.NegativePostMohm)
	ohms(w.PositiveLink[:], in.PositiveLinkMohm)
	ohms(w.NegativeLink[:], in.NegativeLinkMohm)
	lead := func(at string, mohm float64) bank.Lead { return bank.Lead{At: sc.Bank.Index(at), Ohm: mohm / 1000} }
	w.FeedPositive = lead(in.FeedLeads.PositiveAt, in.FeedLeads.PositiveMohm)
	w.FeedNegative = lead(in.FeedLeads.NegativeAt, in.FeedLeads.NegativeMohm)
	w.LoadPositive = lead(in.LoadLeads.PositiveAt, in.LoadLeads.PositiveMohm)
	w.LoadNegative = lead(in.LoadLeads.NegativeAt, in.LoadLeads.NegativeMohm)
	return w
}

func feedOf(sc *scenario.Scenario) bank.FeedConfig {
	f := &sc.Feed
	return bank.FeedConfig{
		AlternatorV: f.AlternatorV, CableOhm: f.CableMohm / 1000, Efficiency: f.EfficiencyPct / 100,
		PowerW: f.PowerW, LimitA: f.LimitA, MinInputV: f.MinInputV, StartS: f.StartDelay.Seconds(),
		AbsorptionV: f.AbsorptionV, FloatV: f.FloatV, CompensationVPerC: f.CompensationMVPC / 1000,
		TailA: f.TailA, TailS: f.TailFor.Seconds(), AbsorptionS: f.AbsorptionMax.Seconds(),
	}
}

func besideOf(sc *scenario.Scenario) bank.Beside {
	return bank.Beside{EqualizerA: sc.Feed.EqualizerA, Across: sc.Bank.Index(sc.Feed.Across) + 1}
}

func motorOf(sc *scenario.Scenario) bank.MotorConfig {
	m := &sc.Motor
	return bank.MotorConfig{
		RunA: m.RunA, ReliefA: m.ReliefA, Ohm: m.ResistanceMohm / 1000, NominalV: m.NominalV, SpinVPerAs: m.SpinVPerAs,
	}
}

func breakerOf(sc *scenario.Scenario) bank.BreakerConfig {
	return bank.BreakerConfig{
		RatedA: sc.Motor.BreakerA, AutoReset: sc.Motor.BreakerReset == "auto", HandS: sc.Motor.ResetAfter.Seconds(),
	}
}

// Words of the file for days of the week, by time.Weekday.
var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

func dutyOf(sc *scenario.Scenario) duty.Config {
	d := &sc.Duty
	span := func(s [2]time.Duration) duty.Span { return duty.Span{Min: s[0], Max: s[1]} }
	count := func(c [2]int) duty.Count { return duty.Count{Min: c[0], Max: c[1]} }
	out := duty.Config{
		Seed: sc.Seed, Start: sc.Start, Depart: d.Depart,
		Stops: count(d.Stops), Drive: span(d.Drive), Stay: span(d.Stay),
		LiftsPerStop: count(d.LiftsPerStop), RunsPerLift: d.RunsPerLift, Up: span(d.Up), Gap: span(d.Gap),
		NudgesPerStop: count(d.NudgesPerStop), Nudge: span(d.Nudge),
		FarEvery: d.FarEvery, FarDrive: span(d.FarDrive), EngineAtStops: d.EngineAtStops, BusyMonth: d.BusyMonth,
		SeasonSwing: d.SeasonSwingPct / 100,
	}
	for _, day := range d.WorkDays {
		out.WorkDays[slices.Index(weekdays, day)] = true
	}
	for _, p := range d.Parked {
		out.Parked = append(out.Parked, duty.Window{From: p.At, To: p.At + p.For})
	}
	for i := range sc.Faults {
		if f := &sc.Faults[i]; f.Kind == "held-at-top" {
			out.Holds = append(out.Holds, duty.Hold{
				Window: duty.Window{From: f.At, To: f.Until()}, Extra: f.Hold,
			})
		}
	}
	return out
}

func weatherOf(sc *scenario.Scenario) duty.Weather {
	w := &sc.Weather
	return duty.Weather{
		Seed: sc.Seed, Start: sc.Start, MeanC: w.MeanC, SeasonC: w.SeasonC, DayC: w.DayC, SpellC: w.SpellC,
		WarmestDay: w.WarmestDay,
	}
}
