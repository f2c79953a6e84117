package rules

import (
	"time"

	"liftbank/rules/forecast"
	"liftbank/rules/motor"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ahead is what the engine keeps for its forecast.
type ahead struct {
	meter *forecast.Meter
	ended bool          // a motor run ended in this step
	next  time.Duration // when the forecast is worth working out again
	known forecast.Known
}

const forecastEvery = 30 * time.Second // how old a forecast may get: it changes over minutes; our choice

func newAhead(batteries []BatteryConfig, s *settings) *ahead {
	p := forecast.Params{CycleRuns: int(s.CycleRuns), LeastMotorV: s.MotorMinV, FloorPct: s.ChargeFloor}
	for i := range batteries {
		b := &batteries[i]
		p.Batteries = append(p.Batteries, forecast.Battery{Chemistry: b.Chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA})
	}
	return &ahead{meter: forecast.New(p)}
}

// step passes the scan, and the run that ended with it, to what learns the unit's lifts and charges.
func (a *ahead) step(f *view.Frame, cells *batteries, m *motor.Detector) {
	running, since := m.Running()
	now := f.At.Mono
	r := forecast.Reading{
		At: now, Running: running, RunFor: now - since, Feeding: f.Feed.Status.On(), MotorV: f.Read.MotorV.Value, MotorOK: f.Read.MotorV.OK(),
	}
	for i, est := range cells.est {
		b, t := &f.Read.Battery[i], f.Temps[i]
		r.VoltageV[i], r.VoltageOK[i] = b.VoltageV.Value, b.VoltageV.OK()
		r.CurrentA[i], r.CurrentOK[i] = b.CurrentA.Value-est.ZeroA().Value, b.CurrentA.OK()
		r.TempC[i], r.TempOK[i] = t.Value, t.OK()
		a.known.TempC[i], a.known.TempOK[i] = t.Value, t.OK()
	}
	if a.ended && !running {
		a.ended = false
		last := m.Last()
		a.learn(f, cells)
		a.next = 0
		a.meter.EndRun(last.Start, last.Duration, last.DrawnAh, &a.known)
	}
	a.meter.Step(&r)
}

// learn gathers what the estimators know.
func (a *ahead) learn(f *view.Frame, cells *batteries) {
	k := &a.known
	for i, est := range cells.est {
		soc, capacity := est.SoC(), est.CapacityAh()
		k.SoCPct[i], k.SoCSigma[i], k.SoCOK[i] = soc.Value, soc.Sigma, soc.Known && !cells.judge[i].DeadCell()
		k.CapacityAh[i], k.CapacitySigma[i], k.CapacityOK[i] = capacity.Value, capacity.Sigma, capacity.Known
		r := f.Battery[i].Resistance
		k.Mohm[i], k.MohmOK[i] = r.Value, r.Known
	}
}

// UpdateForecast works out what the bank can still do and when it is full, and writes it to the output of
// the last step. It is apart from Step because it takes some tenths of a millisecond and is wanted only
// when somebody looks. In a motor run, and soon after the last time, the output stays as it is.
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
}

func estimateOf(a forecast.Answer, factor float64) (Estimate, *unit.Text) {
	if !a.Known {
		return Estimate{}, waitsText(a.WaitsFor)
	}
	return Estimate{Value: factor * a.Value, Sigma: factor * a.Sigma, Known: true}, nil
}

// waitsText is for reasons that have no ID yet.
func waitsText(s string) *unit.Text {
	if waitsCache[s] == nil {
		waitsCache[s] = &unit.Text{ID: s, English: s}
	}
	return waitsCache[s]
}

var waitsCache = map[string]*unit.Text{}
