package rules

import (
	"time"

	"liftbank/rules/forecast"
	"liftbank/rules/motor"
	"liftbank/rules/settings"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ahead is what the engine keeps for its forecast.
type ahead struct {
	meter *forecast.Meter
	ended bool          // a motor run ended in this step
	next  time.Duration // when the forecast is worth working out again
	known forecast.Inputs
}

const forecastEvery = 30 * time.Second // how old a forecast may get: it changes over minutes; our choice

func newAhead(cfg *Config, s *settings.Settings, class *unit.Classes) *ahead {
	batteries := cfg.Batteries
	n := len(batteries)
	p := forecast.Params{Layout: cfg.Layout, CycleRuns: int(s.CycleRuns), LeastMotorV: s.MotorMinV, FloorPct: s.ChargeFloorPct,
		Voltage: class.Worst(unit.BatteryVoltage, n), Current: class.Worst(unit.BatteryCurrent, n)}
	for i := range batteries {
		b := &batteries[i]
		p.Batteries = append(p.Batteries, forecast.Battery{Chemistry: b.Chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA})
	}
	return &ahead{meter: forecast.New(p)}
}

// step passes the scan, and the run that ended with it, to what learns the unit's lifts and
// charges.
func (a *ahead) step(f *view.Frame, cells *batteries, m *motor.Detector) {
	running, since := m.Running()
	facts := forecast.Facts{Running: running, RunFor: f.At.Mono - since, Feeding: f.Feed.Status.On()}
	for i, est := range cells.est {
		facts.ZeroA[i] = est.ZeroA().Value
		a.known.TempC[i] = f.Temps[i]
	}
	if a.ended && !running {
		a.ended = false
		last := m.Last()
		a.learn(f, cells)
		a.next = 0
		a.meter.EndRun(last.Start, last.Duration, last.DrawnAh, &a.known)
	}
	a.meter.Step(f.Read, &facts, &a.known)
}

// learn gathers what the estimators know.
func (a *ahead) learn(f *view.Frame, cells *batteries) {
	k := &a.known
	for i := range cells.est {
		k.SoC[i], k.CapacityAh[i], k.Mohm[i] = cells.soc(i), cells.capacityAh(i), f.Battery[i].Resistance
		k.SoC[i].Known = k.SoC[i].Known && !cells.judge[i].DeadCell()
	}
}

// UpdateForecast works out what the bank can still do and when it is full, and writes it to the
// output of the last step. It is apart from Step because it takes some tenths of a millisecond and
// is wanted only when somebody looks. In a motor run, and soon after the last time, the output
// stays as it is.
func (e *Engine) UpdateForecast() {
	a := e.ahead
	if e.last < a.next || e.out.Motor.Running {
		return
	}
	a.next = e.last + forecastEvery
	a.learn(&e.frame, e.cells)
	m, bank := a.meter, &e.out.Bank
	bank.LiftsLeft, bank.LiftsWaitFor = estimateOf(m.LiftsLeft(&a.known), 1)
	bank.TimeToFullS, bank.FullWaitsFor = estimateOf(m.TimeToFull(&a.known), time.Hour.Seconds())
	e.out.Motor.LiftAh, _ = estimateOf(m.LiftAh(), 1)
	e.out.Motor.LiftWh, _ = estimateOf(m.LiftWh(), 1)
	e.forecastServices()
	e.updateOutlook()
}

func estimateOf(a forecast.Answer, factor float64) (Estimate, *unit.Text) {
	if !a.Known {
		return Estimate{}, a.WaitsFor
	}
	return Estimate{Value: factor * a.Value, Sigma: factor * a.Sigma, Known: true}, nil
}
