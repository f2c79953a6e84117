package detect

import (
	"liftbank/rules/finding"
	"liftbank/rules/limit"
)

// All lists every finding. The order is that in which they are judged, and in which those of one
// severity are shown: what brings others about comes first.
var All = []Kind{
	&SeriesWired, &ParallelWired, &Reversed, &MiddleTapOpen, &FeedMismatch, &FeedLost, &FeedWeak, &FeedHigh, &WakeMissing, &FeedLow, &BatteryFailed,
	&LinkResistive, &BlocksUnequal, &NearReversal, &BatteryTired, &MotorStuck, &ControlDead, &MotorDead, &MotorOverrun, &MotorHungry, &MotorStarved,
	&MotorDrop, &ReliefOff, &ParkedDrain, &BalanceNegative, &BankFlat, &BankUndercharged, &BankLow, &ShareUneven,
	&Circulating, &FreezeRisk, &Hot, &LabelMismatch, &ServiceDue, &IndicatorDead, &ClockUnsure, &SenseFault,
}

// Lookup returns the definition of a finding, or nil.
func Lookup(name string) *finding.Definition {
	for _, k := range All {
		if k.About().Name == name {
			return k.About()
		}
	}
	return nil
}

// Catalog returns the definition of every finding, in the order of All.
func Catalog() []*finding.Definition {
	out := make([]*finding.Definition, len(All))
	for i, k := range All {
		out[i] = k.About()
	}
	return out
}

// Limits returns the limits of every finding, at their defaults.
func Limits() (all []limit.Limit) {
	for _, k := range All {
		all = append(all, Declare(k)...)
	}
	return all
}

// LimitsOf returns the limits of a finding of this name, at their defaults.
func LimitsOf(name string) []limit.Limit {
	for _, k := range All {
		if k.About().Name == name {
			return Declare(k)
		}
	}
	return nil
}
