package fit

import (
	"fmt"
	"strings"
	"time"

	"liftbank/agent/config"
)

// Stored is a correction that somebody has stored at the unit over the configuration's. A fitting measures
// without it, against the configuration alone.
type Stored struct {
	Channel string    `json:"channel"`
	To      string    `json:"to"` // its channel with the changed configuration
	Offset  float64   `json:"offset"`
	Gain    float64   `json:"gain"`
	By      string    `json:"by"`
	At      time.Time `json:"at"`
	Fate    Fate      `json:"fate"` // with the changed configuration: stays, turns or lapses
}

// Fate is what becomes of a stored correction with the changed configuration.
type Fate string

// Fates.
const (
	Stays  Fate = "stays"  // with its sensor
	Turns  Fate = "turns"  // with its sensor, the other way round
	Lapses Fate = "lapses" // its channel has another scale or calibration: it would correct what is right by then
)

// Unread says that what is stored can't be read.
func Unread() Phrase {
	return phrase("What is corrected at the unit can't be read now: look again before you sign.")
}

// Say says in a sentence what a stored correction is and what becomes of it.
func (s *Stored) Say(cfg *config.Config) Phrase {
	ch, to := place{Signal: config.Signal(s.Channel)}, place{Signal: config.Signal(s.To)}
	unit := ""
	for i := range cfg.Board.Channels {
		c := &cfg.Board.Channels[i]
		if c.Name() == s.Channel {
			ch, unit = place{c.Signal, c.Battery}, c.Unit()
		}
		if c.Name() == s.To {
			to = place{c.Signal, c.Battery}
		}
	}
	what := phrase("%s is corrected at the unit (offset %s, gain %s, by %s on %s), and was measured without that", ch.say(),
		strings.TrimSpace(fmt.Sprintf("%g %s", s.Offset, unit)), fmt.Sprintf("%g", s.Gain), s.By, s.At.UTC().Format(time.DateOnly))
	then := phrase("the correction lapses with the new configuration, which has another scale or calibration: calibrate it again")
	switch {
	case s.Fate == Turns && s.To != s.Channel:
		then = phrase("the correction goes to %s with its sensor, the other way round", to.say())
	case s.Fate == Turns:
		then = phrase("the correction is turned round with its sensor")
	case s.Fate == Stays && s.To != s.Channel:
		then = phrase("the correction goes to %s with its sensor", to.say())
	case s.Fate == Stays:
		then = phrase("the correction stays")
	}
	return phrase("%s; %s.", what, then).capital()
}
