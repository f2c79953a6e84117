package network

import (
	"math"
	"time"
)

// What ends a stretch of one state: the bank's current or voltage is another, or it has lasted. Within, readings are taken together,
// because one after the other would make a filter sure of the error they share: the converter's step.
const (
	sameA     = 1.0
	sameV     = 0.05
	longScans = 240
	// restV is how far the voltage may drift over half a window: channels are read up to a tenth of a second apart.
	restV = 0.008
)

// Standard deviations of the drop in mV: what does not average out (steps of the reference board of 0.7 mV and 0.1 mV), and of one scan.
var (
	stepMV = [sides]float64{Positive: 0.4, Negative: 0.1}
	scanMV = [sides]float64{Positive: 2.8, Negative: 0.8}
)

// Limits of charge currents, in amperes.
const (
	sharedA    = 3.0 // above this the batteries' shares of a charge are taken
	shareRuns  = 20.0
	mostDropMV = 400 // of a charge current over a link
)

// gather takes a window with the motor at rest to those before it, and learns from them when the state changes.
func (m *Meter) gather(w *window) {
	if math.Abs(w.drift) > restV {
		return
	}
	s := &m.stretch
	changed := math.Abs(w.totalA()-s.totalA()) > sameA || math.Abs(w.positive[0].mean()-s.positive[0].mean()) > sameV
	if s.scans > 0 && (changed || s.scans >= longScans || w.feeding != s.feeding) {
		m.learnSlow(s)
		s.reset()
	}
	s.merge(w)
}

// learnSlow takes a stretch with the motor at rest.
func (m *Meter) learnSlow(w *window) {
	s := w.means(m.n)
	if !s.ampsOK {
		return
	}
	m.learnShares(&s)
	for side := range Side(sides) {
		for k := range m.n - 1 {
			drop, ok := s.dropMV(side, k)
			if !ok || math.Abs(drop) > mostDropMV {
				continue
			}
			noise := math.Hypot(stepMV[side], scanMV[side]/math.Sqrt(float64(w.scans)))
			joints := soundMohm * (s.ampsA[k+1] - s.ampsA[k])
			m.state.Charge[side][k].step(drop-joints, s.commonV(side, k)+atGround[side], s.through(k, k, m.n), s.totalA, noise)
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
	mostPathMV   = 5000
	closedMV     = 400 // the feed over the bank without current: the charge breaker is open, or its lead off
	closedA      = 0.5
	pathNoiseMV  = 2.0
	pieceLasts   = 500 * time.Millisecond
	pieceNoiseMV = 5.0
)

// learnFeedPath takes the converter's voltage over the bank's, at whatever current flows. Without a feed that current is none, and the
// difference is the sensors'.
func (m *Meter) learnFeedPath(s *scene) {
	at := m.against(&m.state.FeedAt, &m.state.Feed, m.state.Held[Positive].Charge)
	if !s.feedOK || !s.postOK[Positive][at] || s.totalA < -steadyA {
		return
	}
	over := 1000 * (s.feedV - s.postV[Positive][at])
	if math.Abs(over) > mostPathMV || s.totalA < closedA && math.Abs(over) > closedMV {
		return
	}
	// The current is taken as read, under zero too: its sensors' zeros then go into the line's offset, whatever the resistance.
	m.state.Feed.step(over, s.postV[Positive][at], s.totalA, 0, math.Hypot(pathNoiseMV, gainShare*over))
}

// against gives the battery whose positive post a path is measured from: that of its lead, once its place is sure. A path learnt from
// another post is begun anew, because each tap has its own gain.
func (m *Meter) against(at *int, l *Line, held int) int {
	if held >= 0 && held != *at {
		*at, *l = held, newLine(firstOffsetMV, firstGainMVPerV, firstPathMohm)
	}
	return *at
}

// piece is half a second of a run.
type piece struct {
	scans                float64
	from                 time.Duration
	postV, motorV, drawA float64
}

// stepMotorPath gathers half seconds of a run: its current changes from lift to lift and at the end of travel, and from the change of
// the drop with it the sensors' own errors show.
func (m *Meter) stepMotorPath(r *Reading) {
	at := m.against(&m.state.MotorAt, &m.state.Motor, m.state.Held[Positive].Run)
	ok := r.MotorOK && r.PositiveOK[at] && !m.mixed
	for k := range m.n {
		ok = ok && r.CurrentOK[k]
	}
	p := &m.piece
	if !ok {
		*p = piece{}
		return
	}
	if p.scans == 0 {
		p.from = r.At
	}
	p.scans++
	p.postV, p.motorV, p.drawA = p.postV+r.PositiveV[at], p.motorV+r.MotorV, p.drawA-m.total(r)
	if r.At-p.from < pieceLasts || p.scans < runScans {
		return
	}
	postV, motorV, drawA := p.postV/p.scans, p.motorV/p.scans, p.drawA/p.scans
	*p = piece{}
	over := 1000 * (postV - motorV)
	if drawA < leastRunA || postV < leastPostV || motorV < 1 {
		return
	}
	m.state.Motor.step(over, postV, drawA, 0, math.Hypot(pieceNoiseMV, gainShare*over/2))
}
