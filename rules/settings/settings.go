// Package settings declares the limits that are not one finding's own: what more than one part of
// the rules goes by.
package settings

import (
	"time"

	"liftbank/rules/limit"
)

// Settings are the values of these limits on one unit.
type Settings struct {
	MotorMinA      float64       // drawn by a running motor
	MotorUsualA    float64       // drawn while lifting, at 25 °C; 0: learned
	MotorMinV      float64       // at the motor's terminal, below which a lift does not work
	ChargeFloorPct float64       // of charge, below which no lift is counted as left; 0: voltage alone decides
	CycleRuns      uint64        // motor runs that make a lift cycle
	FeedAllowance  time.Duration // the converter may take this long to come up after the wake line
	FeedPresentV   float64       // a feed voltage above this, at 25 °C, is a charger's
	FeedPresentA   float64       // current into the bank that must come from a feed
	FeedRatedA     float64       // the most that the converter gives; 0: learned
	FeedInputMinV  float64       // ahead of the converter, below which it does not work
	ReliefUpBar    float64       // at which the relief valve opens, lifting; 0: not known
	ReliefDownBar  float64       // the same, lowering under power
	OwnDrawA       float64       // that the board itself takes from the bank, awake
	RadioA         float64       // and its radio, while it is on
	AsleepA        float64       // and both, asleep
	SavingAfter    time.Duration // parked, before the board saves
	SavingBelowPct float64       // charge of the lowest battery under which it saves
	SavingScan     time.Duration // between scans at rest then
	SleepAfter     time.Duration // parked, before it sleeps
	SleepBelowPct  float64       // charge under which it sleeps
	WakeEvery      time.Duration // a timer wakes it
	LowV           float64       // rested voltage at 25 °C, below which the bank wants a charge
	RestTime       time.Duration // rest before a rested voltage is judged
	MaxShelving    time.Duration // longest time that a finding can be shelved for
}

// Limits declares them.
func (s *Settings) Limits() []limit.Limit {
	return []limit.Limit{
		limit.Number{To: &s.MotorMinA, Default: 30, Min: 2, Max: 200, Unit: "A", About: limit.About{
			Path: "motor.min_current_a", Origin: limit.Choice,
			Doc: "least that the bank gives to a running motor; more than lights and controls take. A third of what a small " +
				"pump motor draws",
		}},
		limit.Count{To: &s.CycleRuns, Default: 2, Min: 1, Max: 100, About: limit.About{
			Path: "motor.lift_cycle_runs", Origin: limit.Choice,
			Doc: "motor runs that make one lift cycle. One run to lift or open, one to close",
		}},
		limit.Number{To: &s.MotorUsualA, Max: 500, Unit: "A", About: limit.About{
			Path: "motor.run_a", Origin: limit.Owner, Usual: "0: learned",
			Doc: "what the motor usually draws while lifting, at 25 °C. 0: learned from its first 30 runs; when it is set, a " +
				"motor that draws too much from the start is found too",
		}},
		limit.Number{To: &s.MotorMinV, Default: 9.6, Min: 7, Max: 11.5, Unit: "V", About: limit.About{
			Path: "motor.least_v", Origin: limit.Practice, OfBank: true,
			Doc: "lifts left: voltage at the motor's terminal in a run below which a lift does not work. 80 % of 12 V, under " +
				"which 12 V contactors need not hold (common practice, no source); the lift maker's figure where known",
		}},
		limit.Number{To: &s.ChargeFloorPct, Max: 90, Unit: "%", About: limit.About{
			Path: "motor.charge_floor_pct", Origin: limit.Practice,
			Doc: "lifts left: charge of the bank below which no lift is counted; 0: the voltage alone decides. Makers advise " +
				"20 to 50 for long life (common practice, no source)",
		}},
		limit.Span{To: &s.FeedAllowance, Default: 2 * time.Minute, Max: time.Hour, About: limit.About{
			Path: "feed.allowance", Origin: limit.Choice,
			Doc: "how long after the wake line the feed may take to come up. Soft start and wake delay of a converter are " +
				"seconds",
		}},
		limit.Number{To: &s.FeedPresentV, Default: 13.3, Min: 12.9, Max: 15, Unit: "V", About: limit.About{
			Path: "feed.present_v", Origin: limit.Published, OfBank: true,
			Doc: "a feed voltage above it, at 25 °C, is a charger's: under every published float setting but the lowest " +
				"flooded one (13.0)",
		}},
		limit.Number{To: &s.FeedPresentA, Default: 1, Min: 0.1, Max: 20, Unit: "A", About: limit.About{
			Path: "feed.present_a", Origin: limit.Choice,
			Doc: "a current into the bank above it must come from a feed. Five times the zero error of a ±200 A sensor",
		}},
		limit.Number{To: &s.FeedRatedA, Max: 300, Unit: "A", About: limit.About{
			Path: "feed.rated_a", Origin: limit.Owner, Usual: "0: learned",
			Doc: "most that the converter gives at 14 V: from its plate. 0: the most it has been seen to give; one that was " +
				"weak from the start is then not found",
		}},
		limit.Number{To: &s.FeedInputMinV, Default: 11, Min: 7, Max: 32, Unit: "V", About: limit.About{
			Path: "feed.least_input_v", Origin: limit.Practice,
			Doc: "feed_input below it: the tractor's side gives the converter too little to work. Converters for 12 V hold back or " +
				"stop at 10.5 to 11 V (common practice, no source); the converter's own figure where known",
		}},
		limit.Number{To: &s.ReliefUpBar, Max: 1000, Unit: "bar", About: limit.About{
			Path: "oil.relief_up_bar", Origin: limit.Owner, Usual: "0: not judged",
			Doc: "pressure at which the relief valve is to open while lifting, from the lift maker's manual; with oil_pressure, " +
				"relief-off holds the valve against it",
		}},
		limit.Number{To: &s.ReliefDownBar, Max: 1000, Unit: "bar", About: limit.About{
			Path: "oil.relief_down_bar", Origin: limit.Owner, Usual: "0: not judged",
			Doc: "the same while lowering under power, of a lift that does; leave it out where it lowers by its weight",
		}},
		limit.Number{To: &s.OwnDrawA, Default: 0.06, Max: 2, Unit: "A", About: limit.About{
			Path: "board.own_draw_a", Origin: limit.Published,
			Doc: "what the monitor board itself takes from the bank while it is awake. A small Linux board was measured idling at " +
				"120 mA of 5 V (a published review of 2021): 56 mA at 12.6 V through a converter of 85 %. Measure your own: " +
				"everything else off, a meter in its supply",
		}},
		limit.Number{To: &s.RadioA, Max: 2, Unit: "A", About: limit.About{
			Path: "power.radio_a", Origin: limit.Owner, Usual: "0: in board.own_draw_a",
			Doc: "what its radio takes besides while it is connected, on average: measured in use. With 0 it stays on while the " +
				"board saves",
		}},
		limit.Number{To: &s.AsleepA, Default: 0.008, Max: 1, Unit: "A", About: limit.About{
			Path: "power.asleep_a", Origin: limit.Choice,
			Doc: "what board and radio take while the board is off and waits to be woken, supply included. Converters without " +
				"a load take some milliamperes; measure your own",
		}},
		limit.Span{To: &s.SavingAfter, Default: 3 * 24 * time.Hour, Min: time.Hour, Max: 365 * 24 * time.Hour, About: limit.About{
			Path: "power.saving_after", Origin: limit.Choice, Below: "power.sleep_after",
			Doc: "parked so long, with neither motor nor wake line nor feed on, the board saves: scans at rest every saving_scan, " +
				"a radio with radio_a on by the hour. A long weekend",
		}},
		limit.Number{To: &s.SavingBelowPct, Default: 50, Max: 95, Unit: "%", About: limit.About{
			Path: "power.saving_below_pct", Origin: limit.Choice,
			Doc: "the lowest battery's charge below it, by its uncertainty: the board saves from half an hour after the unit was " +
				"last used. 0: never for that",
		}},
		limit.Span{To: &s.SavingScan, Default: 5 * time.Second, Min: 200 * time.Millisecond, Max: time.Minute, About: limit.About{
			Path: "power.saving_scan", Origin: limit.Choice,
			Doc: "between scans at rest while the board saves, where it is more than board.scan.rest_every and motor_command is " +
				"wired: by current alone a short run would be missed",
		}},
		limit.Span{To: &s.SleepAfter, Default: 10 * 24 * time.Hour, Min: 2 * time.Hour, Max: 730 * 24 * time.Hour, About: limit.About{
			Path: "power.sleep_after", Origin: limit.Choice,
			Doc: "parked so long, the board has itself switched off, if wake_by says what wakes it. A board of 60 mA has taken " +
				"14 Ah by then",
		}},
		limit.Number{To: &s.SleepBelowPct, Default: 30, Max: 95, Unit: "%", About: limit.About{
			Path: "power.sleep_below_pct", Origin: limit.Choice, Below: "power.saving_below_pct",
			Doc: "the same from an hour after the unit was last used, with the lowest battery's charge below it by its uncertainty",
		}},
		limit.Span{To: &s.WakeEvery, Default: 24 * time.Hour, Min: 4 * time.Hour, Max: 30 * 24 * time.Hour, About: limit.About{
			Path: "power.wake_every", Origin: limit.Choice,
			Doc: "the timer wakes it after that. It stays up until rests can be judged, an hour or more, says how the bank is, and " +
				"sleeps again",
		}},
		limit.Number{To: &s.LowV, Default: 12.4, Min: 11.5, Max: 12.9, Unit: "V", About: limit.About{
			Path: "findings.bank_low_v", Origin: limit.Practice, OfBank: true, Below: "findings.bank_low_clear_v",
			Doc: "bank-low: rested voltage of the bank at 25 °C below it. Common practice, no source; service manuals charge " +
				"below 12.4 V before a test",
		}},
		limit.Span{To: &s.RestTime, Default: time.Hour, Min: 10 * time.Minute, Max: 24 * time.Hour, About: limit.About{
			Path: "findings.rest_time", Origin: limit.Published, Below: "findings.undercharged_after",
			Doc: "bank-low: least rest before a voltage is judged. Published: about 1 h to settle after a load, 3 to 24 h " +
				"after a charge, which is waited for besides",
		}},
		limit.Span{
			To:      &s.MaxShelving,
			Default: 30 * 24 * time.Hour,
			Min:     time.Minute,
			Max:     366 * 24 * time.Hour,
			About: limit.About{
				Path: "findings.max_shelving", Origin: limit.Choice,
				Doc: "longest time that a finding can be shelved for. Units are seen a few times a year, and what is shelved " +
					"must come back before it is forgotten",
			},
		},
	}
}
