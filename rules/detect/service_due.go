package detect

import (
	"fmt"
	"time"

	"liftbank/rules/daily"
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ServiceDue is a service interval that has been reached: of the lift's service, its filter or its
// oil.
var ServiceDue = Finding[serviceLimits, None]{
	Definition: finding.Definition{
		Name:     "service-due",
		Severity: finding.Note,
		About:    finding.Service,
		Title:    "{subject} due",
		Summary:  "{subject} is due: the interval has been reached.",
		Detected: "Lift cycles, motor hours or days since the service, the filter change or the oil change have reached the " +
			"number set from the lift maker's manual.",
		Causes: []*unit.Text{
			cause("service-due.cycles", "lift cycles reached"),
			serviceHours,
			serviceDays,
		},
		NextCheck: []string{
			"Lock out, then do the service in the lift maker's manual.",
			"Record it: the counts start again.",
		},
		Clears:       "The service, the filter change or the oil change is recorded, or its interval is set higher.",
		Steady:       "Stays until it is recorded.",
		RaisedWithin: "at once",
	},
	Limits: func(l *serviceLimits) (all []limit.Limit) {
		for k := range l.Of {
			all = append(all, l.Of[k].limits(view.ServiceKind(k))...)
		}
		return all
	},
	Of:    []view.Kind{view.OfUnit, view.OfService},
	Judge: judgeService,
}

type serviceLimits struct {
	Of [view.ServiceKinds]Interval
}

// Interval is how often a service is done; what is zero is not watched.
type Interval struct {
	Cycles    uint64
	MotorTime time.Duration
	Every     time.Duration
}

// Words of the limits by kind: what stands between services.
var between = [view.ServiceKinds]string{"services", "changes of the filter", "changes of the oil"}

func (i *Interval) limits(k view.ServiceKind) []limit.Limit {
	about := func(field, doc, usual string) limit.About {
		return limit.About{Path: IntervalPath(k, field), Origin: limit.Owner, Usual: usual + ": not watched",
			Doc: fmt.Sprintf("service-due: %s between %s, from the lift maker's manual. %s: not watched", doc, between[k], usual)}
	}
	return []limit.Limit{
		limit.Count{To: &i.Cycles, Max: 1_000_000, About: about(ByCycles, "lift cycles", "0")},
		limit.Span{To: &i.MotorTime, Max: 10000 * time.Hour, About: about(ByMotorTime, "motor time", "0h")},
		limit.Span{To: &i.Every, Max: 3650 * day, About: about(ByDays, "days", "0d")},
	}
}

// What an interval can go by.
const (
	ByCycles    = "lift_cycles"
	ByMotorTime = "motor_time"
	ByDays      = "every"
)

// IntervalPath returns the path of an interval in the configuration.
func IntervalPath(k view.ServiceKind, by string) string {
	if k == view.Service {
		return "service." + by
	}
	return "service." + k.String() + "_" + by
}

// Intervals returns the intervals of a kind of service of a unit.
func Intervals(s *Set, k view.ServiceKind) (i Interval) {
	for _, r := range s.all {
		if kept, is := r.kept.(*keeps[serviceLimits, None]); is {
			return kept.limit.Of[k]
		}
	}
	return i
}

const far = 100 * 365 * day // later than that it is not dated; our choice

// Next returns when a service is due: by what comes first, at the learned duty.
func (i *Interval) Next(since *view.ServiceCount, duty *daily.Duty, cycleRuns uint64) (n view.ServiceNext) {
	take := func(by view.DueBy, in time.Duration, known bool) {
		if n.By == view.DueByNothing || known && (!n.Known || in < n.In) {
			n = view.ServiceNext{By: by, In: in, Known: known}
		}
	}
	at := func(left, perDay float64) (time.Duration, bool) {
		switch {
		case left <= 0:
			return 0, true
		case !duty.Known() || perDay <= 0 || left/perDay > days(far):
			return 0, false
		}
		return time.Duration(left / perDay * float64(day)), true
	}
	if i.Cycles > 0 {
		in, known := at(float64(i.Cycles)-float64(since.LiftCycles), duty.RunsPerDay/float64(max(cycleRuns, 1)))
		take(view.DueByCycles, in, known)
	}
	if i.MotorTime > 0 {
		in, known := at((i.MotorTime - since.RunTime).Seconds(), duty.MotorS)
		take(view.DueByHours, in, known)
	}
	if i.Every > 0 {
		take(view.DueByDays, max(i.Every-since.For, 0), since.ForKnown)
	}
	return n
}

var (
	serviceHours = cause("service-due.hours", "motor hours reached")
	serviceDays  = cause("service-due.days", "days reached")
	hoursReached = why("motor-hours-reached", "motor hours reached")
	daysReached  = why("days-reached", "days reached")
	noDate       = why("no-service-date", "the date of the last service is not known, or today's: it is once the clock is set "+
		"and the service is recorded")

	cyclesSince = finding.NewLabel("cycles-since", "lift cycles since then", "")
	cyclesDue   = finding.NewLabel("cycles-due", "due at", "")
	hoursSince  = finding.NewLabel("hours-since", "motor hours since then", "h")
	hoursDue    = finding.NewLabel("hours-due", "due at", "h")
	daysSince   = finding.NewLabel("days-since", "days since then", "d")
	daysDue     = finding.NewLabel("days-due", "due at", "d")
)

func judgeService(v view.View, l *serviceLimits, _ *None) finding.Verdict {
	k := view.Service
	if s := v.Subject(); s.Kind == view.OfService {
		k = view.ServiceKind(s.Index)
	}
	due, since := &l.Of[k], v.Since(k)
	byCycles := due.Cycles > 0 && since.LiftCycles >= due.Cycles
	byHours := due.MotorTime > 0 && since.RunTime >= due.MotorTime
	byDays := due.Every > 0 && since.ForKnown && since.For >= due.Every
	if !byCycles && !byHours && !byDays {
		if due.Every > 0 && !since.ForKnown {
			return finding.Unjudged(noDate)
		}
		return absent
	}
	// What is reached alone: it is what the finding says.
	var e []finding.Evidence
	if byCycles {
		e = append(e, cyclesSince.Is(float64(since.LiftCycles)), cyclesDue.Is(float64(due.Cycles)))
	}
	if byHours {
		e = append(e, hoursSince.Is(since.RunTime.Hours()), hoursDue.Is(due.MotorTime.Hours()))
	}
	if byDays {
		e = append(e, daysSince.Is(days(since.For)), daysDue.Is(days(due.Every)))
	}
	verdict := v.Holds(e...)
	switch {
	case byHours:
		return verdict.Suspect(serviceHours, hoursReached)
	case byDays && !byCycles:
		return verdict.Suspect(serviceDays, daysReached)
	}
	return verdict
}
