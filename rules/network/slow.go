package network

import "math"

// What ends a stretch of one state: the bank's current or voltage is another, or it has lasted.
// Within, readings are taken together, because one after the other would make a filter sure of the
// error they share: the input chip's step.
const (
	sameA     = 1.0   // A: change of the bank's current; our choice
	sameV     = 0.05  // V: change of a battery's voltage; our choice
	longScans = 240   // count: scans in a stretch; our choice
	restV     = 0.008 // V: drift over half a window, as channels are read up to a tenth of a second apart; our choice
)

// A string's post is read in steps of some 2 mV, and a charger holds it at one voltage, so at one step, charge for
// charge: what a small current drops over a link is less than that, and does not average out. Such readings say what
// the taps differ by, and nothing of the link.
const (
	faintA    = 8.0 // A: of the bank's current, too small for that; our choice
	faintMohm = 0.5 // mΩ: of a link, by which such a reading may be off; our choice
)

const maxDropMV = 400 // mV: of a charge current over a link; our choice

// gather takes a window with the motor at rest to those before it, and learns from them when the
// state changes.
func (m *Meter) gather(w *Window) {
	if math.Abs(w.DriftV) > restV*m.class.blocks || w.Feeding && m.noCharges {
		return
	}
	s := &m.state.Pending.Stretch
	changed := math.Abs(w.totalA()-s.totalA()) > sameA ||
		math.Abs(w.Positive[0].mean()-s.Positive[0].mean()) > sameV*m.class.blocks
	if s.Scans > 0 && (changed || s.Scans >= longScans || w.Feeding != s.Feeding) {
		m.learnSlow(s)
		s.reset()
	}
	s.merge(w)
}

// learnSlow takes a stretch with the motor at rest.
func (m *Meter) learnSlow(w *Window) {
	s := w.means(m.n)
	if !s.ampsOK {
		return
	}
	m.state.Shares.learn(&s, m.n)
	for side := range Side(sides) {
		for k := range m.n - 1 {
			drop, ok := s.dropMV(side, k)
			if !ok || math.Abs(drop) > maxDropMV {
				continue
			}
			noise := math.Hypot(m.class.stepMV[side][k], m.class.scanMV[side][k]/math.Sqrt(float64(w.Scans)))
			joints := soundMohm * (s.ampsA[k+1] - s.ampsA[k])
			through, total := s.through(k, k, m.n), s.totalA
			if side == Positive && m.class.blocks > 1 && math.Abs(total) < faintA {
				noise = math.Hypot(noise, faintMohm*total)
				through, total = 0, 0
			}
			m.state.Charge[side][k].step(drop-joints, s.commonV(side, k)+m.class.atMiddleV(side), through, total, noise)
		}
	}
	m.learnFeedPath(&s)
	m.weighAll()
}

// atMiddleV brings the negative posts, and the positive ones of a string, to the middle of a line, where its
// gain has no effect.
func (c *class) atMiddleV(side Side) float64 {
	if side == Negative {
		return middleV
	}
	return -c.belowV()
}

// belowV is what a string's positive post has over a battery's.
func (c *class) belowV() float64 { return middleV * (c.blocks - 1) }
