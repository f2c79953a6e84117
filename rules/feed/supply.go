package feed

import (
	"fmt"
	"time"

	"liftbank/rules/unit"
)

// idleSmoothing is over how long what arrives without a load is averaged.
const idleSmoothing = 5 * time.Second // of the input's voltage; our choice

// lampHold is how long the charging lamp's line is on with nothing asked for before it is known to
// hang on the bank.
const lampHold = 10 * time.Minute // after the wake line went off; our choice

// Supply is what is known of the converter's input side. It is saved as it is.
type Supply struct {
	IdleV   float64       // at the converter's input while it gave nothing, in this stretch of the wake line
	HasIdle bool          // whether that was seen
	At      time.Duration // of the last scan with the wake line on
	OffAt   time.Duration // when the wake line went off, or was first seen off
	Off     bool
	OnBank  bool // the charging lamp's line is fed by the bank, too: it says nothing of the converter
}

// SupplyInput is what is looked at in one scan.
type SupplyInput struct {
	At       time.Duration
	InputV   unit.Reading
	Lamp     unit.Contact
	Wake     unit.Contact
	Status   Status
	Flows    bool // current into the bank
	FlowSure bool // whether that is known
}

// Step applies one scan.
func (s *Supply) Step(in *SupplyInput) {
	switch in.Wake {
	case unit.ContactOn:
		s.Off = false
		s.idle(in)
	case unit.ContactOff:
		s.IdleV, s.HasIdle = 0, false
		if !s.Off || in.Status != Off {
			s.Off, s.OffAt = true, in.At
		}
		switch {
		case in.Lamp == unit.ContactOff:
			s.OnBank = false
		case in.Lamp == unit.ContactOn && in.At-s.OffAt >= lampHold:
			s.OnBank = true
		}
	}
}

// idle averages the input's voltage while the converter gives nothing.
func (s *Supply) idle(in *SupplyInput) {
	dt := in.At - s.At
	s.At = in.At
	if !in.InputV.OK() || in.Flows || !in.FlowSure || in.Status.On() {
		return
	}
	if !s.HasIdle || dt > LongestGap {
		s.IdleV, s.HasIdle = in.InputV.Value, true
		return
	}
	x := float64(dt) / float64(idleSmoothing)
	s.IdleV += (in.InputV.Value - s.IdleV) * x / (1 + x)
}

// Check refuses a saved state that can't be.
func (s *Supply) Check() error {
	var c unit.Check
	c.Finite("voltage without a load", s.IdleV)
	if err := c.Err(); err != nil {
		return fmt.Errorf("feed: supply: %w", err)
	}
	return nil
}
