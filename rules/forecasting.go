package rules

import (
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/forecast"
)

// DefaultLeastMotorV is the voltage at the motor's terminal below which a lift is taken not to work: 80 % of 12 V, under which 12 V relays
// and contactors of the trade need not hold (common practice: pull-in and operation from 75 to 80 % of the rated voltage). Pump
// motors for 12 V are given for about 9 V and more; their maker's figure takes its place where known.
const DefaultLeastMotorV = 9.6

// forecasting is what the engine keeps for its outlook.
type forecasting struct {
	meter *forecast.Meter
	days  *forecast.Balance
	ended bool          // a motor run ended in this step
	next  time.Duration // when the outlook is worked out again
	lifts time.Duration // and the lifts left
	known forecast.Known
}

// The outlook is worked out anew now and then: it changes over minutes. The lifts left, which take some tenths of a millisecond, soon
// after a motor run, and else at rest and in a charge seldom.
const (
	forecastEvery = 30 * time.Second
	liftsEvery    = 10 * time.Minute
)

func newForecasting(cfg *Config) forecasting {
	p := forecast.Params{CycleRuns: cfg.LiftCycleRuns, LeastMotorV: cfg.LeastMotorV, FloorPct: cfg.ChargeFloor}
	if p.LeastMotorV == 0 {
		p.LeastMotorV = DefaultLeastMotorV
	}
	for i := range cfg.Batteries {
		b := &cfg.Batteries[i]
		p.Batteries = append(p.Batteries, forecast.Battery{Chemistry: b.Chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA})
	}
	var ratedAh float64
	for i := range p.Batteries {
		ratedAh += p.Batteries[i].RatedAh
	}
	return forecasting{meter: forecast.New(p), days: forecast.NewBalance(p.Batteries[0].Chemistry, ratedAh)}
}

// stepForecast gives the scan, and the run that ended with it, to what learns the unit's lifts and charges.
func (e *Engine) stepForecast(use *Input) {
	running, since := e.motor.Running()
	status, _ := e.feed.Status()
	r := forecast.Reading{
		At: use.At.Mono, Running: running, RunFor: use.At.Mono - since, Feeding: status == feed.Present || status == feed.Unasked,
		MotorV: use.MotorV.Value, MotorOK: use.MotorV.OK(),
	}
	for i := range e.cfg.Batteries {
		b := &use.Battery[i]
		zero, _ := e.est[i].ZeroA()
		r.VoltageV[i], r.VoltageOK[i] = b.VoltageV.Value, b.VoltageV.OK()
		r.CurrentA[i], r.CurrentOK[i] = b.CurrentA.Value-zero, b.CurrentA.OK()
		r.TempC[i] = e.temperature(use, i)
		r.TempOK[i] = r.TempC[i] != noTemperature
		e.ahead.known.TempC[i], e.ahead.known.TempOK[i] = r.TempC[i], r.TempOK[i]
	}
	if e.ahead.ended && !running {
		e.ahead.ended = false
		last := e.motor.Last()
		e.knowForForecast()
		e.ahead.lifts = 0
		e.ahead.meter.EndRun(last.Start, last.Duration, last.DrawnAh, &e.ahead.known)
	}
	e.ahead.meter.Step(&r)
	e.stepBalance(&r)
}

// stepBalance adds the scan to the day's charge in and out.
func (e *Engine) stepBalance(r *forecast.Reading) {
	b := forecast.BalanceReading{At: r.At, TempC: 25, Running: r.Running, Feeding: r.Feeding, OK: true}
	if r.TempOK[0] {
		b.TempC = r.TempC[0]
	}
	n := len(e.cfg.Batteries)
	for i := range n {
		if !r.VoltageOK[i] || !r.CurrentOK[i] {
			b.OK = false
			continue
		}
		b.VoltageV, b.CurrentA = b.VoltageV+r.VoltageV[i]/float64(n), b.CurrentA+r.CurrentA[i]
	}
	e.ahead.days.Step(&b)
}

// balance says whether the bank loses charge on its duty, when it is then under thresholdPct of its present full capacity, and what would
// hold it.
func (e *Engine) balance(thresholdPct float64) forecast.BalanceAnswer {
	k := forecast.BalanceKnown{OK: true}
	for i := range e.cfg.Batteries {
		ah := e.cfg.Batteries[i].RatedAh
		if c := e.out.Battery[i].CapacityAh; c.Known {
			ah = c.Value
		}
		soc := e.out.Battery[i].SoCPct
		k.OK = k.OK && soc.Known
		k.ChargeAh += ah * soc.Value / 100
		k.ChargeSigma += ah * soc.Sigma / 100
		k.ThresholdAh += ah * thresholdPct / 100
	}
	return e.ahead.days.Outlook(k)
}

// knowForForecast gathers what the estimators know.
func (e *Engine) knowForForecast() {
	k := &e.ahead.known
	for i := range e.cfg.Batteries {
		b := &e.out.Battery[i]
		k.SoCPct[i], k.SoCSigma[i], k.SoCOK[i] = e.est[i].SoC()
		k.SoCOK[i] = k.SoCOK[i] && !e.judge[i].DeadCell()
		k.CapacityAh[i], k.CapacitySigma[i], k.CapacityOK[i] = e.est[i].CapacityAh()
		k.Mohm[i], k.MohmOK[i] = b.Resistance.Value, b.Resistance.Known
	}
}

// forecast works out what the bank can still do and when it is full, every few seconds and not in a motor run.
func (e *Engine) forecast() {
	if e.last < e.ahead.next || e.out.Motor.Running {
		return
	}
	e.ahead.next = e.last + forecastEvery
	e.knowForForecast()
	m, bank := e.ahead.meter, &e.out.Bank
	sure := bank.LiftsLeft.Known
	for i := range e.cfg.Batteries {
		sure = sure && e.ahead.known.SoCOK[i] && e.ahead.known.TempOK[i]
	}
	if e.last >= e.ahead.lifts || !sure {
		e.ahead.lifts = e.last + liftsEvery
		bank.LiftsLeft, bank.LiftsWait = outlook(m.LiftsLeft(&e.ahead.known), 1)
	}
	bank.TimeToFullS, bank.FullWait = outlook(m.TimeToFull(&e.ahead.known), 3600)
	e.out.Motor.LiftAh, _ = outlook(m.LiftAh(), 1)
	e.out.Motor.LiftWh, _ = outlook(m.LiftWh(), 1)
}

func outlook(a forecast.Answer, factor float64) (Estimate, string) {
	if !a.Known {
		return Estimate{}, a.WaitsFor
	}
	return Estimate{Value: factor * a.Value, Sigma: factor * a.Sigma, Known: true}, ""
}
