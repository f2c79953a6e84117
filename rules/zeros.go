package rules

import (
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
	"liftbank/rules/zero"
)

// newZeros returns the learner of the current sensors' zeros.
func newZeros(cfg *Config, ownA float64) *zero.Learner {
	p := zero.Params{OwnA: ownA}
	for i := range cfg.Batteries {
		p.Class[i] = cfg.Classes.Of(unit.BatteryCurrent, i)
		p.RatedAh = append(p.RatedAh, cfg.Batteries[i].RatedAh)
	}
	return zero.New(p)
}

// takeZeros takes off what the current sensors show without current: in the scan as far as it is
// believed, and in that as it was read.
func (e *Engine) takeZeros() {
	for i := range e.cfg.Batteries {
		z := e.zeros.ZeroA(i, e.frame.Temps[i])
		e.frame.Zeros[i] = z
		e.read.Battery[i].CurrentA.Value -= z.Value
		e.flows[i] = e.frame.Raw.Battery[i].CurrentA
		e.flows[i].Value -= z.Value
	}
}

// learnZeros shows the zeros' learner the scan.
func (e *Engine) learnZeros() {
	s := zero.Scan{
		Now: e.last, TempC: e.frame.Temps, Joined: e.trust.AllCarry(), RestFor: e.trust.UncommandedFor(),
	}
	if running, _ := e.motor.Running(); running || e.frame.Series || e.frame.Reversed {
		s.RestFor = 0
	}
	n, sum := 0, 0.0
	for i := range e.cfg.Batteries {
		s.CurrentA[i] = e.frame.Raw.Battery[i].CurrentA
		if e.trust.Doubted(unit.ChannelOf(unit.BatteryCurrent, i)) || e.trust.CurrentUnresponsive(i) {
			s.CurrentA[i].Quality = unit.OutOfRange
		}
		if v := e.read.Battery[i].VoltageV; v.OK() {
			temp := leadacid.ReferenceC
			if t := e.frame.Temps[i]; t.OK() {
				temp = t.Value
			}
			v25, _ := leadacid.RestedVAtReference(v.Value, temp)
			n, sum = n+1, sum+v25
		}
	}
	if n > 0 {
		s.VoltageV = unit.Reading{Value: sum / float64(n), Quality: unit.Good}
		for i := range e.cfg.Batteries {
			spec := &e.cfg.Batteries[i]
			_, pctPerV := spec.Chemistry.SoCFromRestedV(s.VoltageV.Value)
			s.AhPerV += pctPerV / 100 * spec.RatedAh
		}
	}
	e.zeros.Step(&s)
	for i := range e.cfg.Batteries {
		e.frame.ZeroOff[i] = e.zeros.Off(i)
		moved := e.zeros.ZeroA(i, e.frame.Temps[i]).Value - e.frame.Zeros[i].Value
		e.cells.est[i].ZeroMoved(moved)
		e.cells.labeled[i].zeroMoved(moved)
	}
	for i, est := range e.cells.est {
		if told := est.ZeroTold(); told.Known {
			e.zeros.Counted(i, unit.Reading{Value: told.Value, Quality: unit.Good}, e.frame.Temps[i], told.Sigma)
		}
	}
}
