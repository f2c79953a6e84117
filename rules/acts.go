package rules

import (
	"fmt"
	"maps"
	"strings"
	"time"

	"liftbank/rules/detect"
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// Findings returns the unit's findings, for what people do to them. It belongs to the goroutine
// that calls Step; what is changed is told by the next Step's events, and shows in the output at
// once.
func (e *Engine) Findings() *finding.Book { return &e.book }

// Now returns the moment of the last scan, for those who act between scans.
func (e *Engine) Now() Moment { return e.out.At }

// LastStep returns what battery i did at the start of the last motor run that was read well enough:
// the change of the voltage between its own posts (negative: it fell) and of its current (negative:
// it gives), both from the moment before. ok is false where there is none yet.
func (e *Engine) LastStep(i int) (stepV, stepA float64, ok bool) {
	if i < 0 || i >= len(e.cells.load) || e.motor.Last().Number == 0 {
		return 0, 0, false
	}
	return e.cells.load[i].LastStep()
}

// services is what was counted when each kind of service was recorded last. It is saved as it is.
type services [view.ServiceKinds]served

// served is the counts and the moment of a service, or of the first scan. The day of one that was
// noted while the time of day was not trusted is filled in as long as the same clock runs.
type served struct {
	LiftCycles uint64
	RunTime    time.Duration
	Noted      bool
	At         unit.Moment
}

// ServiceDone restarts the counts of one kind of service.
func (e *Engine) ServiceDone(kind ServiceKind) {
	e.serve[kind] = served{LiftCycles: e.motor.Cycles(), RunTime: e.motor.Time(), Noted: true, At: e.out.At}
	e.serve[kind].At.WallTrusted = e.out.At.WallTrusted && !e.out.At.Wall.IsZero()
	e.serve.fill(&e.out.State, &e.away, e.session)
	e.ahead.next = 0
	subject := ""
	if kind != view.Service {
		subject = kind.String()
	}
	if i := e.book.Find(detect.ServiceDue.Name, subject); i >= 0 { // it may not be judged again before the clock is set
		e.book.End(i, e.last)
	}
}

// fill writes down the work since each kind of service. session is the first scan of this start.
func (s *services) fill(out *view.State, away *unit.Away, session time.Duration) {
	m, now := &out.Motor, out.At
	for k := range s {
		at := &s[k]
		if !at.Noted {
			at.Noted, at.At = true, now
			at.At.WallTrusted = now.WallTrusted && !now.Wall.IsZero()
		}
		known := now.WallTrusted && !now.Wall.IsZero()
		if known && !at.At.WallTrusted && at.At.Mono >= session {
			at.At.Wall, at.At.WallTrusted = now.Wall.Add(at.At.Mono-now.Mono+away.Since(at.At.Mono)), true
		}
		c := view.ServiceCount{
			LiftCycles: m.LiftCycles - min(at.LiftCycles, m.LiftCycles), RunTime: m.RunTime - min(at.RunTime, m.RunTime),
		}
		if at.At.WallTrusted {
			c.On = at.At.Wall
		}
		if known && at.At.WallTrusted {
			c.For, c.ForKnown = max(now.Wall.Sub(at.At.Wall), 0), true
		}
		m.Since[k] = c
	}
}

// SetIntervals sets intervals of service, by the paths of their limits; what is not among the values
// stays. On an error nothing changes. It is for between two steps.
func (e *Engine) SetIntervals(values limit.Values) error {
	cfg := e.cfg
	cfg.Limits = maps.Clone(e.cfg.Limits)
	if cfg.Limits == nil {
		cfg.Limits = limit.Values{}
	}
	for path, v := range values {
		if !strings.HasPrefix(path, "service.") {
			return fmt.Errorf("rules: %s: want an interval of service", path)
		}
		cfg.Limits[path] = v
	}
	if err := cfg.Validate(); err != nil {
		return fmt.Errorf("rules: %w", err)
	}
	for _, l := range e.found.Limits() {
		if v, set := values[l.Describe().Path]; set {
			if err := l.Put(v); err != nil {
				return fmt.Errorf("bug: rules: %w", err)
			}
		}
	}
	e.cfg.Limits, e.due, e.ahead.next = cfg.Limits, e.last, 0
	return nil
}

// forecastServices works out when each kind of service is due.
func (e *Engine) forecastServices() {
	m := &e.out.Motor
	for k := range m.Since {
		due := detect.Intervals(e.found, ServiceKind(k))
		m.Next[k] = due.Next(&m.Since[k], &e.duty, e.set.CycleRuns)
	}
}
