package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ServiceDue is a service interval that has been reached.
var ServiceDue = Finding[serviceLimits, None]{
	Definition: finding.Definition{
		Name:     "service-due",
		Severity: finding.Note,
		Title:    "Service due",
		Summary:  "The lift has reached its service interval.",
		Detected: "Lift cycles or motor hours since the last service have reached the number set from the lift maker's " +
			"manual.",
		Causes: []*unit.Text{
			cause("service-due.cycles", "lift cycles reached"),
			serviceHours,
		},
		NextCheck: []string{
			"Lock out, then do the service in the lift maker's manual.",
			"Record it: the counts start again.",
		},
		Clears:       "The service is recorded.",
		Steady:       "Stays until the service is recorded.",
		RaisedWithin: "at once",
	},
	Limits: func(l *serviceLimits) []limit.Limit {
		return []limit.Limit{
			limit.Count{To: &l.Cycles, Max: 1_000_000, About: limit.About{
				Path: "service.lift_cycles", Origin: limit.Owner, Usual: "0: not watched",
				Doc: "service-due: lift cycles between services, from the lift maker's manual. 0: not watched",
			}},
			limit.Span{To: &l.MotorTime, Max: 10000 * time.Hour, About: limit.About{
				Path: "service.motor_time", Origin: limit.Owner, Usual: "0h: not watched",
				Doc: "service-due: motor time between services. 0h: not watched",
			}},
		}
	},
	On:    func(_ *view.Frame, l *serviceLimits) bool { return l.Cycles > 0 || l.MotorTime > 0 },
	Judge: judgeService,
}

type serviceLimits struct {
	Cycles    uint64
	MotorTime time.Duration
}

var (
	serviceHours = cause("service-due.hours", "motor hours reached")
	hoursReached = why("motor-hours-reached", "motor hours reached")

	cyclesSince = finding.NewLabel("cycles-since", "lift cycles since service", "")
	cyclesDue   = finding.NewLabel("cycles-due", "due at", "")
	hoursSince  = finding.NewLabel("hours-since", "motor hours since service", "h")
	hoursDue    = finding.NewLabel("hours-due", "due at", "h")
)

func judgeService(v view.View, l *serviceLimits, _ *None) finding.Verdict {
	since := v.Since(view.Service)
	byCycles := l.Cycles > 0 && since.LiftCycles >= l.Cycles
	byHours := l.MotorTime > 0 && since.RunTime >= l.MotorTime
	if !byCycles && !byHours {
		return absent
	}
	verdict := v.Holds(cyclesSince.Is(float64(since.LiftCycles)), cyclesDue.Is(float64(l.Cycles)),
		hoursSince.Is(since.RunTime.Hours()), hoursDue.Is(l.MotorTime.Hours()))
	if byHours {
		return verdict.Suspect(serviceHours, hoursReached)
	}
	return verdict
}
