package scenario

import (
	"cmp"
	"slices"
	"time"

	"liftbank/sim/cell"
)

// Default returns a healthy two-battery unit on one working day. A file says only where it differs.
// Its wiring lists are empty; see [Scenario.Complete].
func Default() Scenario {
	minutes := func(a, b time.Duration) [2]time.Duration { return [2]time.Duration{a * time.Minute, b * time.Minute} }
	seconds := func(a, b time.Duration) [2]time.Duration { return [2]time.Duration{a * time.Second, b * time.Second} }
	return Scenario{
		Days: 1, Start: time.Date(2025, 3, 3, 5, 0, 0, 0, time.UTC), Seed: 1,
		// 120 mA of 5 V, idle: a published review of a small Linux board (2021); 12.6 V at 85 %
		BoardA: 0.06, Power: Power{AsleepA: 0.008, WakeEvery: 24 * time.Hour},
		Bank: Bank{Layout: Parallel, Configured: Parallel, Batteries: []Battery{DefaultBattery("a"), DefaultBattery("b")}, Wiring: Wiring{
			FeedLeads: Leads{At: "diagonal", PositiveMohm: 2, NegativeMohm: 2},
			LoadLeads: Leads{At: "diagonal", PositiveMohm: 1.5, NegativeMohm: 1},
		}},
		Feed: Feed{
			AlternatorV: 14, CableMohm: 25, EfficiencyPct: 90, PowerW: 500, LimitA: 40, MinInputV: 11,
			StartDelay:  5 * time.Second,
			AbsorptionV: 14.4, FloatV: 13.6, CompensationMVPC: -24,
			TailA: 1, TailFor: 10 * time.Minute, AbsorptionMax: 4 * time.Hour,
		},
		Motor: Motor{
			RunA: 120, ReliefA: 160, ReliefBar: 170, ResistanceMohm: 26, NominalV: 12.4, SpinVPerAs: 0.3,
			BreakerA: 150, BreakerReset: "auto", ResetAfter: time.Hour,
		},
		Duty: Duty{
			WorkDays: []string{"mon", "tue", "wed", "thu", "fri"}, Depart: 6 * time.Hour,
			Stops: [2]int{8, 12}, Drive: minutes(20, 45), FarDrive: minutes(60, 90), Stay: minutes(8, 20),
			LiftsPerStop: [2]int{1, 3}, RunsPerLift: 1, Up: seconds(8, 14), Gap: seconds(25, 70),
			NudgesPerStop: [2]int{0, 2}, Nudge: [2]time.Duration{300 * time.Millisecond, time.Second},
		},
		Weather: Weather{MeanC: 12, SeasonC: 10, DayC: 5, SpellC: 3, WarmestDay: 200},
	}
}

// DefaultFor returns the same for a unit that is built for a layout. On strings feed and motor are for 24
// V: the same power at twice the voltage, so half the current through four times the resistance, and a
// board behind a regulator that takes half. A unit with two strings has more of it.
func DefaultFor(layout string) Scenario {
	s := Default()
	s.Bank.Layout, s.Bank.Configured = layout, layout
	if layout == Parallel {
		return s
	}
	s.BoardA, s.Power.AsleepA = 0.03, 0.004
	f, m := &s.Feed, &s.Motor
	f.AbsorptionV, f.FloatV, f.CompensationMVPC = 28.8, 27.2, -48
	f.LimitA, f.TailA = 20, 0.5
	// 65 A a motor of 1.6 kW: as much as 120 A at 12.4 V
	m.RunA, m.ReliefA, m.ResistanceMohm, m.NominalV, m.SpinVPerAs, m.BreakerA = 65, 87, 96, 24.8, 1.1, 80
	if layout == SeriesPairs {
		s.Bank.Batteries = append(s.Bank.Batteries, DefaultBattery("c"), DefaultBattery("d"))
		f.PowerW, f.LimitA, f.TailA = 800, 30, 1
		m.RunA, m.ReliefA, m.ResistanceMohm, m.SpinVPerAs, m.BreakerA = 100, 133, 62, 0.72, 125
	}
	return s
}

// DefaultBattery returns a new, full battery.
func DefaultBattery(id string) Battery {
	return Battery{ID: id, Chemistry: cell.Flooded, RatedAh: 100, RatedCCA: 950, SoCPct: 100}
}

// Joints and links of copper cable with clean clamps, mΩ (common practice, no source).
const (
	defaultLinkMohm = 0.5
	defaultPostMohm = 0.1
)

// Complete fills in what a scenario leaves to its bank. A list of links or posts that is empty gets
// the default and one with a single value gets that, for each link or post of the bank. Leads
// placed by word are placed by battery.
func (s *Scenario) Complete() {
	s.Bank.Configured = cmp.Or(s.Bank.Configured, s.Bank.Layout)
	n := len(s.Bank.Batteries)
	if n == 0 {
		return
	}
	w := &s.Bank.Wiring
	spread(&w.PositiveLinkMohm, n-1, defaultLinkMohm)
	spread(&w.NegativeLinkMohm, n-1, defaultLinkMohm)
	spread(&w.PositivePostMohm, n, defaultPostMohm)
	spread(&w.NegativePostMohm, n, defaultPostMohm)
	first, last := s.Bank.Batteries[0].ID, s.Bank.Batteries[n-1].ID
	for _, l := range []*Leads{&w.FeedLeads, &w.LoadLeads} {
		end := last
		if l.At == "same-post" {
			end = first
		}
		l.PositiveAt, l.NegativeAt = cmp.Or(l.PositiveAt, first), cmp.Or(l.NegativeAt, end)
	}
}

func spread(mohm *[]float64, n int, byDefault float64) {
	switch len(*mohm) {
	case 0:
		*mohm = slices.Repeat([]float64{byDefault}, n)
	case 1:
		*mohm = slices.Repeat(*mohm, n)
	}
}
