package scenario

import (
	"time"

	"liftbank/sim/cell"
)

// Default is a sound two-battery unit on a working day, one day long. A file says only where it differs.
func Default() Scenario {
	minutes := func(a, b float64) [2]Span {
		return [2]Span{Span(a * float64(time.Minute)), Span(b * float64(time.Minute))}
	}
	seconds := func(a, b float64) [2]Span {
		return [2]Span{Span(a * float64(time.Second)), Span(b * float64(time.Second))}
	}
	return Scenario{
		Days: 1, Start: time.Date(2025, 3, 3, 5, 0, 0, 0, time.UTC), Seed: 1,
		Bank: Bank{Layout: "parallel", Batteries: []Battery{defaultBattery("a"), defaultBattery("b")}, Wiring: Wiring{
			FeedLeads: Leads{At: "diagonal", PositiveMohm: 2, NegativeMohm: 2},
			LoadLeads: Leads{At: "diagonal", PositiveMohm: 1.5, NegativeMohm: 1},
		}},
		Feed: Feed{
			AlternatorV: 14, CableMohm: 25, EfficiencyPct: 90, PowerW: 500, LimitA: 40, MinInputV: 11, StartDelay: Span(5 * time.Second),
			AbsorptionV: 14.4, FloatV: 13.6, CompensationMVPC: -24,
			TailA: 1, TailFor: Span(10 * time.Minute), AbsorptionMax: Span(4 * time.Hour),
		},
		Motor: Motor{
			RunA: 120, ReliefA: 160, ResistanceMohm: 26, NominalV: 12.4, SpinVPerAs: 0.3,
			BreakerA: 150, BreakerReset: "auto", ResetAfter: Span(time.Hour),
		},
		Duty: Duty{
			WorkDays: []string{"mon", "tue", "wed", "thu", "fri"}, Depart: Span(6 * time.Hour),
			Stops: [2]int{8, 12}, Drive: minutes(20, 45), FarDrive: minutes(60, 90), Stay: minutes(8, 20),
			LiftsPerStop: [2]int{1, 3}, RunsPerLift: 1, Up: seconds(8, 14), Gap: seconds(25, 70),
			NudgesPerStop: [2]int{0, 2}, Nudge: seconds(0.3, 1),
		},
		Weather: Weather{MeanC: 12, SeasonC: 10, DayC: 5, SpellC: 3, WarmestDay: 200},
	}
}

func defaultBattery(id string) Battery {
	return Battery{ID: id, Chemistry: cell.Flooded, RatedAh: 100, RatedCCA: 950, SoCPct: 100}
}

// Joints and links of copper cable with clean clamps, mΩ (common practice, no source).
const (
	defaultLinkMohm = 0.5
	defaultPostMohm = 0.1
)
