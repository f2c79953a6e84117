package rules

import (
	"math"

	"liftbank/rules/finding"
)

// deadPostV: under it no battery's post can be while the board, which lives from the bank, works. Our choice, well under the 7 V or so that a
// battery with two dead cells shows.
//
// A channel is deaf when it moved less than deafStepV or deafStepA in a run in which it must have moved, for deafRuns runs in a row. A current
// of seenStepA drops more than 60 mV over the least resistance a 12 V block has (2.5 mΩ, general literature, from memory); a dip of seenStepV takes tens
// of amperes.
const (
	deadPostV = 5.0
	deafRuns  = 3
	deafStepV = 0.015
	deafStepA = 0.5 // a dead cell leaves a battery little more to give, for a run or two; noise of 0.1 A leaves none
	seenStepA = 25.0
	ownStepA  = 12.5 // of the battery itself: one behind an open link does not dip
	seenStepV = 0.20
)

// hearRun compares what each channel showed of the run just ended.
func (e *Engine) hearRun() {
	n := len(e.cfg.Batteries)
	var dv, da [MaxBatteries]float64
	var have [MaxBatteries]bool
	dipElsewhere, flowElsewhere := 0, 0
	for i := range n {
		dv[i], da[i], have[i] = e.load[i].LastStep()
		if have[i] && dv[i] < -seenStepV {
			dipElsewhere++
		}
		if have[i] && da[i] < -seenStepA {
			flowElsewhere++
		}
	}
	for i := range n {
		if !have[i] {
			continue
		}
		deafV := math.Abs(dv[i]) < deafStepV && flowElsewhere > 0 && da[i] < -ownStepA
		deafA := math.Abs(da[i]) < deafStepA && dv[i] < -seenStepV && flowElsewhere+dipElsewhere > 0 && e.motor.Last().ByCommand
		e.det.Sense.DeafV[i] = tally(e.det.Sense.DeafV[i], deafV)
		e.det.Sense.DeafA[i] = tally(e.det.Sense.DeafA[i], deafA)
	}
}

func tally(count uint8, deaf bool) uint8 { return tallyTo(count, deaf, deafRuns) }

// judgeSense judges every fitted channel by itself.
func (e *Engine) judgeSense(in *Input) {
	e.checkChannels(in)
	for k, s := range e.slots.sense {
		r := e.reading(in, s)
		slot := e.slots.senseFrom + k
		text, o := "", finding.Absent
		switch {
		case r.Quality == NotFitted || r.Quality == Waiting:
			o = finding.Between
		case s.kind == batteryNegative && r.Quality == Saturated && e.book.Records[e.slots.series].Active():
			o = finding.Between // half a series pair's voltage stands there
		case s.kind != batteryCurrent && s.kind != batteryTemp && e.anyActive(e.slots.reversed):
			o = finding.Between // a battery the wrong way round shows as next to nothing everywhere
		case (s.kind == motorVoltage || s.kind == feedVoltage) && r.Faulty() && !e.negativesJoined(in):
			o = finding.Between // its return hangs on a battery whose negative link is open
		case r.Faulty():
			text, o = r.Quality.String(), finding.Present
		case s.kind == batteryVoltage && r.Value < deadPostV:
			text, o = "no battery voltage, yet the board lives from the bank", finding.Present
		case s.kind == batteryVoltage && e.det.Sense.DeafV[s.battery] >= deafRuns,
			s.kind == batteryCurrent && e.det.Sense.DeafA[s.battery] >= deafRuns:
			text, o = "did not answer to three motor runs that other channels saw", finding.Present
		case e.doubt(s.battery, s.kind):
			text, o = doubtWords[e.channel(s.battery, s.kind).Doubt], finding.Present
		}
		if o == finding.Present {
			e.book.Records[slot].Show(
				finding.Evidence{What: "channel", Text: text, At: e.last},
				finding.Evidence{What: "reads", Value: r.Value, Unit: s.unit(), At: e.last})
		}
		e.give(slot, o, "")
	}
}

func (e *Engine) reading(in *Input, s signal) Reading {
	switch s.kind {
	case batteryVoltage:
		return in.Battery[s.battery].VoltageV
	case batteryNegative:
		return in.Battery[s.battery].NegativeV
	case batteryCurrent:
		return in.Battery[s.battery].CurrentA
	case batteryTemp:
		return in.Battery[s.battery].TempC
	case feedVoltage:
		return in.FeedV
	}
	return in.MotorV
}

func (s signal) unit() string {
	switch s.kind {
	case batteryCurrent:
		return "A"
	case batteryTemp:
		return "°C"
	}
	return "V"
}
