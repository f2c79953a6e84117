package config

// Power is how the board is switched off and woken. What it draws, and when it saves and sleeps, are
// limits.
type Power struct {
	WakeBy WakeBy
	Sleep  Sleep
}

// WakeBy is what can wake the board.
type WakeBy string

// What can wake a board.
const (
	WakeByNone  WakeBy = "none"
	WakeByTimer WakeBy = "timer"
	WakeByLine  WakeBy = "wake-line"
	WakeByBoth  WakeBy = "both"
)

// Line reports whether the wake line wakes the board, Timer whether a timer does.
func (w WakeBy) Line() bool  { return w == WakeByLine || w == WakeByBoth }
func (w WakeBy) Timer() bool { return w == WakeByTimer || w == WakeByBoth }

// Sleep is how the system puts the board to sleep.
type Sleep string

// Ways to sleep.
const (
	PowerOff Sleep = "power-off"
	Suspend  Sleep = "suspend"
)

func defaultPower() Power { return Power{WakeBy: WakeByNone, Sleep: PowerOff} }

func (p *Power) read(s *section) {
	choose(s, "wake_by", &p.WakeBy, []WakeBy{WakeByNone, WakeByTimer, WakeByLine, WakeByBoth}, about{
		doc: "what wakes the board that was switched off: a real-time clock with an alarm, the wake line through a power " +
			"controller that switches the board on with it, or both; none: the board never sleeps"})
	choose(s, "sleep", &p.Sleep, []Sleep{PowerOff, Suspend}, about{
		doc: "what the system does then: power-off, or suspend, on a board that can"})
}

// check refuses a board that sleeps and can't see why it must not.
func (p *Power) check(r *reading, b *Board) {
	if p.WakeBy == WakeByNone {
		return
	}
	for _, c := range b.Contacts {
		if c.Signal == WakeLine {
			return
		}
	}
	r.refuse("power.wake_by", string(p.WakeBy), "want a contact wake_line in board.contacts with it: without one the "+
		"board would be switched off while the tractor charges", "board.contacts")
}
