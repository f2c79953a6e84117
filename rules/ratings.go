package rules

import (
	"fmt"

	"liftbank/rules/detect"
	"liftbank/rules/parked"
)

// Relearned says what starts again when a battery's ratings are put right: a wrong rating has shaped
// it. What was counted goes on, and so do links and leads.
type Relearned struct {
	Charge     bool // its charge and capacity, and what hangs on them
	Resistance bool // its resistance and cold cranking capability, and the verdict
}

// Relearns returns what starts again when ratings are changed from one to the other.
func Relearns(was, is BatteryConfig) Relearned {
	other := !was.Chemistry.Is(is.Chemistry.Name)
	return Relearned{Charge: other || was.RatedAh != is.RatedAh, Resistance: other || was.RatedCCA != is.RatedCCA}
}

// CorrectRatings says that battery i is the one that it was, and that its label was read wrong. What
// the wrong rating has shaped is learned again; the rest stays. On an error nothing changes. It is for
// between two steps.
func (e *Engine) CorrectRatings(i int, spec BatteryConfig) error {
	if err := e.checkSpec(i, &spec); err != nil {
		return fmt.Errorf("rules: ratings: %w", err)
	}
	was := e.cfg.Batteries[i]
	if was == spec {
		return nil
	}
	again := Relearns(was, spec)
	est, load, judge := e.cells.est[i], e.cells.load[i], e.cells.judge[i]
	counted, label := est.State(), e.cells.labeled[i]
	if err := e.fit(i, spec); err != nil {
		return err
	}
	if !again.Charge {
		e.cells.est[i], e.cells.labeled[i] = est, label
	} else {
		fresh := e.cells.est[i].State()
		fresh.ChargedAh, fresh.DrawnAh, fresh.StoredAh = counted.ChargedAh, counted.DrawnAh, counted.StoredAh
		if err := e.cells.est[i].Restore(fresh); err != nil {
			return fmt.Errorf("bug: rules: ratings of battery %s: %w", spec.ID, err)
		}
		e.count.FullKnown[i], e.count.PossiblyFull[i] = false, false
		e.days.Forget()
		e.parked = &parked.Learner{}
		e.ahead.meter.ForgetBatteries()
		e.found.Worked(detect.RightAh, i)
	}
	if !again.Resistance {
		e.cells.load[i], e.cells.judge[i] = load, judge
	} else {
		e.found.Worked(detect.RightCCA, i)
	}
	e.cells.charge(i, e.out.At, &e.out.Battery[i])
	e.due, e.ahead.next = e.last, 0
	return nil
}
