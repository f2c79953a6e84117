package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// WakeMissing is a wake line that does not come on although the unit works.
var WakeMissing = Finding[None, wakeMemory]{
	Definition: finding.Definition{
		Name:     "wake-missing",
		Severity: finding.Repair,
		Title:    "Wake line never came on",
		Summary:  "The unit worked, but the wake line never came on, so that the converter stayed off.",
		Detected: "On a working day with lifts at three stops or more over at least three hours, the wake line was off all " +
			"the time and no feed was seen, and the lift has now rested for two hours. Stops are motor runs 15 min or more " +
			"apart: between them the trailer was driven, or stood.",
		Causes: []*unit.Text{
			cause("wake-missing.wire", "ignition wire, its fuse or its pin in the trailer plug open"),
			cause("wake-missing.plug", "trailer plug not connected, or a tractor without this signal"),
			cause("wake-missing.stand", "no fault: the trailer stood all day, and its lift was used"),
		},
		NextCheck: []string{
			"Tractor's ignition on: measure the wake terminal in the battery box. Nothing: measure at the plug, then at the " +
				"fuse in the tractor.",
			"Voltage there, but the monitor reads off: check the monitor's own input.",
			"Try another tractor.",
			"Until it is fixed, charge the bank at the stand each night.",
		},
		Clears:       "The wake line comes on, or a feed is seen, for 1 min.",
		Steady:       "One such day is enough once the wake line has come on with lifts before, else two in a row.",
		RaisedWithin: "2 h after the last lift of the day",
		ExplainedBy:  []string{"series-wired", "parallel-wired"},
	},
	Times: after(0, feedRelease),
	Needs: view.Parallel | view.WakeWired | view.WakeRead,
	Sane:  func(m *wakeMemory) error { return within("stops", float64(m.Stops), 0, wakeStops) },
	Judge: judgeWake,
}

// wakeMemory counts stops since the wake line was last on.
type wakeMemory struct {
	Woken   bool          // it came on before, on a unit that has lifted
	Days    uint8         // in a row that worked without it
	Stops   uint8         // with lifts since it was last on, or since the last look at a day
	FirstAt time.Duration // first lift of these,
	RanAt   time.Duration // and last
	Ran     bool
	Runs    uint64
}

const (
	wakeStops  = 3                // count: stops with lifts; our choice
	wakeApart  = 15 * time.Minute // between runs at different stops; our choice
	wakeSpread = 3 * time.Hour    // from the first lift to the last; our choice
	wakeRest   = 2 * time.Hour    // after the last lift, for the day to be over; our choice
	wakeDays   = 2                // count: days in a row where it has never come on; our choice
)

var (
	stopsMade = finding.NewLabel("stops", "stops with lifts", "")
	liftsOver = finding.NewLabel("lifts-over", "from the first lift to the last", "h")
	daysSo    = finding.NewLabel("days-without-wake", "working days in a row without the wake line", "")
)

func judgeWake(v view.View, _ *None, m *wakeMemory) finding.Verdict {
	status, _ := v.Feed().Status()
	runs := v.Motor().Runs()
	ran := runs > m.Runs
	if v.Feed().Wake() == unit.ContactOn || status.On() {
		woken := m.Woken || runs > 0
		*m = wakeMemory{Woken: woken, Runs: runs}
		return absent
	}
	if ran {
		m.lifted(v.Now())
	}
	m.Runs = runs
	dayOver := m.Ran && v.Now()-m.RanAt >= wakeRest
	if !dayOver {
		return unchanged
	}
	stops, spread := m.Stops, m.RanAt-m.FirstAt
	m.Ran, m.Stops = false, 0
	if stops < wakeStops || spread < wakeSpread {
		return unchanged
	}
	m.Days = min(m.Days+1, wakeDays)
	if !m.Woken && m.Days < wakeDays {
		return unchanged
	}
	return v.Holds(stopsMade.Is(float64(stops)), liftsOver.Is(spread.Hours()), wakeIs.Says(off),
		daysSo.Is(float64(m.Days)))
}

// lifted takes a motor run in.
func (m *wakeMemory) lifted(now time.Duration) {
	switch {
	case !m.Ran:
		m.Ran, m.Stops, m.FirstAt = true, 1, now
	case now-m.RanAt >= wakeApart:
		m.Stops = min(m.Stops+1, wakeStops)
	}
	m.RanAt = now
}
