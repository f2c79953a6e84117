package estimate

import (
	"time"

	"liftbank/rules/unit"
)

// Blind is what is known of the use while a current can be read, and of the time without one. Exported
// only to be saved.
type Blind struct {
	Blind          bool          // no current has been read for longer than maxGap
	UsePct         float64       // drawn on a usual day, of the capacity; 0: not known yet
	OwnAt          time.Duration // last time that the battery's own sensor gave a current
	UseAh, UseDays float64       // drawn on the day so far, and how much of it is over
}

// Without a current.
const (
	useMemory    = 7.0             // count: days over which the usual use is averaged, a week; our choice
	leastUsePct  = 3.0             // %: that may go or come unseen on the quietest of days; our choice
	standInAfter = 5 * time.Second // an inrush beyond the sensor's range is over by then; our choice
	standInShare = 0.30            // ratio: by which a battery's part may differ from its neighbors'; our choice
)

// use counts what is drawn on a day.
func (b *Blind) use(drawnAh, hours, capAh float64) {
	b.UseAh += max(drawnAh, 0)
	if b.UseDays += hours / hoursPerDay; b.UseDays < 1 {
		return
	}
	pct := 100 * b.UseAh / b.UseDays / capAh
	if b.UsePct == 0 {
		b.UsePct = max(pct, leastUsePct)
	} else {
		b.UsePct = max(b.UsePct+(pct-b.UsePct)/useMemory, leastUsePct)
	}
	b.UseAh, b.UseDays = 0, 0
}

// perDay is how far the charge may have moved after a day that nobody counted, in percent.
func (b *Blind) perDay() float64 {
	if b.UsePct == 0 {
		return firstSigmaPct
	}
	return b.UsePct
}

// goBlind takes a scan without a current: what flows is no longer known, only what flows on a usual
// day. What a run or a feed leaves at the terminals is taken at its most.
func (b *Battery) goBlind(in *Sample) {
	since := in.At - b.s.CurrentAt
	if b.s.Blind.Blind {
		since = in.At - b.s.Last.At
	} else if !b.s.CurrentSeen || since <= maxGap {
		return
	}
	b.s.Blind.Blind, b.s.Down.Open, b.s.Up.Open = true, false, false
	b.s.CountedSigmaPct += b.s.Blind.perDay() * float64(since) / float64(24*time.Hour)
	switch {
	case in.Idle:
	case in.VoltageV.OK() && in.VoltageV.Value > gasFromV:
		b.s.SurfaceV, b.s.DipV = max(b.s.SurfaceV, surfaceV), 0
	default:
		b.s.DipV = dipV
	}
}

// standIn takes the neighbors' current where there is none: parallel batteries share what flows.
func (b *Battery) standIn(in *Sample) {
	if in.CurrentA.OK() {
		b.s.Blind.OwnAt = in.At
	}
	if in.CurrentA.OK() || !in.NeighborA.OK() || in.At-b.s.Blind.OwnAt < standInAfter {
		in.NeighborA = unit.Reading{}
		return
	}
	in.CurrentA = in.NeighborA
}
