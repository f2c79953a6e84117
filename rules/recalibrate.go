package rules

import (
	"fmt"
	"math"

	"liftbank/rules/detect"
	"liftbank/rules/unit"
)

// Changes of a correction that learned figures hang on.
const (
	sameGain   = 0.001 // ratio: a gain that changes by less is the same to links, paths and the motor's usual draw; our choice
	sameShiftV = 0.005 // V: a tap that moves by less is the same to them; our choice
)

// Recalibrate says that readings of channels are corrected otherwise from the next step on. What was
// learned with the old correction is brought to the new one: zeros of current sensors, resistance and
// capability, and the motor's usual draw. Links, paths and the comparison of taps are learned again. A
// change beyond the channel's class has been wrong for nobody knows how long: what was learned of its
// battery by it restarts, capacity and counters apart. It is for between two steps. On an error nothing
// changes.
func (e *Engine) Recalibrate(all ...unit.Recalibration) error {
	for i := range all {
		if err := all[i].Check(); err != nil {
			return fmt.Errorf("rules: recalibrate: %w", err)
		}
		if b := all[i].Channel.Battery(); b >= len(e.cfg.Batteries) {
			return fmt.Errorf("rules: recalibrate: channel %d: want one of %d batteries", all[i].Channel, len(e.cfg.Batteries))
		}
	}
	any := false
	for i := range all {
		any = e.recalibrate(&all[i]) || any
	}
	if any {
		e.interrupt() // from one reading to the next the unit shows something else
		e.due = e.last
	}
	return nil
}

// bringTo brings what was saved under other corrections to those of now.
func (e *Engine) bringTo(saved *[unit.Channels]unit.Correction) error {
	if saved == nil {
		return nil
	}
	var all []unit.Recalibration
	for c := range unit.Channel(unit.Channels) {
		r := unit.Recalibration{Channel: c, Was: saved[c], Now: e.cfg.Corrections[c]}
		if gain, add := r.Shift(); c.Battery() < len(e.cfg.Batteries) && (gain != 1 || add != 0) {
			all = append(all, r)
		}
	}
	return e.Recalibrate(all...)
}

// recalibrate applies one, and reports whether anything has changed.
func (e *Engine) recalibrate(r *unit.Recalibration) bool {
	c, i := r.Channel, r.Channel.Battery()
	gain, add := r.Shift()
	e.cfg.Corrections[c] = r.Now
	if gain == 1 && add == 0 && r.ZeroSigma == 0 {
		return false
	}
	doubted, l := e.trust.Doubted(c), e.cfg.Layout
	e.trust.Recalibrated(c)
	class := e.cfg.Classes[c]
	moved := math.Abs(gain-1) >= sameGain
	switch c.Signal() {
	case unit.BatteryCurrent:
		e.zeroMeasured(i, gain, add, r.ZeroSigma)
		if moved {
			for j := l.Lowest(l.StringOf(i)); j <= l.Highest(l.StringOf(i)); j++ {
				e.cells.scale(j, 1/gain, 1, 0)
				e.keptScale(j, 1/gain, 1, 0)
			}
			e.pump.Usual.Scale(1 + (gain-1)*e.shareOf(i))
		}
		for j := l.Lowest(l.StringOf(i)); j <= l.Highest(l.StringOf(i)); j++ {
			if doubted || math.Abs(gain-1) > class.Gain {
				e.cells.mistrust(j)
				e.count.Replaced(j)
			}
		}
	case unit.BatteryVoltage:
		if k := l.StringOf(i); i == l.Highest(k) {
			e.taps.Recalibrated(k, true)
		}
		e.strung.Recalibrated(i, true)
		e.showTapsMoved()
		moved = moved || math.Abs(add) >= sameShiftV
		e.ownMoved(c, gain, add, moved, doubted)
	case unit.BatteryNegative:
		if k := l.StringOf(i); i == l.Lowest(k) {
			e.taps.Recalibrated(k, false)
		}
		e.strung.Recalibrated(i, false)
		moved = moved || math.Abs(add) >= sameShiftV
		e.ownMoved(c, gain, add, moved, doubted)
		e.cells.voltageMoved(i)
	case unit.BatteryTemp:
		moved = false // resistance goes with it by less than its own uncertainty
	default:
		moved = moved || math.Abs(add) >= sameShiftV
	}
	if moved {
		e.startLinks()
		e.pump.Drops.Count = 0
		e.ahead.meter.ForgetBatteries()
		if e.kept != nil {
			e.kept.Bank.HasLinks = false
		}
	}
	return true
}

// ownLine is how a battery's own voltage changes with the correction of a tap.
type ownLine struct {
	battery   int
	gain, add float64
}

// ownMoved brings what was learned by own voltages to another correction of the tap c, which has moved, or was
// doubted, or both.
func (e *Engine) ownMoved(c unit.Channel, gain, add float64, moved, doubted bool) {
	own := e.ownOf(c, gain, add)
	if len(own) == 0 {
		return
	}
	e.found.Worked(detect.OtherTap, c.Battery())
	sees := tapsAtV // at the tap's own post
	if _, upper := e.cfg.Layout.Below(c.Battery()); upper && c.Signal() == unit.BatteryVoltage {
		sees = e.cfg.Layout.Volts(tapsAtV)
	}
	beyond := math.Abs((gain-1)*sees+add) > e.cfg.Classes[c].ReadLow(sees)
	for _, o := range own {
		if moved {
			e.cells.scale(o.battery, o.gain, o.gain, o.add)
			e.keptScale(o.battery, o.gain, o.gain, o.add)
		}
		if doubted || beyond {
			e.cells.mistrust(o.battery)
			e.count.Replaced(o.battery)
		}
		e.cells.voltageMoved(o.battery)
	}
}

// ownOf returns how own voltages change when the tap c reads gain · reading + add. In a string the tap at the
// upper battery's positive post sees the voltage of both, of which each has about half; and what a tap in the middle
// shows more the upper one has less: that at its negative post, or without one the lower battery's.
func (e *Engine) ownOf(c unit.Channel, gain, add float64) (all []ownLine) {
	l, i := e.cfg.Layout, c.Battery()
	_, upper := l.Below(i)
	switch negative := c.Signal() == unit.BatteryNegative; {
	case negative && upper:
		return []ownLine{{i, 2 - gain, -add}}
	case negative:
		return nil // the bank's minus, near the board's ground
	case upper:
		return []ownLine{{i, 1 + l.Volts(gain-1), add}}
	}
	all = append(all, ownLine{i, gain, add})
	if k := l.Highest(l.StringOf(i)); k != i && !e.cfg.NegativeTap[k] {
		all = append(all, ownLine{k, 2 - gain, -add})
	}
	return all
}

// zeroMeasured brings the zero that was learned of a current sensor to its new correction, and puts
// right what was counted with it.
func (e *Engine) zeroMeasured(i int, gain, add, sigma float64) {
	l := e.cfg.Layout
	k := l.StringOf(i)
	t := e.frame.Temps[l.Lowest(k)]
	before := e.zeros.ZeroA(k, t).Value
	e.zeros.Recalibrated(k, gain, add, t, sigma)
	after := e.zeros.ZeroA(k, t)
	moved := (after.Value-add)/gain - before // as it was read
	for j := l.Lowest(k); j <= l.Highest(k); j++ {
		e.cells.est[j].ZeroMoved(moved)
		e.cells.labeled[j].zeroMoved(moved)
		e.frame.Zeros[j] = after
		e.frame.ZeroOff[j], e.frame.ZeroMoved[j], e.frame.ZeroDrifted[j] = e.zeros.Off(k), e.zeros.Moved(k), e.zeros.Drifted(k)
	}
}

// shareOf returns the part of the bank's discharge that battery i has given.
func (e *Engine) shareOf(i int) float64 {
	sum := 0.0
	for _, ah := range e.count.ShareDrawnAh {
		sum += ah
	}
	if sum > 0 {
		return e.count.ShareDrawnAh[e.cfg.Layout.StringOf(i)] / sum
	}
	return 1 / float64(e.cfg.Layout.Strings(len(e.cfg.Batteries)))
}

// keptScale brings a battery that was taken out, and may be put back, to the new correction.
func (e *Engine) keptScale(i int, mohm, gainV, addV float64) {
	if k := e.kept.find(e.cfg.Batteries[i].ID); k >= 0 {
		b := &e.kept.Battery[k]
		b.Load.Recalibrated(mohm, gainV, addV)
		scaleEstimate(&b.Resistance, mohm)
		scaleEstimate(&b.Capability, gainV/mohm)
	}
}

func scaleEstimate(x *unit.Estimate, by float64) { x.Value, x.Sigma = x.Value*by, x.Sigma*by }

// scale brings what load tests have shown of battery i to other readings: resistances by a factor, and
// voltages by a line.
func (b *batteries) scale(i int, mohm, gainV, addV float64) {
	s := b.load[i].State()
	s.Recalibrated(mohm, gainV, addV)
	if b.load[i].Restore(s) != nil { // no battery has this
		b.load[i] = b.newMeter(i)
	}
}

// voltageMoved drops what is being watched of the voltage of battery i.
func (b *batteries) voltageMoved(i int) {
	b.est[i].VoltageMoved()
	for _, o := range b.labeled[i].other {
		if o != nil {
			o.VoltageMoved()
		}
	}
}

// Moved returns by how much a channel has moved since it was calibrated, in its unit, and whether that is
// more than its class allows; not known where that is not watched.
func (e *Engine) Moved(c unit.Channel) (moved unit.Estimate, beyond bool) {
	switch i := c.Battery(); c.Signal() { // the learners', for the frame is not kept
	case unit.BatteryCurrent:
		k := e.cfg.Layout.StringOf(i)
		return e.zeros.Moved(k), e.zeros.Drifted(k)
	case unit.BatteryVoltage:
		return e.tapMoved(i)
	}
	return unit.Estimate{}, false
}
