package rules

import (
	"liftbank/rules/finding"
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
type services [view.ServiceKinds]view.ServiceCount

// ServiceDone restarts the counts of one kind of service.
func (e *Engine) ServiceDone(kind ServiceKind) {
	e.serve[kind] = view.ServiceCount{LiftCycles: e.motor.Cycles(), RunTime: e.motor.Time()}
	e.serve.fill(&e.out.Motor)
}

// fill writes down the work since each kind of service.
func (s *services) fill(m *MotorState) {
	for k, at := range s {
		m.Since[k] = view.ServiceCount{
			LiftCycles: m.LiftCycles - min(at.LiftCycles, m.LiftCycles), RunTime: m.RunTime - min(at.RunTime, m.RunTime),
		}
	}
}
