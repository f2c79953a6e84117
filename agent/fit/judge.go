package fit

import (
	"math"
	"slices"
	"strings"

	"liftbank/agent/config"
)

// judge draws conclusions from the records of all steps at once: which wire is where, then which way
// round, then how large.
type judge struct {
	cfg   *config.Config
	state *State
	out   []Verdict

	at   []int  // by channel: the channel whose place it is at; -1: not known
	sure []bool // by channel: it was told from all others
	sign []float64

	doubted map[string]bool // steps whose battery is doubted
}

// place is what a wire is on.
type place struct {
	config.Signal
	battery string
}

func (j *judge) all() []Verdict {
	n := len(j.cfg.Board.Channels)
	j.at, j.sign, j.sure = slices.Repeat([]int{-1}, n), slices.Repeat([]float64{1}, n), make([]bool, n)
	j.out = []Verdict{}
	j.readings()
	j.wrongBattery()
	j.place("V", j.voltageElsewhere)
	j.place("A", j.currentElsewhere)
	j.place("°C", j.warmthElsewhere)
	j.contacts()
	for _, ch := range channelsOf(j.cfg, config.BatteryCurrent) {
		j.direction(ch)
	}
	for ch := range j.cfg.Board.Channels {
		j.figures(ch)
	}
	j.pairs()
	j.nobody()
	j.sum()
	j.supply()
	return j.out
}

func (j *judge) say(ch int, test string, o Outcome, form string, with ...any) *Verdict {
	return j.add(Verdict{Subject: j.cfg.Board.Channels[ch].Name(), Test: test, Outcome: o, Channel: ch}, phrase(form, with...))
}

// add adds a verdict that says so.
func (j *judge) add(v Verdict, say Phrase) *Verdict {
	v.Say = say.capital()
	v.Text = v.Say.String()
	j.out = append(j.out, v)
	return &j.out[len(j.out)-1]
}

func (j *judge) channel(ch int) *config.Channel { return &j.cfg.Board.Channels[ch] }

// placeOf returns what a channel is meant to be on.
func (j *judge) placeOf(ch int) place { c := j.channel(ch); return place{c.Signal, c.Battery} }

func (p place) say() Phrase { return sayPlace(p.Signal, p.battery) }

// readings says which channels give no value at rest.
func (j *judge) readings() {
	look, ok := j.state.last(string(Look))
	if !ok {
		return
	}
	for ch, seen := range look.Shown {
		if !seen.OK {
			j.say(ch, "reading", ByHand, "%s gives no reading (%s): check its wire, its input and its chip", sayChannel(j.channel(ch)), Phrase{Form: seen.Fault})
		}
	}
}

// pair returns what a channel showed before and in a step.
func (j *judge) pair(step string, ch int) (before, now float64, ok bool) {
	r, ok := j.state.last(step)
	if !ok || ch >= len(r.Shown) || ch >= len(r.Before) || !r.Shown[ch].OK || !r.Before[ch].OK {
		return 0, 0, false
	}
	return r.Before[ch].Value, r.Shown[ch].Value, true
}

func (j *judge) value(step string, ch int) (float64, bool) {
	r, ok := j.state.last(step)
	if !ok || ch >= len(r.Shown) || !r.Shown[ch].OK {
		return 0, false
	}
	return r.Shown[ch].Value, true
}

// runs returns the steps in which the pump ran.
func (j *judge) runs() (all []string) {
	for _, st := range Steps(j.cfg) {
		if _, done := j.state.last(st.ID); st.Runs && done {
			all = append(all, st.ID)
		}
	}
	return all
}

// told are the signals that the steps tell apart.
var told = []config.Signal{
	config.BatteryVoltage, config.BatteryNegative, config.BatteryCurrent, config.BatteryTemperature, config.FeedVoltage, config.MotorVoltage,
}

// place settles where the channels of a unit are. elsewhere tells whether what a channel showed speaks
// against a place.
func (j *judge) place(unit string, elsewhere func(ch int, p place) bool) {
	var of []int
	for ch := range j.cfg.Board.Channels {
		if j.channel(ch).Unit() == unit && slices.Contains(told, j.channel(ch).Signal) {
			of = append(of, ch)
		}
	}
	p := newPlaces(len(of))
	for i, ch := range of {
		for k, other := range of {
			p.not[i][k] = elsewhere(ch, j.placeOf(other))
		}
	}
	possible := p.possible()
	at, sure := settle(possible)
	for i, ch := range of {
		if at[i] >= 0 {
			j.at[ch], j.sure[ch] = of[at[i]], sure[i]
		}
		j.sayPlaced(ch, of, possible[i], at[i], sure[i], i)
	}
}

func (j *judge) sayPlaced(ch int, of, possible []int, at int, sure bool, own int) {
	name := sayChannel(j.channel(ch))
	switch {
	case at == own && sure && len(of) > 1:
		j.say(ch, "place", Good, "%s is in its place", name)
	case at == own && len(of) > 1:
		var others []Phrase
		for _, k := range possible {
			if k >= 0 && k != own {
				others = append(others, j.placeOf(of[k]).say())
			}
		}
		if len(others) == 0 {
			j.say(ch, "place", Untested, "%s could not be told from a broken wire", name)
			return
		}
		j.say(ch, "place", Untested, "%s could not be told from %s", name, list(others, bothOf))
	case at >= 0 && at != own:
		j.moved(ch, of[at])
	case at < 0 && len(of) > 0:
		var may []Phrase
		for _, k := range possible {
			if k >= 0 {
				may = append(may, j.placeOf(of[k]).say())
			}
		}
		if slices.Contains(possible, -1) {
			may = append(may, phrase("a broken wire"))
		}
		j.say(ch, "place", ByHand, "%s does not behave like one: its wire behaves like %s; follow it by hand", name, list(may, eitherOf))
	}
}

// moved says that a wire is on another's place. The configuration can follow where both are the same
// kind of signal: then the circuits on the board are.
func (j *judge) moved(ch, to int) {
	c, t := j.channel(ch), j.channel(to)
	if c.Signal == t.Signal {
		at := map[config.Signal]string{
			config.BatteryVoltage:     "the input of %s is on the positive post of battery %s: swapped",
			config.BatteryNegative:    "the input of %s is on the negative post of battery %s: swapped",
			config.BatteryCurrent:     "the input of %s is on the cable of battery %s: swapped",
			config.BatteryTemperature: "the input of %s is on the place of battery %s: swapped",
		}[c.Signal]
		v := j.add(Verdict{Subject: c.Name(), Test: "place", Outcome: Changed, Channel: ch}, Phrase{Form: at, With: []any{sayChannel(c), t.Battery}})
		v.Changes = []Change{{List: "channels", Index: ch, Field: "battery", From: c.Battery, To: t.Battery}}
		return
	}
	j.say(ch, "place", ByHand, "the input of %s is on %s: swap the wires at the board, then do the steps again", sayChannel(c), sayChannel(t))
	j.at[ch] = -1 // its range and circuit are another's
}

// voltageElsewhere tells whether what a tap showed speaks against a place.
func (j *judge) voltageElsewhere(ch int, p place) bool {
	live := func(v float64) bool { return abs(v) >= liveV }
	over := j.cfg.Bank.Over(p.Signal, p.battery)
	if over > 0 && j.otherEnd(ch, p) {
		return true
	}
	if v, ok := j.value(string(Look), ch); ok {
		switch p.Signal {
		case config.BatteryVoltage, config.BatteryNegative:
			if live(v) != (over > 0) || j.atAnother(v, over) {
				return true
			}
		case config.MotorVoltage:
			if live(v) {
				return true
			}
		}
	}
	if v, ok := j.value(string(Breaker), ch); ok && j.breakerTells() {
		if live(v) != (over > 0 && p.Signal != config.FeedVoltage && p.Signal != config.MotorVoltage) {
			return true
		}
	}
	if v, ok := j.value(string(Wake), ch); ok && j.feedCameUp() && p.Signal == config.FeedVoltage && !live(v) {
		return true
	}
	for _, step := range j.runs() {
		before, now, ok := j.pair(step, ch)
		if !ok {
			continue
		}
		if rises := now-before > liveV; rises != (p.Signal == config.MotorVoltage) {
			return true
		}
		if j.doubted[step] {
			continue
		}
		own := stepID(Part, wayOf(j.cfg, p.battery))
		if live := p.Signal == config.BatteryVoltage || p.Signal == config.BatteryNegative && over > 0; live && step == own && j.sag(step, ch, true) ||
			live && strings.HasPrefix(step, string(Part)) && step != own && j.sag(step, ch, false) {
			return true
		}
	}
	return p.Signal == config.BatteryNegative && over == 0 && j.negativeElsewhere(ch, p.battery)
}

// wayOf returns the battery by which what can be parted from the bank is named: the lowest of its string.
func wayOf(cfg *config.Config, battery string) string {
	layout := cfg.Bank.Layout.Rules()
	i, ok := cfg.Bank.Index(battery)
	if !ok {
		return battery
	}
	return cfg.Bank.Batteries[layout.Lowest(layout.StringOf(i))].ID
}

// How near a voltage at rest is to that of a number of batteries in series.
const (
	restsV  = 12.6 // V: of one, about the middle; our choice
	atLevel = 0.12 // ratio: that one may be off, by its charge and its tap; our choice
	levels  = 1.42 // ratio: halfway between one battery and two; our choice
)

// otherEnd tells whether a place is out of the question because it is the other end of a middle link, which
// has the same voltage but for the drop over the link: in a run the negative post above sags by it more than
// the positive post below. Where that does not show, wires are taken to be as they are meant.
func (j *judge) otherEnd(ch int, p place) bool {
	c := j.channel(ch)
	post, foot := c.Signal == config.BatteryVoltage, c.Signal == config.BatteryNegative && j.cfg.Bank.Over(c.Signal, c.Battery) > 0
	atPost, atFoot := p.Signal == config.BatteryVoltage, p.Signal == config.BatteryNegative
	if !(post || foot) || !(atPost || atFoot) {
		return false
	}
	return (post == atPost) == j.ends(ch)
}

// ends reports whether the two wires at a middle link are proven to be swapped, one of which is a channel's.
func (j *judge) ends(ch int) bool {
	const least = 0.008 // V: of the drop over a link, that tells anything: four steps of a common tap; our choice
	layout := j.cfg.Bank.Layout.Rules()
	if layout.Blocks() == 1 {
		return false
	}
	i, _ := j.cfg.Bank.Index(j.channel(ch).Battery)
	k := layout.StringOf(i)
	post := channelOf(j.cfg, config.BatteryVoltage, j.cfg.Bank.Batteries[layout.Lowest(k)].ID)
	foot := channelOf(j.cfg, config.BatteryNegative, j.cfg.Bank.Batteries[layout.Highest(k)].ID)
	if foot < 0 || ch != post && ch != foot {
		return false
	}
	swapped := false
	for _, step := range j.runs() {
		before, now, ok := j.pair(step, post)
		before2, now2, ok2 := j.pair(step, foot)
		if !ok || !ok2 || j.doubted[step] || abs(before-before2) > atLevel*abs(before) { // the last: not at one link
			continue
		}
		switch more := (before - now) - (before2 - now2); {
		case more < -least:
			return false
		case more > least:
			swapped = true
		}
	}
	return swapped
}

// atAnother reports whether a voltage is that of another number of batteries in series. In a parallel bank
// there is one: what is off there is a scale. So is what is near none.
func (j *judge) atAnother(v float64, over int) bool {
	for n := 1; n <= j.cfg.Bank.Layout.Rules().Blocks(); n++ {
		if want := restsV * float64(n); n != over && abs(v-want) <= atLevel*want {
			return true
		}
	}
	return false
}

// breakerTells reports whether opening the charge breaker took a voltage away: a converter whose output
// holds itself up, or a breaker that was not opened, tells nothing.
func (j *judge) breakerTells() bool {
	for ch := range j.cfg.Board.Channels {
		look, ok := j.value(string(Look), ch)
		open, done := j.value(string(Breaker), ch)
		if ok && done && j.channel(ch).Unit() == "V" && abs(look) >= liveV && abs(open) < liveV {
			return true
		}
	}
	return false
}

// feedCameUp reports whether a current went into the bank with the ignition, either way round.
func (j *judge) feedCameUp() bool {
	r, ok := j.state.last(string(Wake))
	if !ok {
		return false
	}
	const onV = 13 // V: of a feed for one battery, that charges; our choice
	return Typed(r.Typed).value("amps") > 1 || Typed(r.Typed).value("volts") > onV*float64(j.cfg.Bank.Layout.Rules().Blocks())
}

// sag reports whether a tap surely sagged as the bank does in a run with a battery parted (whether
// true), or surely did not (false).
func (j *judge) sag(step string, ch int, whether bool) bool {
	most, own := 0.0, 0.0
	for c := range j.cfg.Board.Channels {
		before, now, ok := j.pair(step, c)
		if !ok || abs(before) < liveV || j.channel(c).Unit() != "V" {
			continue
		}
		sag := (before - now) / before
		most = math.Max(most, sag)
		if c == ch {
			own = sag
		}
	}
	const least = 0.006 // ratio: of a run's sag, that tells anything; our choice
	if most < least {
		return false
	}
	if whether {
		return own > 0.6*most
	}
	return own < 0.35*most
}

// negativeElsewhere tells whether a negative tap showed another post's voltage and not that of its own, by
// the millivolts that a meter showed.
func (j *judge) negativeElsewhere(ch int, battery string) bool {
	fits := func(b string) (is, known bool) {
		step := stepID(Negative, b)
		r, ok := j.state.last(step)
		if !ok || !r.Shown[ch].OK {
			return false, false
		}
		m := millivoltmeter(j.meter("volt"))
		typed := Typed(r.Typed).value("millivolts") / 1000
		return abs(r.Shown[ch].Value-typed) <= classOf(j.channel(ch)).Zero+m.LimitAt(typed)+0.1*abs(typed), true
	}
	if own, known := fits(battery); own || !known {
		return false
	}
	for _, b := range j.cfg.Bank.Batteries {
		if channelOf(j.cfg, config.BatteryNegative, b.ID) < 0 || b.ID == battery {
			continue
		}
		if is, known := fits(b.ID); is && known {
			return true
		}
	}
	return false
}

// currentElsewhere tells whether what a current sensor showed speaks against a battery: with its cable
// off, the battery's own sensor shows nothing, all others do.
func (j *judge) currentElsewhere(ch int, p place) bool {
	for _, b := range j.cfg.Bank.Batteries {
		step := stepID(Part, b.ID)
		before, now, ok := j.pair(step, ch)
		if !ok || j.doubted[step] {
			continue
		}
		most := 0.0
		for _, c := range channelsOf(j.cfg, config.BatteryCurrent) {
			if b, n, ok := j.pair(step, c); ok {
				most = math.Max(most, abs(n-b))
			}
		}
		if most < runDrawsA {
			continue
		}
		moved, own := abs(now-before), wayOf(j.cfg, p.battery) == b.ID
		if own && moved > 0.15*most || !own && moved < noSignal*most {
			return true
		}
	}
	return false
}

// warmthElsewhere tells whether a hand on a thermistor warmed another one.
func (j *judge) warmthElsewhere(ch int, p place) bool {
	const (
		least = 1.0 // K: that a hand warms by; our choice
		times = 3.0 // ratio: over what any other one rose by; our choice
	)
	warmed := func(c int, step string) (float64, bool) {
		b, n, ok := j.pair(step, c)
		return n - b, ok
	}
	for _, other := range channelsOf(j.cfg, config.BatteryTemperature) {
		b := j.channel(other).Battery
		step := stepID(Warm, b)
		best, most, second := -1, 0.0, 0.0
		for _, c := range channelsOf(j.cfg, config.BatteryTemperature) {
			if by, ok := warmed(c, step); ok && by > most {
				best, most, second = c, by, most
			} else if ok {
				second = math.Max(second, by)
			}
		}
		if best < 0 || most < least || most < times*second {
			continue
		}
		if (best == ch) != (p.battery == b) {
			return true
		}
	}
	return false
}

// contacts settles which contact is which, and at which level it is on.
func (j *judge) contacts() {
	look, ok := j.state.last(string(Look))
	if !ok {
		return
	}
	all := j.cfg.Board.Contacts
	events := map[config.ContactSignal][]string{
		config.Disconnect: {string(Opened)}, config.WakeLine: {string(Wake)}, config.MotorCommand: j.runs(),
	}
	level := func(step string, c int) string {
		r, ok := j.state.last(step)
		if !ok || c >= len(r.Levels) {
			return Unknown.String()
		}
		return r.Levels[c]
	}
	changed := func(c int, signal config.ContactSignal) (yes, known bool) {
		for _, step := range events[signal] {
			if l := level(step, c); l != Unknown.String() && look.Levels[c] != Unknown.String() {
				return l != look.Levels[c], true
			}
		}
		return false, false
	}
	if c := contactOf(j.cfg, config.Disconnect); c >= 0 && j.lookedOpen(c, look.Levels[c], events[config.MotorCommand], level) {
		j.add(Verdict{Subject: string(config.Disconnect), Test: "level", Outcome: ByHand, Channel: -1, Again: string(Look)},
			phrase("The disconnect's contact was otherwise in the runs, and with the disconnect closed, than with everything at rest: was it closed "+
				"then? Do that step again"))
		return
	}
	var of []int // contacts that have a step
	for c := range all {
		if _, has := events[all[c].Signal]; has {
			of = append(of, c)
		} else {
			j.add(Verdict{Subject: string(all[c].Signal), Test: "place", Outcome: Untested, Channel: -1}, phrase("%s has no step here", sayContact(all[c].Signal)))
		}
	}
	p := newPlaces(len(of))
	for i, c := range of {
		for k, other := range of {
			for signal := range events {
				yes, known := changed(c, signal)
				p.not[i][k] = p.not[i][k] || known && yes != (signal == all[other].Signal)
			}
		}
	}
	possible := p.possible()
	places, sure := settle(possible)
	for i, c := range of {
		at := -1
		if places[i] >= 0 {
			at = of[places[i]]
		}
		v := Verdict{Subject: string(all[c].Signal), Test: "place", Channel: -1}
		name := sayContact(all[c].Signal)
		_, tested := changed(c, all[c].Signal)
		var say Phrase
		switch {
		case at < 0 && slices.Contains(possible[i], -1):
			v.Outcome, say = ByHand, phrase("%s does not follow: check its pin, its wire and its pull resistor", name)
		case at < 0:
			v.Outcome, say = ByHand, phrase("%s does not follow what it is meant for: follow its wire by hand", name)
		case at != c:
			v.Outcome, say = Changed, phrase("pin %s follows what is meant for %s: swapped", all[c].Pin, sayContact(all[at].Signal))
			v.Changes = []Change{{List: "contacts", Index: c, Field: "signal", From: string(all[c].Signal), To: string(all[at].Signal)}}
		case !sure[i] || !tested:
			v.Outcome, say = Untested, phrase("%s was not tested", name)
		default:
			v.Outcome, say = Good, phrase("%s follows", name)
		}
		j.add(v, say)
		if at >= 0 {
			j.level(c, all[at].Signal, look.Levels[c], events, level)
		}
	}
}

// lookedOpen reports whether everything was looked at with the disconnect open: a motor that runs has it
// closed.
func (j *judge) lookedOpen(c int, rest string, runs []string, level func(string, int) string) bool {
	closed := level(string(Closed), c)
	if closed == Unknown.String() || rest == Unknown.String() || closed == rest || len(runs) == 0 {
		return false
	}
	for _, step := range runs {
		if level(step, c) != closed {
			return false
		}
	}
	return true
}

// level says whether a contact is on when it should be.
func (j *judge) level(c int, signal config.ContactSignal, rest string, events map[config.ContactSignal][]string, level func(string, int) string) {
	on, off := On.String(), Off.String()
	want := on
	if signal == config.Disconnect {
		want = off
	}
	v := Verdict{Subject: string(j.cfg.Board.Contacts[c].Signal), Test: "level", Channel: -1}
	var say Phrase
	right, wrong := 0, 0
	for _, step := range events[signal] {
		switch l := level(step, c); {
		case l == Unknown.String() || l == rest:
		case l == want:
			right++
		default:
			wrong++
		}
	}
	switch {
	case right+wrong == 0:
		return
	case wrong == 0:
		v.Outcome, say = Good, phrase("%s is on at the right level", sayContact(signal))
	case right == 0:
		from, to := "high", "low"
		if j.cfg.Board.Contacts[c].ActiveLow {
			from, to = to, from
		}
		v.Outcome, say = Changed, phrase("%s is inverted: it is on at a %s level", sayContact(signal), Phrase{Form: to})
		v.Changes = []Change{{List: "contacts", Index: c, Field: "active", From: from, To: to}}
	default:
		v.Outcome, say = ByHand, phrase("%s was on in some runs and off in others: check its wire", sayContact(signal))
	}
	j.add(v, say)
}

// wrongBattery leaves out a run in which taps and sensors say alike that another battery than was asked had
// its cable off: that is as likely somebody's mistake as two wires swapped the same way. Done twice, it is
// believed.
func (j *judge) wrongBattery() {
	j.doubted = map[string]bool{}
	for _, b := range j.cfg.Bank.Batteries {
		step := stepID(Part, b.ID)
		done := 0
		for _, r := range j.state.Records[step] {
			if !r.Skipped {
				done++
			}
		}
		tap, clamp := j.withoutSag(step), j.withoutCurrent(step)
		if done != 1 || tap == "" || tap != clamp || tap == b.ID {
			continue
		}
		j.doubted[step] = true
		j.add(Verdict{Subject: "bank", Test: "place", Outcome: ByHand, Channel: -1, Again: step},
			phrase("In the run without battery %s taps and sensors say alike that battery %s was off: do that step once more, with the right "+
				"battery, before it is believed", b.ID, tap))
	}
}

// withoutSag returns the battery by whose tap nothing sagged in a step, empty for none or several.
func (j *judge) withoutSag(step string) (battery string) {
	for _, ch := range channelsOf(j.cfg, config.BatteryVoltage) {
		if before, _, ok := j.pair(step, ch); !ok || abs(before) < liveV || !j.sag(step, ch, false) {
			continue
		}
		own := wayOf(j.cfg, j.channel(ch).Battery)
		if battery != "" && battery != own {
			return ""
		}
		battery = own
	}
	return battery
}

// withoutCurrent returns the battery whose sensor showed nothing in a step while others did, empty for none or
// several.
func (j *judge) withoutCurrent(step string) (battery string) {
	most, moved := 0.0, map[string]float64{}
	for _, ch := range channelsOf(j.cfg, config.BatteryCurrent) {
		if before, now, ok := j.pair(step, ch); ok {
			moved[wayOf(j.cfg, j.channel(ch).Battery)] = abs(now - before)
			most = math.Max(most, abs(now-before))
		}
	}
	for _, b := range j.cfg.Bank.Batteries {
		by, ok := moved[b.ID]
		if !ok || most < runDrawsA || by > noSignal*most {
			continue
		}
		if battery != "" {
			return ""
		}
		battery = b.ID
	}
	return battery
}

// nobody says that no sensor showed a run from which only one battery was parted.
func (j *judge) nobody() {
	sensors := channelsOf(j.cfg, config.BatteryCurrent)
	for _, b := range j.cfg.Bank.Batteries {
		step, most, all := stepID(Part, b.ID), 0.0, len(sensors) > 0
		for _, ch := range sensors {
			before, now, ok := j.pair(step, ch)
			all = all && ok
			most = math.Max(most, abs(now-before))
		}
		if all && most < runDrawsA {
			j.add(Verdict{Subject: "bank", Test: "place", Outcome: ByHand, Channel: -1}, phrase("In the run without battery %s no "+
				"sensor showed a current (%.1f A at the most): all of them may sit on that battery's cable, or on none", b.ID, most))
		}
	}
}

// supply says that the board itself gave out while the pump ran.
func (j *judge) supply() {
	for _, t := range j.state.Trouble {
		text := Phrase{Form: t.Text} // of an older program
		if len(t.Chips) > 0 {
			text = sayVoid(t.Chips)
		}
		j.add(Verdict{Subject: "board", Test: "supply", Outcome: ByHand, Channel: -1}, phrase("%s: %s", t.Step, text))
	}
}
