package rules

import (
	"errors"
	"fmt"
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
)

// BatteryConfig describes one battery of the bank.
type BatteryConfig struct {
	ID        string
	Chemistry leadacid.Chemistry
	RatedAh   float64 // 20 h capacity, 20 to 400
	RatedCCA  float64 // A, SAE J537, 100 to 2000
}

// Thresholds are the limits and times of the findings. DefaultThresholds gives each with its source.
type Thresholds struct {
	FeedAllowance     time.Duration // the converter may take this long to come up after the wake line
	FeedLostAfter     time.Duration // no feed this long after that is a finding
	FeedPresentV      float64       // a feed voltage above this, at 25 °C, is a charger's
	FeedPresentA      float64       // current into the bank that must come from a feed
	BankLowV          float64       // rested, at 25 °C
	BankLowClearV     float64       // above BankLowV
	RestTime          time.Duration // least rest before a rested voltage is judged
	UnderchargedAfter time.Duration // without a full charge
	UnderchargedPct   float64       // or under this charge ...
	UnderchargedHold  time.Duration // ... for this long
	SeriesV           float64
	SenseFaultAfter   time.Duration
	Limits
}

// DefaultThresholds gives the limits used when nothing else is set.
func DefaultThresholds() Thresholds {
	return Thresholds{
		FeedAllowance:     2 * time.Minute,    // our choice: soft start and wake delay of a converter are seconds
		FeedLostAfter:     3 * time.Minute,    // our choice: with the allowance, found within 5 min of the wake line
		FeedPresentV:      13.3,               // under every published float setting at 25 °C but the lowest flooded one (13.0)
		FeedPresentA:      1.0,                // five times a ±200 A sensor's zero error
		BankLowV:          12.4,               // common practice, no source; service manuals: charge before test below 12.4 V
		BankLowClearV:     12.45,              // one reading error above
		RestTime:          time.Hour,          // published: about 1 h to settle after a load
		UnderchargedAfter: 7 * 24 * time.Hour, // IEEE Std 1361/937 practice: a full charge every 7 to 14 days (from memory)
		UnderchargedPct:   60,                 // our choice, under the 70 % published as the storage limit
		UnderchargedHold:  3 * 24 * time.Hour, // hard sulphation begins after 24-48 h discharged (general literature, from memory)
		SeriesV:           18,                 // common practice, no source
		SenseFaultAfter:   30 * time.Second,   // our choice: a plug touched on a visit is no fault
		Limits:            DefaultLimits(),
	}
}

// Validate reports every limit that cannot be.
func (t Thresholds) Validate() error {
	var errs []error
	check := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	check(t.FeedAllowance >= 0 && t.FeedAllowance <= time.Hour, "feed allowance: %v: want 0 to 1h", t.FeedAllowance)
	check(t.FeedLostAfter > 0 && t.FeedLostAfter <= 24*time.Hour, "feed lost after: %v: want more than 0, to 24h", t.FeedLostAfter)
	check(t.FeedPresentV >= 12.9 && t.FeedPresentV <= 15, "feed present voltage: %g V: want 12.9 to 15", t.FeedPresentV)
	check(t.FeedPresentA > 0 && t.FeedPresentA <= 20, "feed present current: %g A: want more than 0, to 20", t.FeedPresentA)
	check(t.BankLowV >= 11.5 && t.BankLowV <= 12.9, "bank low voltage: %g V: want 11.5 to 12.9", t.BankLowV)
	check(t.BankLowClearV > t.BankLowV && t.BankLowClearV <= 13, "bank low clear voltage: %g V: want above bank low (%g), to 13", t.BankLowClearV, t.BankLowV)
	check(t.RestTime >= 10*time.Minute && t.RestTime <= 24*time.Hour, "rest time: %v: want 10m to 24h", t.RestTime)
	check(t.UnderchargedAfter >= time.Hour, "undercharged after: %v: want 1h or more", t.UnderchargedAfter)
	check(t.UnderchargedPct >= 10 && t.UnderchargedPct <= 95, "undercharged percent: %g: want 10 to 95", t.UnderchargedPct)
	check(t.UnderchargedHold >= time.Hour, "undercharged hold: %v: want 1h or more", t.UnderchargedHold)
	check(t.SeriesV >= 16.5 && t.SeriesV <= 23, "series voltage: %g V: want 16.5 to 23", t.SeriesV)
	check(t.SenseFaultAfter >= time.Second && t.SenseFaultAfter <= time.Hour, "sense fault after: %v: want 1s to 1h", t.SenseFaultAfter)
	check(t.UnderchargedPct < t.BalanceUnderPct, "balance under: %g: want more than undercharged percent (%g)", t.BalanceUnderPct, t.UnderchargedPct)
	t.Limits.validate(check)
	return errors.Join(errs...)
}

// Config is what the engine must know of a unit.
type Config struct {
	Batteries     []BatteryConfig    // 1 to MaxBatteries, in the order of Input.Battery
	MotorMinA     float64            // least bank discharge of a running motor, A
	LiftCycleRuns int                // runs that make a lift cycle
	LeastMotorV   float64            // V at the motor's terminal below which a lift does not work; 0: DefaultLeastMotorV
	ChargeFloor   float64            // % of charge below which no lift is counted as left; 0: voltage alone decides
	HasCommand    bool               // the motor contactor's coil is wired
	NegativeTap   [MaxBatteries]bool // the negative post is measured, or is the board's ground
	Thresholds    Thresholds
	OutOfService  []string // names of findings that are not watched on this unit
}

// Validate reports everything that is wrong with the configuration.
func (c Config) Validate() error {
	var errs []error
	if n := len(c.Batteries); n < 1 || n > MaxBatteries {
		errs = append(errs, fmt.Errorf("batteries: %d: want 1 to %d", n, MaxBatteries))
	}
	seen := map[string]bool{}
	for i, b := range c.Batteries {
		if b.ID == "" || seen[b.ID] {
			errs = append(errs, fmt.Errorf("batteries[%d]: id %q: want one of its own", i, b.ID))
		}
		seen[b.ID] = true
		if b.Chemistry < leadacid.Flooded || b.Chemistry > leadacid.Gel {
			errs = append(errs, fmt.Errorf("batteries[%d]: chemistry: want flooded, agm or gel", i))
		}
		if !(b.RatedAh >= 1 && b.RatedAh <= 400) {
			errs = append(errs, fmt.Errorf("batteries[%d]: rated capacity %g Ah: want 1 to 400", i, b.RatedAh))
		}
		if !(b.RatedCCA >= 10 && b.RatedCCA <= 2000) {
			errs = append(errs, fmt.Errorf("batteries[%d]: rated CCA %g A: want 10 to 2000", i, b.RatedCCA))
		}
	}
	if !(c.MotorMinA >= 2 && c.MotorMinA <= 200) {
		errs = append(errs, fmt.Errorf("motor minimum current: %g A: want 2 to 200", c.MotorMinA))
	}
	if c.LiftCycleRuns < 1 {
		errs = append(errs, fmt.Errorf("runs of a lift cycle: %d: want 1 or more", c.LiftCycleRuns))
	}
	if !(c.LeastMotorV == 0 || c.LeastMotorV >= 7 && c.LeastMotorV <= 11.5) {
		errs = append(errs, fmt.Errorf("least motor voltage: %g V: want 7 to 11.5", c.LeastMotorV))
	}
	if !(c.ChargeFloor >= 0 && c.ChargeFloor <= 90) {
		errs = append(errs, fmt.Errorf("charge floor: %g %%: want 0 to 90", c.ChargeFloor))
	}
	if err := checkNames(c.OutOfService, func(name string) bool { return finding.Lookup(name) != nil }); err != nil {
		errs = append(errs, err)
	}
	if err := c.Thresholds.Validate(); err != nil {
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}
