package network

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

// Limits of the voltages of the two paths, to the motor and from the converter.
const (
	closedMV   = 400.0                  // mV: between feed and a battery, breaker closed and no current; our choice
	closedA    = 0.5                    // A: without current; our choice
	pieceLasts = 500 * time.Millisecond // of a run, whose readings are taken together; our choice
	minMotorV  = 1.0                    // V: at the motor's terminal; our choice

	firstPathMohm = 10.0 // mΩ: of a path, as believed at first; our choice
)

func (c *class) newPathLine() Line {
	return newLine(c.path.offsetMV, c.path.firstMVPerV(), firstPathMohm, c.blocks)
}

// learnFeedPath takes the converter's voltage over the bank's, at whatever current flows. Without a
// feed that current is none, and the difference is the sensors'.
func (m *Meter) learnFeedPath(s *scene) {
	at := m.class.pathStart(&m.state.FeedAt, &m.state.Feed, m.state.Held[Positive].Charge)
	if !s.feedOK || !s.postOK[Positive][at] || s.totalA < -steadyA {
		return
	}
	over := 1000 * (s.feedV - s.postV[Positive][at])
	closed := closedMV * m.class.blocks
	if over < -closed || s.totalA < closedA && over > closed {
		return
	}
	// The current is taken as read, under zero too: its sensors' zeros then go into the line's
	// offset, whatever the resistance.
	m.state.Feed.step(over, s.postV[Positive][at]-m.class.belowV(), s.totalA, 0, math.Hypot(m.class.pathMV, m.class.gainShare*over))
}

// pathStart returns the battery whose positive post a path is measured from: that of its lead, once
// its place is sure. A path learned from another post is begun anew, because each tap has its own
// gain.
func (c *class) pathStart(at *int, l *Line, held int) int {
	if held >= 0 && held != *at {
		*at, *l = held, c.newPathLine()
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
	at := m.class.pathStart(&m.state.MotorAt, &m.state.Motor, m.state.Held[Positive].Run)
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
	p.postV, p.motorV, p.drawA = p.postV+s.Battery[at].VoltageV.Value, p.motorV+s.MotorV.Value, p.drawA-totalA(s, m.n)
	if now-p.from < pieceLasts || p.scans < runScans {
		return
	}
	postV, motorV, drawA := p.postV/p.scans, p.motorV/p.scans, p.drawA/p.scans
	*p = piece{}
	over := 1000 * (postV - motorV)
	if drawA < minRunA || postV < minPostV || motorV < minMotorV {
		return
	}
	m.state.Motor.step(over, postV-m.class.belowV(), drawA, 0, math.Hypot(m.class.pieceMV, pieceGain*m.class.gainShare*over))
}

// MotorPath returns what lies between the bank's positive post and the motor's terminal, in mΩ:
// lead, disconnect, breaker and contactor. The negative lead is not in it: the motor's voltage is
// measured over the bank's negative.
func (m *Meter) MotorPath() unit.Estimate { return m.class.pathOf(&m.state.Motor) }

// FeedPath returns what lies between converter and bank's positive post, in mΩ: breaker and
// positive lead. It needs different currents, as in a charge from discharged to full.
func (m *Meter) FeedPath() unit.Estimate { return m.class.pathOf(&m.state.Feed) }

// A path is said when its deviation is within pathSigmaMohm, or half of it.
const (
	pathSigmaMohm = 2.0 // mΩ: deviation of a path; our choice
	sigmaShare    = 0.5 // ratio: deviation of a path or link over itself; our choice
)

// pathOf returns the resistance of the path that a line is of.
func (c *class) pathOf(l *Line) unit.Estimate {
	f, ok := l.mohm(c)
	if !ok || f.sigma > max(pathSigmaMohm, sigmaShare*f.value) {
		return unit.Estimate{}
	}
	return unit.Estimate{Value: max(f.value, 0), Sigma: f.sigma, Known: true}
}
