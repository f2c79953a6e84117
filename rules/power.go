package rules

import (
	"time"

	"liftbank/rules/parked"
	"liftbank/rules/power"
	"liftbank/rules/settings"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// newPower returns what decides how much the board may draw.
func newPower(cfg *Config, s *settings.Settings) *power.Monitor {
	p := power.Settings{
		AwakeA: s.OwnDrawA, RadioA: s.RadioA, AsleepA: s.AsleepA, SavingAfter: s.SavingAfter,
		SavingBelowPct: s.SavingBelowPct, SleepAfter: s.SleepAfter, SleepBelowPct: s.SleepBelowPct,
	}
	if cfg.WakeTimer {
		p.Wake, p.Every = power.WakeTimer, s.WakeEvery
	}
	if cfg.WakeLine {
		p.Wake = power.WakeLine
	}
	return power.New(p)
}

// stepPower judges how much the board may draw.
func (e *Engine) stepPower() {
	in := power.Scan{
		Now: e.last, Active: e.active(), Work: e.work.On || e.work.Settling, Looked: e.looked, Rested: e.out.Bank.Rested,
		Charge: e.lowestCharge(), InDoubt: e.read.WakeLine == unit.ContactUnknown ||
			e.read.MotorCommand == unit.ContactUnknown || !e.cfg.HasCommand && !e.out.Bank.CurrentA.OK(),
	}
	e.power.Step(&in)
	e.showPower()
}

// active reports whether anything on the unit is on, or asked for.
func (e *Engine) active() bool {
	running, _ := e.motor.Running()
	status, _ := e.feed.Status()
	return running || e.read.WakeLine == unit.ContactOn || e.read.MotorCommand == unit.ContactOn || status.On()
}

// lowestCharge returns the charge of the battery that has least by its uncertainty; not known where that
// of any isn't.
func (e *Engine) lowestCharge() (low Estimate) {
	for i := range e.out.Battery {
		c := e.out.Battery[i].SoCPct
		if !c.Known {
			return Estimate{}
		}
		if i == 0 || c.Value+c.Sigma < low.Value+low.Sigma {
			low = c
		}
	}
	return low
}

// showPower fills in what is known of the board's own draw.
func (e *Engine) showPower() {
	s, p := e.power.State(), &e.out.Power
	p.Level, p.Since, p.Why, p.DrawA, p.MeanA = s.Level, s.Since, s.Why.Text, e.power.Settings().DrawA(s.Level), s.MeanA
	p.ParkedFor, p.ParkedAh, p.DrawnAh = s.Last-s.ActiveAt, s.ParkedAh, s.DrawnAh
	p.ParkedPct = 100 * s.ParkedAh / e.capacityAh()
	for i, seconds := range []float64{s.AwakeS, s.SavingS, s.AsleepS} {
		p.Spent[i] = time.Duration(seconds * float64(time.Second))
	}
	p.Sleeps, p.LateWord = s.Nights, s.LateWord
}

// capacityAh returns the bank's capacity, the rated one where it was not learned.
func (e *Engine) capacityAh() float64 {
	return e.cfg.Layout.SumOfStrings(len(e.cfg.Batteries), func(i int) float64 {
		if c := e.cells.capacityAh(i); c.Known {
			return c.Value
		}
		return e.cfg.Batteries[i].RatedAh
	})
}

// updateOutlook works out how long the bank stands, with the monitor and without. What lifts need is
// known once lifts are; what others take, once it has been learned while parked: until then it is the
// self-discharge alone.
func (e *Engine) updateOutlook() {
	p, bank := &e.out.Power, &e.out.Bank
	if !bank.LiftsLeft.Known || !e.out.Motor.LiftAh.Known {
		p.Outlook = power.Outlook{}
		return
	}
	b := power.Bank{
		UsableAh: bank.LiftsLeft.Value * e.out.Motor.LiftAh.Value, CapacityAh: e.capacityAh(), Charge: e.lowestCharge(),
	}
	b.OthersA = parked.SelfDischargeA(b.CapacityAh, e.frame.TempC)
	if all := bank.ParkedDrawA; all.Known {
		b.OthersA += max(all.Value-p.MeanA-all.Sigma, 0) // only what is surely not the board
	}
	p.Outlook = e.power.Outlook(&b)
}

// Looked says whether somebody looks at the unit's page, or has a visit open. It is for between two
// steps.
func (e *Engine) Looked(now bool) { e.looked = now }

// Sleep notes that the board is about to be switched off, and returns for how long a timer is to be
// set; 0: none. A state saved after that says so. It is for between two steps.
func (e *Engine) Sleep() time.Duration { return e.power.Sleep() }

// Stay notes that the board was not switched off.
func (e *Engine) Stay() { e.power.Stay() }

// LateWord notes whether the last word before a sleep failed to get out in time.
func (e *Engine) LateWord(late bool) { e.power.Late(late) }

// drainsSigmaA is what else may lie on a bank while its board sleeps.
const (
	drainsSigmaA = 0.3    // A: lights and radio left on are more, and are seen by a rest; our choice
	anyA         = 1000.0 // A: anything may have flowed; our choice
)

// gapA returns the mean current of battery i since the last step, where the board slept: its part of what
// a sleeping board takes. Only a board that the wake line wakes is sure that nothing charged meanwhile.
func (e *Engine) gapA(i int) (a Estimate) {
	if e.slept == 0 {
		return a
	}
	part := e.cfg.Batteries[i].RatedAh / e.ratedAh()
	a = Estimate{Value: -part * e.set.AsleepA, Sigma: anyA, Known: true}
	if e.cfg.WakeLine {
		a.Sigma = part * drainsSigmaA
	}
	return a
}

func (e *Engine) ratedAh() float64 {
	return view.RatedAh(e.cfg.Layout, e.cfg.Batteries)
}
