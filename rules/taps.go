package rules

import (
	"liftbank/rules/bank"
	"liftbank/rules/leadacid"
	"liftbank/rules/tap"
	"liftbank/rules/unit"
)

// newTaps returns the learner of how the voltage taps at the bank's plus differ: those of the batteries, or of
// the upper ends of strings. A tap between batteries of a string has no other to be compared with.
func newTaps(cfg *Config) *tap.Learner {
	var class []unit.SensorClass
	for k := range cfg.Layout.Strings(len(cfg.Batteries)) {
		class = append(class, cfg.Classes.Of(unit.BatteryVoltage, cfg.Layout.Highest(k)))
	}
	return tap.New(class)
}

// evened returns the voltage of battery i without what its tap differs from the mean of those at the bank's plus.
func (e *Engine) evened(i int, v Reading) Reading {
	l := e.cfg.Layout
	if l == unit.Parallel {
		return e.taps.Evened(i, v)
	}
	if k := l.StringOf(i); i == l.Highest(k) && v.OK() && e.out.Strings[k].VoltageV.OK() { // its tap sees the whole string
		whole := e.out.Strings[k].VoltageV
		v.Value += e.taps.Evened(k, whole).Value - whole.Value
	}
	return v
}

// meanOfString returns the mean voltage of the batteries of the string that battery i is in, by the tap at their plus
// alone; there is none where it is in none.
func (e *Engine) meanOfString(i int) (v Reading) {
	if s := e.stringOf(i); s != nil {
		v = e.cfg.Layout.OfBlock(e.taps.Evened(e.cfg.Layout.StringOf(i), s.VoltageV))
	}
	return v
}

// tapMoved returns by how much the tap of battery i has moved since its calibration, and whether that is more
// than its class allows.
func (e *Engine) tapMoved(i int) (moved unit.Estimate, drifted bool) {
	k := e.cfg.Layout.StringOf(i)
	if i != e.cfg.Layout.Highest(k) {
		return unit.Estimate{}, false
	}
	v, known := e.taps.Moved(k, e.cfg.Layout.Volts(tapsAtV))
	return unit.Estimate{Value: v, Known: known}, e.taps.Drifted(k)
}

const tapsAtV = 12.6 // V: of a battery at rest, at which what a tap has moved is said; our choice

// showTapsMoved passes on how far taps have moved since they were calibrated.
func (e *Engine) showTapsMoved() {
	for i := range e.cfg.Batteries {
		e.frame.TapMoved[i], e.frame.TapDrifted[i] = e.tapMoved(i)
	}
}

// learnTaps shows the taps' learner the scan.
func (e *Engine) learnTaps() {
	s := tap.Scan{
		Now: e.last, RestFor: e.trust.UncommandedFor(), Joined: e.trust.AllCarry(), FeedV: e.cfg.Layout.OfBlock(e.read.FeedV),
	}
	if running, _ := e.motor.Running(); running || e.unfit() {
		s.RestFor = 0
	}
	if e.cfg.Layout != unit.Parallel {
		e.learnStrings(&s)
	} else {
		for i := range e.cfg.Batteries {
			s.OwnV[i], s.CurrentA[i] = e.read.Battery[i].OwnV(), e.read.Battery[i].CurrentA
		}
	}
	e.taps.Step(&s)
	e.showTapsMoved()
}

// learnStrings shows what compares the batteries of each string the scan, and fills in s for their upper ends.
func (e *Engine) learnStrings(s *tap.Scan) {
	l := e.cfg.Layout
	running, since := e.motor.Running()
	in := tap.StringsScan{Now: e.last, RestFor: s.RestFor, Running: running, RunFor: e.last - since}
	on := e.out.Feed.Status.On()
	for i := range e.cfg.Batteries {
		b := &e.read.Battery[i]
		in.OwnV[i], in.V25[i] = b.VoltageV, b.VoltageV
		if t := e.frame.Temps[i]; t.OK() {
			in.V25[i].Value, _ = leadacid.RestedVAtReference(b.VoltageV.Value, t.Value)
		}
	}
	for k := range e.out.Strings {
		t := &e.out.Strings[k]
		s.OwnV[k], s.CurrentA[k], in.A[k] = l.OfBlock(t.VoltageV), t.CurrentA, t.CurrentA
		in.Full[k] = true
		for i := t.From; i <= t.To; i++ {
			soc := e.out.Battery[i].SoCPct
			in.Full[k] = in.Full[k] && soc.Known && soc.Value >= bank.FullPct
			in.Held[k] = in.Held[k] || on && e.cells.est[i].AtTailCurrent()
		}
	}
	if e.unfit() {
		e.strung.Gap()
	} else {
		e.strung.Step(&in)
	}
	for k := range e.out.Strings {
		t := &e.out.Strings[k]
		t.RestDiffV, t.HeldDiffV, t.RunDiffV = e.strung.RestV(k), e.strung.HeldV(k), e.strung.RunV(k)
	}
}

// unfit reports whether the batteries are not joined as they are configured: nothing is learned of them.
func (e *Engine) unfit() bool { return e.frame.WrongWired() || e.frame.Reversed }
