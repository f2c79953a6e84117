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
	ended bool          // a motor run ended in this step
	next  time.Duration // when the outlook is worth working out again
	known forecast.Known
}

// foreseeEvery is how old an outlook may get: it changes over minutes.
const foreseeEvery = 30 * time.Second

func newForecasting(cfg *Config) forecasting {
	p := forecast.Params{CycleRuns: cfg.LiftCycleRuns, LeastMotorV: cfg.LeastMotorV, FloorPct: cfg.ChargeFloor}
	if p.LeastMotorV == 0 {
		p.LeastMotorV = DefaultLeastMotorV
	}
	for i := range cfg.Batteries {
		b := &cfg.Batteries[i]
		p.Batteries = append(p.Batteries, forecast.Battery{Chemistry: b.Chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA})
	}
	return forecasting{meter: forecast.New(p)}
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
		e.ahead.next = 0
		e.ahead.meter.EndRun(last.Start, last.Duration, last.DrawnAh, &e.ahead.known)
	}
	e.ahead.meter.Step(&r)
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

// Foresee works out what the bank can still do and when it is full, and writes it to the output of the last step. It is apart from Step
// because it takes some tenths of a millisecond and is wanted only when somebody looks. In a motor run, and soon after the last time, what
// is there stays.
func (e *Engine) Foresee() {
	if e.last < e.ahead.next || e.out.Motor.Running {
		return
	}
	e.ahead.next = e.last + foreseeEvery
	e.knowForForecast()
	m, bank := e.ahead.meter, &e.out.Bank
	bank.LiftsLeft, bank.LiftsWait = outlook(m.LiftsLeft(&e.ahead.known), 1)
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
