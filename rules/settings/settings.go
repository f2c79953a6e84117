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
	OwnDrawA       float64       // that the board itself takes from the bank
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
			Path: "motor.least_v", Origin: limit.Practice,
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
			Path: "feed.present_v", Origin: limit.Published,
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
		limit.Number{To: &s.OwnDrawA, Default: 0.06, Max: 2, Unit: "A", About: limit.About{
			Path: "board.own_draw_a", Origin: limit.Published,
			Doc: "what the monitor board itself takes from the bank, all the time. A small Linux board was measured idling at " +
				"120 mA of 5 V (a published review of 2021): 56 mA at 12.6 V through a converter of 85 %. Measure your own: " +
				"everything else off, a meter in its supply",
		}},
		limit.Number{To: &s.LowV, Default: 12.4, Min: 11.5, Max: 12.9, Unit: "V", About: limit.About{
			Path: "findings.bank_low_v", Origin: limit.Practice, Below: "findings.bank_low_clear_v",
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
