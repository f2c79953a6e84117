package fit

import (
	"fmt"
	"strconv"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
	"liftbank/sensors"
)

// Outcome is what came of a test.
type Outcome string

// Outcomes.
const (
	Good     Outcome = "good"
	Changed  Outcome = "changed"  // the configuration can follow: it is certain
	ByHand   Outcome = "by-hand"  // something is wrong, and the configuration can't or must not follow
	Untested Outcome = "untested" // its step was skipped, or could not tell
)

// Verdict is what follows for one channel or contact, from one test.
type Verdict struct {
	Subject string   `json:"subject"` // battery_current_a, wake_line, board
	Test    string   `json:"test"`    // reading, place, sign, zero, size, level, sum, supply
	Outcome Outcome  `json:"outcome"`
	Text    string   `json:"text"` // in English
	Figures []Figure `json:"figures,omitempty"`
	Changes []Change `json:"changes,omitempty"`
	Say     Phrase   `json:"-"`
	Channel int      `json:"-"`
	Label   bool     `json:"-"` // what is printed on the part may explain it
	Again   string   `json:"-"` // step that has to be done a second time
}

// Figure is one number that a verdict rests on.
type Figure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Change is one field of the configuration that changes.
type Change struct {
	List  string `json:"list"` // channels or contacts
	Index int    `json:"index"`
	Field string `json:"field"` // scale.v_per_a
	From  string `json:"from"`
	To    string `json:"to"`
}

// tolerance is how far a sound sensor of a poor class may be off, as a ratio: a Hall sensor that follows
// its supply, or resistors of 5 %. More is another part: those come in steps of a fifth and more (the E12
// series of IEC 60063). Our choice.
const tolerance = 0.10

// noSignal is the share of what a meter shows, below which a sensor shows nothing; our choice.
const noSignal = 0.08

func classOf(c *config.Channel) calibrate.Class {
	chip := c.Class(sensors.InRun)
	return calibrate.Class{
		Zero: c.Accuracy.Zero + chip.ZeroError, Gain: c.Accuracy.GainPct/100 + chip.GainError,
		Noise: max(c.Accuracy.Noise, chip.Noise), Step: chip.StepSize,
	}
}

// Verdicts returns what follows from all that has been done.
func (s *Session) Verdicts() []Verdict {
	if s.verdicts == nil {
		j := judge{cfg: s.cfg, state: &s.state}
		s.verdicts = j.all()
	}
	return s.verdicts
}

// Changes returns what the configuration would have to say.
func Changes(verdicts []Verdict) (all []Change) {
	for _, v := range verdicts {
		all = append(all, v.Changes...)
	}
	return all
}

func figure3(x float64) string { return strconv.FormatFloat(x, 'g', 3, 64) }

func volts(x float64) string { return fmt.Sprintf("%.2f V", x) }

// shown writes a value of a channel.
func shown(c *config.Channel, x float64) string {
	switch c.Unit() {
	case "V":
		if abs(x) < 1 {
			return fmt.Sprintf("%.1f mV", 1000*x)
		}
		return volts(x)
	case "A":
		return fmt.Sprintf("%.1f A", x)
	}
	return fmt.Sprintf("%.1f %s", x, c.Unit())
}
