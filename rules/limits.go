package rules

import (
	"fmt"
	"time"
)

// Limits are those of the findings about the feed path, the balance, sharing, wiring, the motor, rest, climate and the clock.
// DefaultLimits gives each with its source.
type Limits struct {
	FeedRatedA        float64 // most that the converter gives, A; 0: learnt
	FeedWeakDropV     float64 // between converter and posts
	FeedWeakPart      float64 // of what the converter can give
	FeedHighMarginV   float64 // over the chemistry's upper absorption voltage
	BalanceFallPct    float64 // over three working days
	BalanceUnderPct   float64
	ShareRatio        float64 // over an even share
	ShareClearRatio   float64
	LinkMohm          float64
	PostMohm          float64
	CirculatingA      float64
	CirculatingClearA float64
	MotorUsualA       float64 // lifting, at 25 °C; 0: learnt
	MotorDropV        float64 // bank's positive post to the motor terminal
	OverrunRelief     time.Duration
	OverrunRun        time.Duration
	HungryRatio       float64
	StarvedRatio      float64
	ParkedPart        float64 // of the rated capacity ...
	ParkedTime        time.Duration
	FreezeMarginC     float64
	HotC              float64
	HotClearC         float64
	ClockUnsureAfter  time.Duration
	ServiceCycles     uint64 // lift cycles between services; 0: not watched
	ServiceMotorTime  time.Duration
	LongestShelf      time.Duration
}

// DefaultLimits gives the limits used when nothing else is set.
func DefaultLimits() Limits {
	return Limits{
		FeedWeakDropV:     0.5,   // charging circuit, alternator to battery, at rated output (TMC RP 129, from memory)
		FeedWeakPart:      0.6,   // our choice: what a plug with a volt too much of drop leaves of a 500 W converter
		FeedHighMarginV:   0.1,   // our choice: ten times the error of a tap
		BalanceFallPct:    3,     // our choice: a tenth of what stands between full and 12.4 V, in three days
		BalanceUnderPct:   90,    // our choice: a fall from full to just under it is no loss
		ShareRatio:        1.085, // same-post leads with 0.5 mΩ patches give 1.10 (solved by hand and by a circuit simulator), less what gains of ±1 % may hide
		ShareClearRatio:   1.06,  // our choice: two gain errors of 1 % lower, and rounding
		LinkMohm:          1.5,   // two joints of 0.1 V at 120 A (drop-testing practice) would be 1.7; a sound patch is 0.3 to 0.6
		PostMohm:          0.83,  // 0.1 V a connection at 120 A (flash cards on voltage-drop testing, read)
		CirculatingA:      0.5,   // 0.3 A, 7 Ah a day, and a ±200 A sensor's zero error on top
		CirculatingClearA: 0.3,
		MotorDropV:        0.3, // starting circuit, positive side (voltage drop guide, 2024)
		OverrunRelief:     5 * time.Second,
		OverrunRun:        45 * time.Second, // common practice, no source: a lift takes 8 to 14 s
		HungryRatio:       1.2,              // our choice: load alone moves a single run by a sixth, the mean of twelve by a twentieth
		StarvedRatio:      0.8,
		ParkedPart:        0.25, // between full and 12.4 V
		ParkedTime:        14 * 24 * time.Hour,
		FreezeMarginC:     3,  // our choice: error of a thermistor and of the charge
		HotC:              50, // charging is stopped there (common practice, no source)
		HotClearC:         47,
		ClockUnsureAfter:  10 * time.Minute, // our choice: a board that just started has not been told the time yet
		LongestShelf:      30 * 24 * time.Hour,
	}
}

// validate hands every limit that cannot be, or is out of order, to check.
func (l Limits) validate(check func(ok bool, format string, args ...any)) {
	span := func(what string, v, low, high float64) {
		check(v >= low && v <= high, "%s: %g: want %g to %g", what, v, low, high)
	}
	span("feed rated current", l.FeedRatedA, 0, 300)
	span("feed weak drop", l.FeedWeakDropV, 0.1, 3)
	span("feed weak part", l.FeedWeakPart, 0.1, 0.79)
	span("feed high margin", l.FeedHighMarginV, 0, 2)
	span("balance fall", l.BalanceFallPct, 1, 50)
	span("balance under", l.BalanceUnderPct, 20, 100)
	span("share ratio", l.ShareRatio, 1.03, 4)
	span("share clear ratio", l.ShareClearRatio, 1, 4)
	check(l.ShareClearRatio < l.ShareRatio, "share clear ratio: %g: want less than share ratio (%g)", l.ShareClearRatio, l.ShareRatio)
	span("link", l.LinkMohm, 0.2, 20)
	span("post", l.PostMohm, 0.2, 20)
	span("circulating", l.CirculatingA, 0.1, 50)
	check(l.CirculatingClearA > 0 && l.CirculatingClearA < l.CirculatingA, "circulating clear: %g: want more than 0, less than circulating (%g)", l.CirculatingClearA, l.CirculatingA)
	span("motor usual current", l.MotorUsualA, 0, 500)
	span("motor drop", l.MotorDropV, 0.05, 5)
	check(l.OverrunRelief >= time.Second && l.OverrunRelief < l.OverrunRun, "overrun on relief: %v: want 1s or more, less than the longest run (%v)", l.OverrunRelief, l.OverrunRun)
	check(l.OverrunRun <= time.Hour, "longest run: %v: want up to 1h", l.OverrunRun)
	span("hungry ratio", l.HungryRatio, 1.05, 3)
	span("starved ratio", l.StarvedRatio, 0.2, 0.95)
	span("parked part", l.ParkedPart, 0.02, 1)
	check(l.ParkedTime >= 24*time.Hour && l.ParkedTime <= 365*24*time.Hour, "parked time: %v: want 1d to 365d", l.ParkedTime)
	span("freeze margin", l.FreezeMarginC, 0, 20)
	span("hot", l.HotC, 30, 80)
	check(l.HotClearC < l.HotC, "hot clear: %g °C: want less than hot (%g)", l.HotClearC, l.HotC)
	check(l.ClockUnsureAfter >= time.Second && l.ClockUnsureAfter <= 30*24*time.Hour, "clock unsure after: %v: want 1s to 30d", l.ClockUnsureAfter)
	check(l.ServiceMotorTime >= 0, "service motor time: %v: want 0 or more", l.ServiceMotorTime)
	check(l.LongestShelf > 0 && l.LongestShelf <= 366*24*time.Hour, "longest shelving: %v: want more than 0, to 366d", l.LongestShelf)
}

// checkNames refuses names that no finding has.
func checkNames(names []string, known func(string) bool) error {
	for _, n := range names {
		if !known(n) {
			return fmt.Errorf("out of service: %q: want the name of a finding", n)
		}
	}
	return nil
}
