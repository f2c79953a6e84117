package rules

import (
	"liftbank/rules/tap"
	"liftbank/rules/unit"
)

// newTaps returns the learner of how the batteries' voltage taps differ.
func newTaps(cfg *Config) *tap.Learner {
	var class []unit.SensorClass
	for i := range cfg.Batteries {
		class = append(class, cfg.Classes.Of(unit.BatteryVoltage, i))
	}
	return tap.New(class)
}

// learnTaps shows the taps' learner the scan.
func (e *Engine) learnTaps() {
	s := tap.Scan{
		Now: e.last, RestFor: e.trust.UncommandedFor(), Joined: e.trust.AllCarry(), FeedV: e.read.FeedV,
	}
	if running, _ := e.motor.Running(); running || e.frame.Series || e.frame.Reversed {
		s.RestFor = 0
	}
	for i := range e.cfg.Batteries {
		s.OwnV[i], s.CurrentA[i] = e.read.Battery[i].OwnV(), e.read.Battery[i].CurrentA
	}
	e.taps.Step(&s)
}
