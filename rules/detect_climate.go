package rules

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
)

const (
	hotHold         = 2 * time.Minute
	hotRelease      = 10 * time.Minute
	freezeHold      = 5 * time.Minute
	freezeRelease   = 30 * time.Minute
	freezeClearC    = 2.0
	clockRelease    = time.Minute
	reversedHold    = 3 * time.Second
	reversedRelease = time.Minute
)

// judgeClimate judges heat and frost of each battery. One without a thermometer goes by its neighbour's: they share a box.
func (e *Engine) judgeClimate(use *Input) {
	t := &e.cfg.Thresholds
	for i := range e.cfg.Batteries {
		temp := e.temperature(use, i)
		if temp == noTemperature {
			e.give(e.slots.hot[i], finding.NotJudged, "no temperature can be read")
			e.give(e.slots.freeze[i], finding.NotJudged, "no temperature can be read")
			continue
		}
		o := finding.Between
		switch {
		case temp > t.HotC:
			o = finding.Present
			rec := &e.book.Records[e.slots.hot[i]]
			rec.Show(
				finding.Evidence{What: "temperature", Value: temp, Unit: "°C", At: e.last},
				finding.Evidence{What: "limit", Value: t.HotC, Unit: "°C", At: e.last},
				finding.Evidence{What: "current", Value: use.Battery[i].CurrentA.Value, Unit: "A", At: e.last})
			rec.Suspect()
			const charging = 2.0
			if a := use.Battery[i].CurrentA; a.OK() && a.Value > charging && e.book.Records[e.slots.feedHigh].Active() {
				rec.Suspect(finding.Likely{Cause: finding.HotCharge, Reason: "it takes current at too high a voltage"})
			}
		case temp < t.HotClearC:
			o = finding.Absent
		}
		e.give(e.slots.hot[i], o, "")
		e.judgeFreeze(i, temp)
	}
}

// freezeSoCSigma is how well the charge must be known, in percent: with less a bank just switched on in a frost would be called.
const freezeSoCSigma = 12.0

func (e *Engine) judgeFreeze(i int, temp float64) {
	slot, margin := e.slots.freeze[i], e.cfg.Thresholds.FreezeMarginC
	b := &e.out.Battery[i]
	soc, why := b.SoCPct, e.bankUnread()
	if e.judge[i].DeadCell() {
		soc = Estimate{Value: 0, Known: true}
	}
	switch {
	case why != "":
		e.give(slot, finding.NotJudged, why)
		return
	case temp > leadacid.FreezingC(0)+margin+freezeClearC:
		e.give(slot, finding.Absent, "") // not even an empty one freezes
		return
	case !soc.Known || soc.Sigma > freezeSoCSigma:
		e.give(slot, finding.NotJudged, "its charge is not known well enough")
		return
	}
	at := leadacid.FreezingC(soc.Value)
	o := finding.Between
	switch {
	case temp <= leadacid.FreezingC(min(soc.Value+soc.Sigma, 100))+margin:
		o = finding.Present
		rec := &e.book.Records[slot]
		rec.Show(
			finding.Evidence{What: "temperature", Value: temp, Unit: "°C", At: e.last},
			finding.Evidence{What: "freezes at", Value: at, Unit: "°C", At: e.last},
			finding.Evidence{What: "charge", Value: soc.Value, Unit: "%", At: e.last})
		rec.Suspect()
		if e.judge[i].DeadCell() {
			rec.Suspect(finding.Likely{Cause: finding.FreezeRiskCell, Reason: "it shows one"})
		}
	case temp > at+margin+freezeClearC:
		o = finding.Absent
	}
	e.give(slot, o, "")
}

// judgeReversed looks at what was read, believed or not: a converter that reads from zero up shows a battery the wrong way round as
// next to nothing.
func (e *Engine) judgeReversed(in *Input) {
	const nothingV, wrongV = 1.0, -0.5
	shown := func(r Reading) bool {
		return r.Quality == Good || r.Quality == Saturated || r.Quality == OutOfRange
	}
	feedNothing := shown(in.FeedV) && in.FeedV.Value < nothingV
	for i := range e.cfg.Batteries {
		slot := e.slots.reversed[i]
		v := in.Battery[i].VoltageV
		if !shown(v) {
			e.give(slot, finding.NotJudged, "its voltage can't be read")
			continue
		}
		witness := feedNothing
		for k := range e.cfg.Batteries {
			o := in.Battery[k].VoltageV
			witness = witness || k != i && shown(o) && o.Value < nothingV && shown(in.Battery[i].CurrentA) && in.Battery[i].CurrentA.Quality == Saturated
		}
		o := finding.Between
		switch {
		case v.Value < wrongV || v.Value < nothingV && witness:
			o = finding.Present
			e.book.Records[slot].Show(
				finding.Evidence{What: "voltage at its posts", Value: v.Value, Unit: "V", At: e.last},
				finding.Evidence{What: "feed voltage", Value: in.FeedV.Value, Unit: "V", At: e.last})
		case v.Quality == Good && v.Value > deadPostV:
			o = finding.Absent
		}
		e.give(slot, o, "")
	}
}

// judgeService compares what was counted since service was entered.
func (e *Engine) judgeService() {
	slot, t := e.slots.service, &e.cfg.Thresholds
	e.countServices()
	if slot < 0 {
		return
	}
	cycles, hours := e.out.Motor.Since[Service].LiftCycles, e.out.Motor.Since[Service].RunTime
	byCycles := t.ServiceCycles > 0 && cycles >= t.ServiceCycles
	byHours := t.ServiceMotorTime > 0 && hours >= t.ServiceMotorTime
	if !byCycles && !byHours {
		e.give(slot, finding.Absent, "")
		return
	}
	rec := &e.book.Records[slot]
	rec.Show(
		finding.Evidence{What: "lift cycles since service", Value: float64(cycles), At: e.last},
		finding.Evidence{What: "due at", Value: float64(t.ServiceCycles), At: e.last},
		finding.Evidence{What: "motor hours since service", Value: hours.Hours(), Unit: "h", At: e.last},
		finding.Evidence{What: "due at", Value: t.ServiceMotorTime.Hours(), Unit: "h", At: e.last})
	rec.Suspect()
	if byHours {
		rec.Suspect(finding.Likely{Cause: finding.ServiceDueHours, Reason: "motor hours are there"})
	}
	e.give(slot, finding.Present, "")
}

// ServiceKind is a kind of service whose work is counted. Only Service has an interval with a finding.
type ServiceKind uint8

// Kinds of service.
const (
	Service ServiceKind = iota // the lift's, by its maker's plan
	Filter
	Oil
	serviceKinds
)

// String gives the word for it.
func (k ServiceKind) String() string { return [...]string{"service", "filter", "oil"}[k] }

// ServiceCount is the work since a service was done, or since counting began.
type ServiceCount struct {
	LiftCycles uint64
	RunTime    time.Duration
}

// ServiceDone begins the counts of one kind again.
func (e *Engine) ServiceDone(kind ServiceKind) {
	e.det.Serve[kind] = ServiceMemory{Cycles: e.motor.Cycles(), RunTime: e.motor.Time()}
	e.countServices()
}

// countServices writes down the work since each kind of service.
func (e *Engine) countServices() {
	for k := range serviceKinds {
		m := &e.det.Serve[k]
		e.out.Motor.Since[k] = ServiceCount{LiftCycles: e.motor.Cycles() - min(m.Cycles, e.motor.Cycles()), RunTime: e.motor.Time() - min(m.RunTime, e.motor.Time())}
	}
}

func (e *Engine) judgeClock() {
	o := finding.Present
	if e.out.At.WallTrusted {
		o = finding.Absent
	} else {
		e.book.Records[e.slots.clock].Show(finding.Evidence{What: "clock", Text: "not set from a source that can be trusted", At: e.last})
	}
	e.give(e.slots.clock, o, "")
}
