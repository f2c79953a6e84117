package config

import (
	"math"
	"time"
)

// Motor is how runs of the pump motor are told and counted.
type Motor struct {
	MinCurrentA   float64 // A drawn from the bank, positive: the least of a running motor
	LiftCycleRuns int     // runs that make a lift cycle
	LeastV        float64 // V at the motor's terminal in a run: below it a lift does not work
	FloorPct      float64 // % of charge below which no lift counts as left; 0: the voltage alone decides
}

// Feed is when the charger's side counts as present, and how long it may take.
type Feed struct {
	Allowance time.Duration // from wake line on until it must be up
	PresentV  float64       // V at 25 °C: a feed voltage above it is a charger's
	PresentA  float64       // A into the bank that must come from a feed
}

// Findings are the limits and times of the findings.
type Findings struct {
	FeedLostAfter       time.Duration // after Feed.Allowance
	BankLowV            float64       // rested, at 25 °C
	BankLowClearV       float64       // above BankLowV
	RestTime            time.Duration // least rest before a rested voltage is judged
	UnderchargedAfter   time.Duration // without a full charge
	UnderchargedSoCPct  float64       // or under this charge
	UnderchargedSoCTime time.Duration // for this long
	SeriesV             float64
	SenseFaultAfter     time.Duration
}

const day = 24 * time.Hour

func defaultMotor() Motor { return Motor{MinCurrentA: 30, LiftCycleRuns: 2, LeastV: 9.6} }

func defaultFeed() Feed { return Feed{Allowance: 2 * time.Minute, PresentV: 13.3, PresentA: 1} }

func defaultFindings() Findings {
	return Findings{
		FeedLostAfter: 3 * time.Minute, BankLowV: 12.4, BankLowClearV: 12.4 + bankLowHysteresisV, RestTime: time.Hour,
		UnderchargedAfter: 7 * day, UnderchargedSoCPct: 60, UnderchargedSoCTime: 3 * day, SeriesV: 18, SenseFaultAfter: 30 * time.Second,
	}
}

// bankLowHysteresisV is one reading error of a divider tap.
const bankLowHysteresisV = 0.05

func (m *Motor) read(s *section) {
	s.number("min_current_a", &m.MinCurrentA, span{5, 200, "A"},
		about{doc: "least that the bank gives to a running motor; more than lights and controls take. Our choice: a third of what a small pump motor draws"})
	s.whole("lift_cycle_runs", &m.LiftCycleRuns, 1, 100, "",
		about{doc: "motor runs that make one lift cycle. Our choice: one run to lift or open, one to close"})
	s.number("least_v", &m.LeastV, span{7, 11.5, "V"},
		about{doc: "lifts left: voltage at the motor's terminal in a run below which a lift does not work. 80 % of 12 V, under which 12 V contactors need not hold (common practice, no source); the lift maker's figure where known"})
	s.number("charge_floor_pct", &m.FloorPct, span{0, 90, "%"},
		about{doc: "lifts left: charge of the bank below which no lift is counted; 0: the voltage alone decides. Makers advise 20 to 50 for long life (common practice, no source)"})
}

func (f *Feed) read(s *section) {
	s.duration("allowance", &f.Allowance, 0, time.Hour,
		about{doc: "how long after the wake line the feed may take to come up. Our choice: soft start and wake delay of a converter are seconds"})
	s.number("present_v", &f.PresentV, span{12.9, 15, "V"},
		about{doc: "a feed voltage above it, at 25 °C, is a charger's: under every published float setting but the lowest flooded one (13.0)"})
	s.number("present_a", &f.PresentA, span{0.1, 20, "A"},
		about{doc: "a current into the bank above it must come from a feed. Our choice: five times the zero error of a ±200 A sensor"})
}

func (f *Findings) read(s *section) {
	s.duration("feed_lost_after", &f.FeedLostAfter, time.Second, day,
		about{doc: "feed-lost: no feed this long after feed.allowance. Our choice: with the allowance, found within 5 min of the wake line"})
	s.number("bank_low_v", &f.BankLowV, span{11.5, 12.9, "V"},
		about{doc: "bank-low: rested voltage of the bank at 25 °C below it. Common practice, no source; service manuals charge below 12.4 V before a test"})
	f.BankLowClearV = math.Round((f.BankLowV+bankLowHysteresisV)*1000) / 1000 // to mV: 12.45, not 12.450000000000001
	s.number("bank_low_clear_v", &f.BankLowClearV, span{11.5, 13, "V"},
		about{doc: "bank-low clears above it; more than bank_low_v", usually: "bank_low_v + 0.05"})
	s.duration("rest_time", &f.RestTime, 10*time.Minute, day,
		about{doc: "bank-low: least rest before a voltage is judged. Published: about 1 h to settle after a load, 3 to 24 h after a charge, which is waited for besides"})
	s.duration("undercharged_after", &f.UnderchargedAfter, time.Hour, 90*day,
		about{doc: "bank-undercharged: no full charge for this long. IEEE Std 1361 and 937 practice: one every 7 to 14 days (from memory)"})
	s.number("undercharged_soc_pct", &f.UnderchargedSoCPct, span{10, 95, "%"},
		about{doc: "bank-undercharged: or charge below it, for undercharged_soc_time. Our choice, under the 70 % published as the limit in storage"})
	s.duration("undercharged_soc_time", &f.UnderchargedSoCTime, time.Hour, 90*day,
		about{doc: "see undercharged_soc_pct. Hard sulphation begins after 24 to 48 h discharged in the warm (general literature, from memory)"})
	s.number("series_v", &f.SeriesV, span{16.5, 23, "V"},
		about{doc: "series-wired: any voltage above it. Common practice, no source: no 12 V charger reaches it, two batteries in series do"})
	s.duration("sense_fault_after", &f.SenseFaultAfter, time.Second, time.Hour,
		about{doc: "sense-fault: no usable reading for this long. Our choice: a plug touched on a visit is no fault"})
}
