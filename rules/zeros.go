package rules

import (
	"liftbank/rules/leadacid"
	"liftbank/rules/parked"
	"liftbank/rules/unit"
	"liftbank/rules/zero"
)

// newZeros returns the learner of the current sensors' zeros.
// In a bank with strings each has one.
func newZeros(cfg *Config, class *unit.Classes, ownA float64) *zero.Learner {
	p, l := zero.Params{OwnA: ownA}, cfg.Layout
	for k := range l.Strings(len(cfg.Batteries)) {
		p.Class[k] = class.Of(unit.BatteryCurrent, l.Lowest(k))
		ah := cfg.Batteries[l.Lowest(k)].RatedAh
		for i := l.Lowest(k); i <= l.Highest(k); i++ {
			ah = min(ah, cfg.Batteries[i].RatedAh)
		}
		p.RatedAh = append(p.RatedAh, ah)
	}
	return zero.New(p)
}

// zeroA returns what the sensor behind the current of battery i shows without current.
func (e *Engine) zeroA(i int) Estimate {
	k := e.cfg.Layout.StringOf(i)
	return e.zeros.ZeroA(k, e.frame.Temps[e.cfg.Layout.Lowest(k)])
}

// takeZeros takes off what the current sensors show without current: in the scan as far as it is
// believed, and in that as it was read.
func (e *Engine) takeZeros() {
	for i := range e.cfg.Batteries {
		z := e.zeroA(i)
		e.frame.Zeros[i] = z
		e.read.Battery[i].CurrentA.Value -= z.Value
		e.flows[i] = e.frame.Raw.Battery[i].CurrentA
		e.flows[i].Value -= z.Value
	}
}

// learnParked shows the scan to what learns of a parked bank.
func (e *Engine) learnParked() {
	s := parked.Scan{Now: e.last, QuietFor: e.frame.QuietFor, TempC: e.frame.TempC}
	if e.unfit() {
		s.QuietFor = 0
	}
	s.V25, s.AhPerV = e.meanV25()
	if s.V25.OK() {
		for i := range e.cfg.Batteries {
			spec := &e.cfg.Batteries[i]
			pct, _ := spec.Chemistry.SoCFromRestedV(s.V25.Value)
			ah := e.cfg.Layout.OfString(spec.RatedAh)
			s.LeftAh, s.RatedAh = s.LeftAh+pct/100*ah, s.RatedAh+ah
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
		ahPerV += pctPerV / 100 * e.cfg.Layout.OfString(spec.RatedAh)
	}
	return v, ahPerV
}

// learnZeros shows the zeros' learner the scan.
func (e *Engine) learnZeros() {
	s := zero.Scan{
		Now: e.last, Joined: e.trust.AllCarry(), RestFor: e.trust.UncommandedFor(),
	}
	if running, _ := e.motor.Running(); running || e.unfit() {
		s.RestFor = 0
	}
	l := e.cfg.Layout
	s.TempC = e.temps[:0]
	for k := range l.Strings(len(e.cfg.Batteries)) {
		i := l.Lowest(k)
		s.TempC = append(s.TempC, e.frame.Temps[i])
		s.CurrentA[k] = e.frame.Raw.Battery[i].CurrentA
		if e.trust.Doubted(unit.ChannelOf(unit.BatteryCurrent, i)) || e.trust.CurrentUnresponsive(i) {
			s.CurrentA[k].Quality = unit.OutOfRange
		}
	}
	s.VoltageV, s.AhPerV = e.meanV25()
	e.zeros.Step(&s)
	for i := range e.cfg.Batteries {
		k := l.StringOf(i)
		e.frame.ZeroOff[i] = e.zeros.Off(k)
		e.frame.ZeroMoved[i], e.frame.ZeroDrifted[i] = e.zeros.Moved(k), e.zeros.Drifted(k)
		moved := e.zeroA(i).Value - e.frame.Zeros[i].Value
		e.cells.est[i].ZeroMoved(moved)
		e.cells.labeled[i].zeroMoved(moved)
	}
	for i, est := range e.cells.est {
		if told := est.ZeroTold(); told.Known {
			e.zeros.Counted(l.StringOf(i), unit.Reading{Value: told.Value, Quality: unit.Good}, e.frame.Temps[i], told.Sigma)
		}
	}
}
