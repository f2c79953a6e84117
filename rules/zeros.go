package rules

import (
	"liftbank/rules/leadacid"
	"liftbank/rules/parked"
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

// learnParked shows the scan to what learns of a parked bank.
func (e *Engine) learnParked() {
	s := parked.Scan{Now: e.last, QuietFor: e.frame.QuietFor, TempC: e.frame.TempC}
	if e.frame.Series || e.frame.Reversed {
		s.QuietFor = 0
	}
	s.V25, s.AhPerV = e.meanV25()
	if s.V25.OK() {
		for i := range e.cfg.Batteries {
			spec := &e.cfg.Batteries[i]
			pct, _ := spec.Chemistry.SoCFromRestedV(s.V25.Value)
			s.LeftAh, s.RatedAh = s.LeftAh+pct/100*spec.RatedAh, s.RatedAh+spec.RatedAh
		}
	}
	e.parked.Step(&s)
	e.out.Bank.ParkedDrawA = e.parked.DrawA()
}

// meanV25 returns the mean of the batteries' voltages at 25 °C, and the charge that the bank gives for
// a volt of it by the table, Ah.
func (e *Engine) meanV25() (v Reading, ahPerV float64) {
	n, sum := 0, 0.0
	for i := range e.cfg.Batteries {
		if r := e.read.Battery[i].VoltageV; r.OK() {
			temp := leadacid.ReferenceC
			if t := e.frame.Temps[i]; t.OK() {
				temp = t.Value
			}
			v25, _ := leadacid.RestedVAtReference(r.Value, temp)
			n, sum = n+1, sum+v25
		}
	}
	if n == 0 {
		return Reading{}, 0
	}
	v = unit.Reading{Value: sum / float64(n), Quality: unit.Good}
	for i := range e.cfg.Batteries {
		spec := &e.cfg.Batteries[i]
		_, pctPerV := spec.Chemistry.SoCFromRestedV(v.Value)
		ahPerV += pctPerV / 100 * spec.RatedAh
	}
	return v, ahPerV
}

// learnZeros shows the zeros' learner the scan.
func (e *Engine) learnZeros() {
	s := zero.Scan{
		Now: e.last, TempC: e.frame.Temps, Joined: e.trust.AllCarry(), RestFor: e.trust.UncommandedFor(),
	}
	if running, _ := e.motor.Running(); running || e.frame.Series || e.frame.Reversed {
		s.RestFor = 0
	}
	for i := range e.cfg.Batteries {
		s.CurrentA[i] = e.frame.Raw.Battery[i].CurrentA
		if e.trust.Doubted(unit.ChannelOf(unit.BatteryCurrent, i)) || e.trust.CurrentUnresponsive(i) {
			s.CurrentA[i].Quality = unit.OutOfRange
		}
	}
	s.VoltageV, s.AhPerV = e.meanV25()
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
