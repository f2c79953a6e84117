package rules

import (
	"liftbank/rules/detect"
	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
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

// ForgetBattery says that battery i is another one, or that nothing learned of it holds: its
// charge, capacity, resistance and counters restart, and so do the shares of all, which hang on
// each other, the trends of the bank, and the links, whose lugs were off. The ratings are those of
// the configuration. It reports false for a battery that there isn't, and changes nothing then. It
// is for between two steps.
func (e *Engine) ForgetBattery(i int) bool {
	if i < 0 || i >= len(e.cfg.Batteries) {
		return false
	}
	e.cells.forget(i)
	e.count.Replaced(i)
	e.days.Forget()
	e.trust.Replaced(i)
	e.from = e.last
	e.out.Battery[i] = BatteryState{ID: e.cfg.Batteries[i].ID}
	if e.work.On { // the verdict is not looked at until the work is over
		b := &e.out.Battery[i]
		b.Verdict, b.WaitsFor = (&loadtest.Judge{}).Step(&loadtest.Evidence{})
	}
	e.ahead.meter.ForgetBatteries()
	e.ahead.next = 0
	e.found.Worked(detect.NewBattery, i)
	e.ForgetLinks()
	return true
}

// ForgetLinks says that joints were opened, cleaned or tightened, or a cable replaced: what was
// learned of links, of the places of the leads and of the paths to motor and from the converter
// restarts. It is for between two steps.
func (e *Engine) ForgetLinks() {
	e.net = network.New(len(e.cfg.Batteries), e.cfg.NegativeTap, &e.cfg.Classes)
	e.due = e.last // it shows with the next step
	e.pump.Drops.Count = 0
	e.found.Worked(detect.Joints, -1)
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
