package fit

import (
	"fmt"
	"math"

	"liftbank/agent/config"
)

// What one look without anybody's help takes for wrong.
const (
	stillA    = 5.0  // A: of any sensor; below it the taps of a bank agree; our choice
	chargesV  = 13.3 // V: a feed above it charges; as feed.present_v
	flowsA    = 0.5  // A: that all sensors show one way with nothing on; our choice
	coldestC  = -35  // °C: colder and hotter a thermistor is another one, or off; our choice
	hottestC  = 65
	apartC    = 15.0 // K: between thermistors in one box; our choice
	tapsSlack = 0.05 // V: besides both classes, for what flows over links; our choice
)

// AtRest returns what looks wrong in one frame, as far as one look can tell: it is held to what cannot be,
// and says what to check. Only the steps of a fitting prove it.
func AtRest(cfg *config.Config, f Frame) (all []string) {
	l := looker{cfg: cfg, frame: f}
	l.taps()
	l.currents()
	l.thermistors()
	l.contacts()
	return l.all
}

type looker struct {
	cfg   *config.Config
	frame Frame
	all   []string
}

func (l *looker) say(format string, args ...any) { l.all = append(l.all, fmt.Sprintf(format, args...)) }

func (l *looker) value(ch int) (float64, bool) {
	if ch < 0 || l.frame.Readings[ch].Fault != "" {
		return 0, false
	}
	return l.frame.Readings[ch].Value, true
}

// of returns the channels of a signal that have a value.
func (l *looker) of(s config.Signal) (all []int) {
	for _, ch := range channelsOf(l.cfg, s) {
		if _, ok := l.value(ch); ok {
			all = append(all, ch)
		}
	}
	return all
}

func (l *looker) name(ch int) string { return l.cfg.Board.Channels[ch].Name() }

// readsOff returns by how much a channel may be off at a value.
func (l *looker) readsOff(ch int, value float64) float64 {
	c := classOf(&l.cfg.Board.Channels[ch])
	return c.Zero + c.Gain*abs(value)
}

// most returns the largest current, either way.
func (l *looker) most() (a float64) {
	for _, ch := range l.of(config.BatteryCurrent) {
		v, _ := l.value(ch)
		a = math.Max(a, abs(v))
	}
	return a
}

func (l *looker) taps() {
	if l.layout() {
		return // one sentence is enough: all else follows from it
	}
	taps := l.of(config.BatteryVoltage)
	live := 0
	for _, ch := range taps {
		if v, _ := l.value(ch); abs(v) >= liveV {
			live++
		}
	}
	for i, ch := range taps {
		v, _ := l.value(ch)
		if abs(v) < liveV {
			if live > 0 {
				l.say("%s shows nothing and others do: its wire or fuse, or another wire at its input", l.name(ch))
			}
			continue
		}
		for _, other := range taps[:i] {
			w, _ := l.value(other)
			limit := tapsSlack + l.readsOff(ch, v) + l.readsOff(other, w)
			if abs(w) >= liveV && abs(v-w) > limit && l.most() < stillA && l.over(ch) == l.over(other) {
				l.say("%s and %s disagree: %s and %s at rest: a divider's resistors, or a cable that is off", l.name(other), l.name(ch), volts(w), volts(v))
			}
		}
	}
	for _, ch := range l.of(config.BatteryNegative) {
		v, _ := l.value(ch)
		switch at := l.over(ch); {
		case at == 0 && abs(v) >= liveV:
			l.say("%s shows %s, and a negative post is near 0: another wire at its input", l.name(ch), volts(v))
		case at > 0 && live > 0 && !near(v, restsV*float64(at)):
			l.say("%s shows %s, and this negative post stands on another battery, at some %d V: its wire or fuse, or another wire at its input",
				l.name(ch), volts(v), 12*at)
		}
	}
	for _, ch := range l.of(config.MotorVoltage) {
		if v, _ := l.value(ch); abs(v) >= liveV && l.most() < stillA && l.contact(config.MotorCommand) != On {
			l.say("%s shows %s while the pump stands: another wire at its input, or a contactor that has not let go", l.name(ch), volts(v))
		}
	}
}

// over returns how many batteries in series are below a battery's channel of a voltage.
func (l *looker) over(ch int) int {
	c := &l.cfg.Board.Channels[ch]
	return l.cfg.Bank.Over(c.Signal, c.Battery)
}

// near reports whether a voltage is that of another, and not of half or twice as many batteries.
func near(v, want float64) bool { return v > want/levels && v < want*levels }

// layout says in one sentence that the posts are not joined as the configuration says, or that their wires
// are in another order.
func (l *looker) layout() bool {
	if l.most() >= stillA {
		return false
	}
	layout := l.cfg.Bank.Layout.Rules()
	tap := func(i int) (int, float64) {
		ch := channelOf(l.cfg, config.BatteryVoltage, l.cfg.Bank.Batteries[i].ID)
		v, ok := l.value(ch)
		if !ok {
			v = math.NaN()
		}
		return ch, v
	}
	n := len(l.cfg.Bank.Batteries)
	if layout.Blocks() == 1 {
		for i := range n {
			ch, v := tap(i)
			for k := range n {
				other, w := tap(k)
				if near(v, 2*restsV) && near(w, restsV) && near(v, 2*w) {
					l.say("%s shows %s and %s %s: batteries in series, and bank.layout in the configuration is parallel; correct the configuration if "+
						"this is a unit of 24 V, otherwise the links: do not charge and do not lift before", l.name(ch), volts(v), l.name(other), volts(w))
					return true
				}
			}
		}
		return false
	}
	swapped, flat, right := -1, -1, 0
	for k := range layout.Strings(n) {
		_, low := tap(layout.Lowest(k))
		_, high := tap(layout.Highest(k))
		switch {
		case near(high, 2*restsV) && near(low, restsV):
			right++
		case near(low, 2*restsV) && near(high, restsV):
			swapped = k
		case near(low, restsV) && near(high, restsV):
			flat = k
		}
	}
	name := func(i int) string { ch, _ := tap(i); return l.name(ch) }
	switch {
	case flat >= 0 && right == 0 && swapped < 0:
		_, low := tap(layout.Lowest(flat))
		_, high := tap(layout.Highest(flat))
		l.say("%s and %s show %s and %s: batteries in parallel, and bank.layout in the configuration is %s; correct the configuration if this is a "+
			"unit of 12 V, otherwise the links: do not charge and do not lift before", name(layout.Lowest(flat)), name(layout.Highest(flat)), volts(low),
			volts(high), layout)
		return true
	case swapped >= 0:
		_, low := tap(layout.Lowest(swapped))
		_, high := tap(layout.Highest(swapped))
		l.say("%s shows %s and %s %s: their wires are swapped, the lower battery of a string has half", name(layout.Lowest(swapped)), volts(low),
			name(layout.Highest(swapped)), volts(high))
		return true
	}
	return false
}

func (l *looker) contact(s config.ContactSignal) Level {
	if c := contactOf(l.cfg, s); c >= 0 {
		return l.frame.Contacts[c]
	}
	return Unknown
}

// feedUp reports whether the feed charges, by its voltage.
func (l *looker) feedUp() bool {
	for _, ch := range l.of(config.FeedVoltage) {
		if v, _ := l.value(ch); v > chargesV*float64(l.cfg.Bank.Layout.Rules().Blocks()) {
			return true
		}
	}
	return false
}

func (l *looker) currents() {
	sensors := l.of(config.BatteryCurrent)
	in, out, all := 0, 0, 0.0
	for _, ch := range sensors {
		v, _ := l.value(ch)
		c := classOf(&l.cfg.Board.Channels[ch])
		if v > flowsA+c.Zero {
			in++
		} else if v < -flowsA-c.Zero {
			out++
		}
		all += v
	}
	n := len(sensors)
	quiet := l.contact(config.WakeLine) != On && l.contact(config.MotorCommand) != On && !l.feedUp() && len(l.of(config.FeedVoltage)) > 0
	switch {
	case n == 0:
	case quiet && in == n:
		l.say("all current sensors show a charge (%.1f A together) and nothing charges: reversed, or zero_v is wrong", all)
	case quiet && out == n && l.most() < stillA:
		l.say("all current sensors show a discharge (%.1f A together) with nothing on: something draws it, or zero_v is wrong", all)
	case quiet && n > 1 && in > 0 && out > 0 && l.most() > stillA:
		l.say("current sensors show up to %.1f A in opposite directions with nothing on: one is reversed while something draws, or batteries "+
			"even out after a load or a charge", l.most())
	case !quiet && l.feedUp() && out > 0 && l.contact(config.MotorCommand) != On:
		for _, ch := range sensors {
			if v, _ := l.value(ch); v < -flowsA-classOf(&l.cfg.Board.Channels[ch]).Zero {
				l.say("%s shows a discharge of %.1f A while the feed is up: reversed, or something draws more than the feed gives", l.name(ch), -v)
			}
		}
	}
}

func (l *looker) thermistors() {
	all := l.of(config.BatteryTemperature)
	for i, ch := range all {
		v, _ := l.value(ch)
		if v < coldestC || v > hottestC {
			l.say("%s shows %.0f °C: another thermistor or pull-up than the configuration says, or its wire", l.name(ch), v)
			continue
		}
		for _, other := range all[:i] {
			if w, _ := l.value(other); w >= coldestC && w <= hottestC && abs(v-w) > apartC {
				l.say("%s and %s show %.0f and %.0f °C: one is not at its battery, or is another thermistor", l.name(other), l.name(ch), w, v)
			}
		}
	}
}

func (l *looker) contacts() {
	if l.contact(config.MotorCommand) == On && len(l.of(config.BatteryCurrent)) > 0 && l.most() < stillA {
		l.say("motor_command is on and no current flows: inverted (active), or another wire at its pin, or the motor's circuit is open")
	}
	if l.contact(config.WakeLine) == Off && l.feedUp() {
		l.say("wake_line is off while the feed is up: inverted (active), or another wire at its pin")
	}
}
