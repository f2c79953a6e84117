package estimate

import (
	"time"

	"liftbank/rules/unit"
)

// RestV returns the smoothed voltage of the rest under way at 25 °C, as it is read, and for how long
// the battery has been at rest. There is none while a charge past the sensor may stand in it.
func (b *Battery) RestV() (v25 unit.Reading, restFor time.Duration) {
	if r := &b.s.Rest; r.readable() && !r.AfterPast {
		return unit.Reading{Value: r.RestedV, Quality: unit.Good}, r.RestFor
	}
	return unit.Reading{}, 0
}
