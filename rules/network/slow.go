package network

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

// What ends a stretch of one state: the bank's current or voltage is another, or it has lasted.
// Within, readings are taken together, because one after the other would make a filter sure of the
// error they share: the input chip's step.
const (
	sameA     = 1.0   // A: change of the bank's current; our choice
	sameV     = 0.05  // V: change of the bank's voltage; our choice
	longScans = 240   // count: scans in a stretch; our choice
	restV     = 0.008 // V: drift over half a window, as channels are read up to a tenth of a second apart; our choice
)

// Limits of charge currents.
const (
	sharedA   = 3.0  // A: above it the batteries' shares of a charge are taken; our choice
	shareRuns = 20.0 // count: moments in a share; our choice
	maxDropMV = 400  // mV: of a charge current over a link; our choice
)

// gather takes a window with the motor at rest to those before it, and learns from them when the
// state changes.
func (m *Meter) gather(w *Window) {
	if math.Abs(w.DriftV) > restV {
		return
	}
	s := &m.state.Pending.Stretch
	changed := math.Abs(w.totalA()-s.totalA()) > sameA || math.Abs(w.Positive[0].mean()-s.Positive[0].mean()) > sameV
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
	m.learnShares(&s)
	for side := range Side(sides) {
		for k := range m.n - 1 {
			drop, ok := s.dropMV(side, k)
			if !ok || math.Abs(drop) > maxDropMV {
				continue
			}
			noise := math.Hypot(m.class.stepMV[side][k], m.class.scanMV[side][k]/math.Sqrt(float64(w.Scans)))
			joints := soundMohm * (s.ampsA[k+1] - s.ampsA[k])
			m.state.Charge[side][k].step(drop-joints, s.commonV(side, k)+atGround[side],
				s.through(k, k, m.n), s.totalA, noise)
		}
	}
	m.learnFeedPath(&s)
	m.weighAll()
}

// atGround brings the negative posts to the middle of a line, where its gain has no effect.
var atGround = [sides]float64{Negative: middleV}

// learnShares follows how a charge splits.
func (m *Meter) learnShares(s *scene) {
	if s.totalA < sharedA {
		return
	}
	st := &m.state
	st.ChargeCount = min(st.ChargeCount+1, shareRuns)
	for k := range m.n {
		st.ChargeShare[k] += (s.ampsA[k]/s.totalA - st.ChargeShare[k]) / st.ChargeCount
	}
}

// Limits of the two paths' voltages.
const (
	maxPathMV  = 5000                   // mV: over a path; our choice
	closedMV   = 400                    // mV: the feed over the bank, breaker closed and no current; our choice
	closedA    = 0.5                    // A: without current; our choice
	pieceLasts = 500 * time.Millisecond // of a run, whose readings are taken together; our choice
	minMotorV  = 1.0                    // V: at the motor's terminal; our choice
)

// learnFeedPath takes the converter's voltage over the bank's, at whatever current flows. Without a
// feed that current is none, and the difference is the sensors'.
func (m *Meter) learnFeedPath(s *scene) {
	at := m.pathStart(&m.state.FeedAt, &m.state.Feed, m.state.Held[Positive].Charge)
	if !s.feedOK || !s.postOK[Positive][at] || s.totalA < -steadyA {
		return
	}
	over := 1000 * (s.feedV - s.postV[Positive][at])
	if math.Abs(over) > maxPathMV || s.totalA < closedA && math.Abs(over) > closedMV {
		return
	}
	// The current is taken as read, under zero too: its sensors' zeros then go into the line's
	// offset, whatever the resistance.
	m.state.Feed.step(over, s.postV[Positive][at], s.totalA, 0, math.Hypot(m.class.pathMV, m.class.gainShare*over))
}

// pathStart returns the battery whose positive post a path is measured from: that of its lead, once
// its place is sure. A path learned from another post is begun anew, because each tap has its own
// gain.
func (m *Meter) pathStart(at *int, l *Line, held int) int {
	if held >= 0 && held != *at {
		*at, *l = held, newLine(m.class.path.offsetMV, m.class.path.firstMVPerV(), firstPathMohm)
	}
	return *at
}

// piece is half a second of a run.
type piece struct {
	scans                float64
	from                 time.Duration
	postV, motorV, drawA float64
}

// stepMotorPath gathers half seconds of a run: its current changes from lift to lift and at the end
// of travel, and from the change of the drop with it the sensors' own errors show.
func (m *Meter) stepMotorPath(s *unit.Scan) {
	at := m.pathStart(&m.state.MotorAt, &m.state.Motor, m.state.Held[Positive].Run)
	ok := s.MotorV.OK() && s.Battery[at].VoltageV.OK() && !m.maybeFed
	for k := range m.n {
		ok = ok && s.Battery[k].CurrentA.OK()
	}
	p, now := &m.piece, s.At.Mono
	if !ok {
		*p = piece{}
		return
	}
	if p.scans == 0 {
		p.from = now
	}
	p.scans++
	p.postV, p.motorV, p.drawA = p.postV+s.Battery[at].VoltageV.Value, p.motorV+s.MotorV.Value, p.drawA-m.total(s)
	if now-p.from < pieceLasts || p.scans < runScans {
		return
	}
	postV, motorV, drawA := p.postV/p.scans, p.motorV/p.scans, p.drawA/p.scans
	*p = piece{}
	over := 1000 * (postV - motorV)
	if drawA < minRunA || postV < minPostV || motorV < minMotorV {
		return
	}
	m.state.Motor.step(over, postV, drawA, 0, math.Hypot(m.class.pieceMV, pieceGain*m.class.gainShare*over))
}
