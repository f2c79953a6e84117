package unit

// Chips names the input chip that reads each channel; a channel without one is not fitted, or it is not known.
type Chips [Channels]*Text

// Name sets the chip of a channel. Chips of one name are one chip.
func (c *Chips) Name(channel Channel, chip string) {
	for _, t := range c {
		if t != nil && t.English == chip {
			c[channel] = t
			return
		}
	}
	c[channel] = &Text{ID: "input-chip." + chip, English: chip} // a name, in every language
}

// Unreached reports whether a reading shows that its input chip, or the bus to it, has failed: some chips
// time out then, others don't answer, or come back without their settings.
func (r Reading) Unreached() bool {
	switch r.Quality {
	case NoAnswer, BusStuck, NotReady, ChipReset:
		return true
	}
	return false
}

// Silent returns the input chip of a channel where no channel of that chip can be read, and whether no
// channel of any other chip can be, either, of two or more.
func (c *Chips) Silent(s *Scan, of Channel) (chip *Text, all bool) {
	chip = c[of]
	if chip == nil {
		return nil, false
	}
	others := 0
	all = true
	for i, t := range c {
		switch silent := s.Reading(Channel(i)).Unreached(); {
		case t == nil:
		case t == chip && !silent:
			return nil, false
		case t != chip:
			others++
			all = all && silent
		}
	}
	return chip, all && others > 0
}
