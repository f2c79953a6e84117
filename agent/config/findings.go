package config

import (
	"math"
	"slices"
	"time"
)

// Motor is how runs of the pump motor are told and counted.
type Motor struct {
	MinCurrentA   float64 // A drawn from the bank, positive: the least of a running motor
	LiftCycleRuns int     // runs that make a lift cycle
	LeastV        float64 // V at the motor's terminal in a run: below it a lift does not work
	FloorPct      float64 // % of charge below which no lift counts as left; 0: the voltage alone decides
	RunA          float64 // A that it usually draws while lifting, at 25 °C; 0: learnt
}

// Service is when the lift wants service; zero: not watched.
type Service struct {
	LiftCycles int
	MotorTime  time.Duration
}

// Feed is when the charger's side counts as present, and how long it may take.
type Feed struct {
	Allowance time.Duration // from wake line on until it must be up
	PresentV  float64       // V at 25 °C: a feed voltage above it is a charger's
	PresentA  float64       // A into the bank that must come from a feed
	RatedA    float64       // most that the converter gives, A; 0: learnt
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

	FeedWeakDropV, FeedWeakPct, FeedHighMarginV float64
	BalanceFallPct, BalanceUnderPct             float64
	ShareRatio, ShareClearRatio                 float64
	LinkMohm, PostMohm                          float64
	CirculatingA, CirculatingClearA             float64
	MotorDropV, HungryRatio, StarvedRatio       float64
	OverrunRelief, OverrunRun                   time.Duration
	ParkedPct                                   float64 // of the rated capacity ...
	ParkedTime                                  time.Duration
	FreezeMarginC, HotC, HotClearC              float64
	ClockUnsureAfter                            time.Duration
	LongestShelf                                time.Duration
	OutOfService                                []string // findings that are not watched
}

const day = 24 * time.Hour

func defaultMotor() Motor { return Motor{MinCurrentA: 30, LiftCycleRuns: 2, LeastV: 9.6} }

func defaultFeed() Feed { return Feed{Allowance: 2 * time.Minute, PresentV: 13.3, PresentA: 1} }

func defaultFindings() Findings {
	return Findings{
		FeedLostAfter: 3 * time.Minute, BankLowV: 12.4, BankLowClearV: 12.4 + bankLowHysteresisV, RestTime: time.Hour,
		UnderchargedAfter: 7 * day, UnderchargedSoCPct: 60, UnderchargedSoCTime: 3 * day, SeriesV: 18, SenseFaultAfter: 30 * time.Second,
		FeedWeakDropV: 0.5, FeedWeakPct: 60, FeedHighMarginV: 0.1, BalanceFallPct: 3, BalanceUnderPct: 90, ShareRatio: 1.085, ShareClearRatio: 1.06,
		LinkMohm: 1.5, PostMohm: 0.83, CirculatingA: 0.5, CirculatingClearA: 0.3, MotorDropV: 0.3, HungryRatio: 1.2, StarvedRatio: 0.8,
		OverrunRelief: 5 * time.Second, OverrunRun: 45 * time.Second, ParkedPct: 25, ParkedTime: 14 * day, FreezeMarginC: 3, HotC: 50, HotClearC: 47,
		ClockUnsureAfter: 10 * time.Minute, LongestShelf: 30 * day,
	}
}

// bankLowHysteresisV is one reading error of a divider tap.
const bankLowHysteresisV = 0.05

func (m *Motor) read(s *section) {
	s.number("min_current_a", &m.MinCurrentA, span{5, 200, "A"},
		about{doc: "least that the bank gives to a running motor; more than lights and controls take. Our choice: a third of what a small pump motor draws"})
	s.whole("lift_cycle_runs", &m.LiftCycleRuns, 1, 100, "",
		about{doc: "motor runs that make one lift cycle. Our choice: one run to lift or open, one to close"})
	s.number("run_a", &m.RunA, span{0, 500, "A"},
		about{doc: "what the motor usually draws while lifting, at 25 °C. 0: learnt from its first 30 runs; typed in, a motor that draws too much from the start is found too", usually: "0: learnt"})
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
	s.number("rated_a", &f.RatedA, span{0, 300, "A"},
		about{doc: "most that the converter gives at 14 V: from its plate. 0: the most it has been seen to give; one that was weak from the start is then not found", usually: "0: learnt"})
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
	f.readMore(s)
}

// readMore reads the limits of the findings about wiring, sharing, motor, rest and climate.
func (f *Findings) readMore(s *section) {
	s.number("feed_weak_drop_v", &f.FeedWeakDropV, span{0.1, 3, "V"},
		about{doc: "feed-weak: lost between converter and posts. Charging circuit, alternator to battery, at rated output: 0.5 V (truck maintenance practice, from memory)"})
	s.number("feed_weak_part_pct", &f.FeedWeakPct, span{10, 79, "%"},
		about{doc: "feed-weak: less than this of what the converter can give, while the bank would take all. Our choice: a plug that drops a volt too much leaves a 500 W converter about this"})
	s.number("feed_high_margin_v", &f.FeedHighMarginV, span{0, 2, "V"},
		about{doc: "feed-high: over the upper absorption voltage (flooded and AGM 14.8 V, gel 14.4 V at 25 °C, -24 mV per °C: handbooks, from memory). Our choice: ten times a tap's error"})
	s.number("balance_fall_pct", &f.BalanceFallPct, span{1, 50, "%"},
		about{doc: "balance-negative: charge lost over three working days. Our choice: a tenth of what stands between full and 12.4 V"})
	s.number("balance_under_pct", &f.BalanceUnderPct, span{20, 100, "%"},
		about{doc: "balance-negative: only under this charge; more than undercharged_soc_pct. Our choice: from full to just under it is no loss"})
	s.number("share_ratio", &f.ShareRatio, span{1.03, 4, ""},
		about{doc: "share-uneven: a battery's part of a day's runs over an even one. Same-post leads with 0.5 mΩ links give 1.10 (by hand and by a circuit simulator), less what gains of ±1 % may hide"})
	s.number("share_clear_ratio", &f.ShareClearRatio, span{1, 4, ""},
		about{doc: "share-uneven clears under it; less than share_ratio. Our choice: two gain errors of 1 % lower"})
	s.number("link_mohm", &f.LinkMohm, span{0.2, 20, "mΩ"},
		about{doc: "link-resistive: a link with its lugs. Two joints of 0.1 V at 120 A (drop-testing practice) would be 1.7; a sound patch is 0.3 to 0.6"})
	s.number("post_mohm", &f.PostMohm, span{0.2, 20, "mΩ"},
		about{doc: "link-resistive: a joint at a post. 0.1 V a connection at 120 A (drop-testing practice)"})
	s.number("circulating_a", &f.CirculatingA, span{0.1, 50, "A"},
		about{doc: "circulating: from one battery into another, two hours into a rest. Our choice: 0.3 A, 7 Ah a day, and the zero error of a ±200 A sensor on top"})
	s.number("circulating_clear_a", &f.CirculatingClearA, span{0.01, 50, "A"},
		about{doc: "circulating clears under it; less than circulating_a"})
	s.number("motor_drop_v", &f.MotorDropV, span{0.05, 5, "V"},
		about{doc: "motor-drop: bank's positive post to the motor terminal at its usual current. Starting circuit, positive side: 0.3 V (voltage drop guide, 2024)"})
	s.number("hungry_ratio", &f.HungryRatio, span{1.05, 3, ""},
		about{doc: "motor-hungry: mean of twelve runs over what is usual. Our choice: the load on the platform moves that mean by a twentieth"})
	s.number("starved_ratio", &f.StarvedRatio, span{0.2, 0.95, ""},
		about{doc: "motor-starved: mean of twelve runs under what is usual. Our choice, as hungry_ratio"})
	s.duration("overrun_relief", &f.OverrunRelief, time.Second, time.Hour,
		about{doc: "motor-overrun: held against the relief valve; less than overrun_run. Our choice: an operator lets go when the platform stops"})
	s.duration("overrun_run", &f.OverrunRun, 2*time.Second, time.Hour,
		about{doc: "motor-overrun: a run in all. Common practice, no source: a lift takes 8 to 14 s"})
	s.number("parked_part_pct", &f.ParkedPct, span{2, 100, "%"},
		about{doc: "parked-drain: of the rated capacity, in parked_days. A quarter is what stands between full and 12.4 V"})
	s.duration("parked_days", &f.ParkedTime, day, 365*day,
		about{doc: "see parked_part_pct. Our choice: a fortnight is an ordinary stand"})
	s.number("freeze_margin_c", &f.FreezeMarginC, span{0, 20, "°C"},
		about{doc: "freeze-risk: this near the freezing point of the electrolyte. Our choice: the errors of a thermistor and of the charge"})
	s.number("hot_c", &f.HotC, span{30, 80, "°C"},
		about{doc: "hot: a battery over it. Common practice, no source: charging is stopped there"})
	s.number("hot_clear_c", &f.HotClearC, span{20, 80, "°C"}, about{doc: "hot clears under it; less than hot_c"})
	s.duration("clock_unsure_after", &f.ClockUnsureAfter, time.Second, 30*day,
		about{doc: "clock-unsure: the clock not set for this long. Our choice: a board that has just started has not been told the time yet"})
	s.duration("longest_shelf", &f.LongestShelf, time.Minute, 366*day,
		about{doc: "longest time that a finding can be shelved for. Our choice: what is put aside must come back before it is forgotten"})
	s.texts("out_of_service", &f.OutOfService, len(findingNames), "the name of a finding: "+orList(findingNames), isFinding,
		about{doc: "findings that are not watched on this unit", usually: "none"})
}

// findingNames are those that can be taken out of service; a test holds them against the catalogue.
var findingNames = []string{
	"series-wired", "reversed", "feed-lost", "feed-weak", "feed-high", "battery-failed", "link-resistive", "battery-tired", "motor-stuck",
	"motor-dead", "motor-overrun", "motor-hungry", "motor-starved", "motor-drop", "parked-drain", "balance-negative", "bank-undercharged",
	"bank-low", "share-uneven", "circulating", "freeze-risk", "hot", "service-due", "sense-fault", "clock-unsure",
}

func isFinding(name string) bool { return slices.Contains(findingNames, name) }

func (v *Service) read(s *section) {
	s.whole("lift_cycles", &v.LiftCycles, 0, 1_000_000, "a whole number from 0 to 1000000",
		about{doc: "service-due: lift cycles between services, from the lift maker's manual. 0: not watched", usually: "0: not watched"})
	s.duration("motor_hours", &v.MotorTime, 0, 10000*time.Hour,
		about{doc: "service-due: motor time between services. 0h: not watched", usually: "0h: not watched"})
}
