package fit

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
	"liftbank/sensors/calibration"
)

// What may flow between batteries at rest, from 100 Ah on; as agent/calibrate has it.
const (
	flowA     = 0.30 // A; our choice
	ownDrawA  = 2.0  // A: the most that a board may draw by the configuration
	farVolts  = 8.0  // V: from here on a voltage tells its scale; our choice
	farAmps   = 8.0  // A: the same of a current; our choice
	repeats   = 0.03 // ratio: that two measurements of a scale may differ by; our choice
	finest    = 1e-9
	sameMeter = 0.015 // ratio: that a meter may read otherwise of the same current a minute later; our choice
)

// meter returns a meter's accuracy as it was typed, or a common one.
func (j *judge) meter(which string) calibrate.Meter {
	r, ok := j.state.last(string(Begin))
	if ok {
		return calibrate.Meter{ID: calibrate.OtherMeter, Share: Typed(r.Typed).value(which+"_pct") / 100, Fixed: Typed(r.Typed).value(which + "_fixed")}
	}
	q, id := calibrate.Voltage, "multimeter"
	switch which {
	case "clamp":
		q, id = calibrate.Current, "clamp"
	case "thermo":
		q, id = calibrate.Temperature, "thermometer"
	}
	m, _ := calibrate.MeterOf(q, id)
	return m
}

// millivoltmeter returns the meter in its millivolt range: a thousandth of a volt besides its share
// (common practice, no source).
func millivoltmeter(m calibrate.Meter) calibrate.Meter {
	m.Fixed = math.Min(m.Fixed, 0.001)
	return m
}

// direction tells which way round a current sensor is: in a run every battery gives, on charge every one
// takes.
func (j *judge) direction(ch int) {
	c := j.channel(ch)
	name := sayChannel(c)
	gives, takes := 0, 0
	for _, step := range j.runs() {
		if before, now, ok := j.pair(step, ch); ok && abs(now-before) > runDrawsA {
			if now < before {
				gives++
			} else {
				takes++
			}
		}
	}
	charge := 0.0
	if look, ok := j.value(string(Look), ch); ok && j.feedCameUp() {
		if now, ok := j.value(string(Wake), ch); ok && abs(now-look) > 1+3*classOf(c).Noise {
			charge = now - look
		}
	}
	switch {
	case gives+takes == 0:
		j.say(ch, "sign", Untested, "which way round %s is was not tested", name)
	case gives > 0 && takes > 0:
		j.say(ch, "sign", ByHand, "%s showed one sign in one run and the other in the next: check its wires", name)
	case gives > 0 && charge < 0 || takes > 0 && charge > 0:
		j.say(ch, "sign", ByHand, "%s shows the same sign in a run and on charge: it measures one way only, or not this battery alone", name)
	case gives > 0:
		j.say(ch, "sign", Good, "%s is the right way round", name)
	default:
		j.sign[ch] = -1
		v := j.say(ch, "sign", Changed, "%s is reversed: it shows a run as a charge", name)
		v.Changes = reverse(ch, c)
	}
}

// reverse turns a sensor round: sign of its scale and of its offset.
func reverse(ch int, c *config.Channel) (all []Change) {
	change := func(field string, x float64) {
		all = append(all, Change{List: "channels", Index: ch, Field: field, From: write(x), To: write(-x)})
	}
	if c.Scale.Kind == config.Hall {
		change("scale.v_per_a", c.Scale.VPerA)
	} else {
		change("scale.gain", c.Scale.Gain)
	}
	if c.Calibration.Offset != 0 {
		change("calibration.offset_a", c.Calibration.Offset)
	}
	return all
}

// name names a channel in a sentence, with where it is if that is elsewhere.
func (j *judge) name(ch int) Phrase {
	name := sayChannel(j.channel(ch))
	if at := j.at[ch]; at >= 0 && at != ch {
		return phrase("%s (on battery %s)", name, j.channel(at).Battery)
	}
	return name
}

// beside is what a channel showed beside a meter.
type beside struct {
	step   string
	record Record
	shown  Seen // the right way round
	typed  float64
	half   float64
}

// figures holds what a channel shows against what meters show of its place.
func (j *judge) figures(ch int) {
	c := j.channel(ch)
	at := j.at[ch]
	if !slices.Contains(told, c.Signal) {
		j.say(ch, "place", Untested, "%s has no step here", c.Name())
		return
	}
	if at < 0 {
		return // where it is comes first
	}
	p := j.placeOf(at)
	var step, name string
	meter, scale := j.meter("volt"), 1.0
	switch p.Signal {
	case config.BatteryVoltage:
		step, name = stepID(Post, p.battery), "volts"
	case config.BatteryNegative:
		step, name, meter, scale = stepID(Negative, p.battery), "millivolts", millivoltmeter(meter), 0.001
		if j.cfg.Bank.Over(p.Signal, p.battery) > 0 { // at rest, at the voltage of the battery below
			step, name, meter, scale = stepID(Foot, p.battery), "volts", j.meter("volt"), 1
		}
	case config.MotorVoltage:
		step, name = string(MotorRun), "volts"
	case config.FeedVoltage:
		step, name = string(Wake), "volts"
	case config.BatteryCurrent:
		step, name, meter = stepID(Run, p.battery), "amps", j.meter("clamp")
	case config.BatteryTemperature:
		step, name, meter = stepID(Degrees, p.battery), "celsius", j.meter("thermo")
	}
	zero, zeroStep := j.zero(ch, p)
	var all []beside
	for _, r := range j.state.Records[step] {
		x, typed := Typed(r.Typed).Of(name)
		if r.Skipped {
			all = nil
		}
		if r.Skipped || !typed || ch >= len(r.Shown) {
			continue
		}
		b := beside{step: step, record: r, shown: j.turned(ch, r.Shown[ch]), typed: x * scale, half: Typed(r.Typed).half(name) * scale}
		if p.Signal == config.BatteryCurrent {
			b.typed = -abs(b.typed) // a run; its sign is another test
		}
		all = append(all, b)
	}
	if len(all) == 0 {
		j.say(ch, "size", Untested, "%s was not held beside a meter", sayChannel(c))
	}
	j.size(ch, meter, all, zero, zeroStep)
}

// turned returns what a channel showed, the right way round.
func (j *judge) turned(ch int, s Seen) Seen {
	s.Value *= j.sign[ch]
	s.Drift *= j.sign[ch]
	return s
}

// zero returns a current sensor's reading without current: with the battery's cable off, or at rest with
// the disconnect open, where little may flow between batteries.
func (j *judge) zero(ch int, p place) (*Seen, string) {
	if p.Signal != config.BatteryCurrent {
		return nil, ""
	}
	without := stepID(Part, wayOf(j.cfg, p.battery))
	if r, ok := j.state.last(without); ok && r.Before[ch].OK {
		s := j.turned(ch, r.Before[ch])
		return &s, without
	}
	if r, ok := j.state.last(string(Opened)); ok && r.Shown[ch].OK {
		s := j.turned(ch, r.Shown[ch])
		return &s, string(Opened)
	}
	return nil, ""
}

// mayFlow returns how much may flow through a sensor while its zero is taken.
func (j *judge) mayFlow(step, battery string) float64 {
	if step != string(Opened) {
		return 0
	}
	n := float64(j.cfg.Bank.Layout.Rules().Strings(len(j.cfg.Bank.Batteries)))
	flow := math.Min(j.ownDraw(), ownDrawA) / n
	if n > 1 {
		for _, b := range j.cfg.Bank.Batteries {
			if b.ID == battery {
				flow += flowA * b.RatedAh / 100
			}
		}
	}
	return flow
}

// ownDraw returns what the board draws by the configuration.
func (j *judge) ownDraw() float64 {
	return j.cfg.Limits.Of("board.own_draw_a")
}

// size says whether a channel is right beside a meter and without current, and what would have it so.
func (j *judge) size(ch int, meter calibrate.Meter, all []beside, zero *Seen, zeroStep string) {
	c, cl := j.channel(ch), classOf(j.channel(ch))
	name := j.name(ch)
	zeroOff, flow := false, 0.0
	if zero != nil {
		flow = j.mayFlow(zeroStep, j.placeOf(j.at[ch]).battery)
		zeroOff = abs(zero.Value) > cl.Zero+flow+3*zero.Sigma
		if !zeroOff {
			v := j.say(ch, "zero", Good, "%s shows %s without current", name, shown(c, zero.Value))
			v.Figures = []Figure{{"shown", zero.Value, c.Unit()}, {"limit", cl.Zero + flow, c.Unit()}}
		}
	}
	scaleOff := false
	var b beside
	if len(all) > 0 {
		b = all[len(all)-1]
		if !b.shown.OK {
			j.say(ch, "size", ByHand, "%s gave no value while the meter showed %s (%s): its range may be too small, or its scale wrong",
				name, shown(c, b.typed), Phrase{Form: b.shown.Fault})
			return
		}
		if c.Unit() != "°C" && abs(b.typed) > 4*meter.LimitAt(0)+4*cl.Zero && abs(b.shown.Value) < noSignal*abs(b.typed) {
			j.beside(ch, "size", ByHand, b, 0, "%s shows %s where the meter showed %s: it gives no signal; check its supply, its wires and its place",
				name, shown(c, b.shown.Value), shown(c, b.typed))
			return
		}
		limit := j.limit(cl, meter, &b)
		scaleOff = abs(b.shown.Value-b.typed) > limit
		if !scaleOff {
			j.beside(ch, "size", Good, b, limit, "%s shows %s, the meter %s", name, shown(c, b.shown.Value), shown(c, b.typed))
		}
	}
	if !zeroOff && !scaleOff {
		return
	}
	// At rest all posts are alike; everything else has to be known to be where the meter was.
	if scaleOff && !j.sure[ch] && c.Signal != config.BatteryVoltage && len(channelsOf(j.cfg, c.Signal)) > 1 {
		j.beside(ch, "size", ByHand, b, 0, "%s shows %s where the meter showed %s: it may be on another battery; do the steps that tell (%s)",
			name, shown(c, b.shown.Value), shown(c, b.typed), tells(c.Signal))
		return
	}
	if j.byLabel(ch, meter, all, zero, flow) {
		return
	}
	j.correct(ch, meter, all, zero, zeroStep, zeroOff, scaleOff)
}

// tells names the steps that tell where the channels of a signal are.
func tells(s config.Signal) Phrase {
	switch s {
	case config.BatteryCurrent:
		return phrase("runs without a battery")
	case config.BatteryTemperature:
		return phrase("a hand on each thermistor")
	}
	return phrase("a meter at each negative post")
}

// beside says something of a comparison, with its figures.
func (j *judge) beside(ch int, test string, o Outcome, b beside, limit float64, form string, with ...any) *Verdict {
	v := j.say(ch, test, o, form, with...)
	u := j.channel(ch).Unit()
	v.Figures = []Figure{{"shown", b.shown.Value, u}, {"meter", b.typed, u}}
	if limit > 0 {
		v.Figures = append(v.Figures, Figure{"limit", limit, u})
	}
	return v
}

// limit returns by how much a sound channel may differ from a sound meter: both classes, the digit that
// was typed, and how the value moved meanwhile.
func (j *judge) limit(cl calibrate.Class, m calibrate.Meter, b *beside) float64 {
	return cl.Zero + cl.Gain*abs(b.typed) + m.LimitAt(b.typed) + b.half + abs(b.shown.Drift)/2 + 2*b.shown.Spread
}

// correct changes the calibration where the channel is off like a poor one, and asks for the label where
// it is another one.
func (j *judge) correct(ch int, meter calibrate.Meter, all []beside, zero *Seen, zeroStep string, zeroOff, scaleOff bool) {
	c, cl := j.channel(ch), classOf(j.channel(ch))
	name := j.name(ch)
	chn := j.calibrated(ch)
	var points []calibrate.Point
	if zero != nil {
		points = append(points, calibrate.Point{
			Reading: nominal(zero.Mean, chn.Was), Zero: true, FlowSigma: j.mayFlow(zeroStep, j.placeOf(j.at[ch]).battery) / math.Sqrt(3),
		})
	}
	if zeroOff {
		r, refusal := calibrate.Zero(chn, points[0])
		if refusal != nil {
			v := j.say(ch, "zero", ByHand, "%s shows %s without current: that is no tolerance; check zero_v on its label, its supply, and that nothing flows",
				name, shown(c, zero.Value))
			v.Label = true
			v.Figures = []Figure{{"shown", zero.Value, c.Unit()}, {"limit", cl.Zero, c.Unit()}}
			return
		}
		if !scaleOff {
			j.recalibrate(ch, "zero", r.Correction, phrase("%s shows %s without current: its zero is set", name, shown(c, zero.Value)))
			return
		}
	}
	b := all[len(all)-1]
	far := map[string]float64{"V": farVolts, "A": farAmps}[c.Unit()]
	limit := j.limit(cl, meter, &b)
	switch {
	case c.Unit() == "°C":
		v := j.beside(ch, "size", ByHand, b, limit, "%s shows %s where the thermometer showed %s: another thermistor than the configuration says, or "+
			"another pull-up; check the part's marking", name, shown(c, b.shown.Value), shown(c, b.typed))
		v.Label = true
		return
	case far > 0 && abs(b.typed) < far:
		j.beside(ch, "size", ByHand, b, limit, "%s shows %s where the meter showed %s: check its wire, its divider and where the meter's leads were",
			name, shown(c, b.shown.Value), shown(c, b.typed))
		return
	case b.shown.Value*b.typed < 0:
		j.beside(ch, "size", ByHand, b, limit, "%s shows %s where the meter showed %s: the other sign; check the meter's leads and the battery's posts",
			name, shown(c, b.shown.Value), shown(c, b.typed))
		return
	}
	base := 0.0
	if zero != nil {
		base = zero.Value
	}
	ratio := (b.shown.Value - base) / b.typed
	if abs(ratio-1) > tolerance {
		v := j.beside(ch, "size", ByHand, b, limit, "%s shows %s where the meter showed %s, %s of it: that is no tolerance; check %s",
			name, shown(c, b.shown.Value), shown(c, b.typed), fmt.Sprintf("%.0f %%", 100*ratio), labelFields(&c.Scale))
		v.Label = true
		return
	}
	if other := j.showsToo(ch, &b); !other.Empty() {
		v := j.beside(ch, "size", ByHand, b, limit, "%s shows %s where the meter showed %s, which is what %s showed: was the meter on the right cable?",
			name, shown(c, b.shown.Value), shown(c, b.typed), other)
		v.Again = b.step
		return
	}
	if len(all) < 2 {
		v := j.beside(ch, "size", ByHand, b, limit, "%s shows %s where the meter showed %s: measure once more before its calibration is changed",
			name, shown(c, b.shown.Value), shown(c, b.typed))
		v.Again = b.step
		return
	}
	for i := range all[len(all)-2:] {
		x := all[len(all)-2+i]
		points = append(points, calibrate.Point{Reading: nominal(x.shown.Mean, chn.Was), Meter: x.typed, Half: x.half})
	}
	first := all[len(all)-2]
	if earlier := (first.shown.Value - base) / first.typed; abs(earlier/ratio-1) > repeats {
		v := j.beside(ch, "size", ByHand, b, limit, "%s: two measurements do not agree (%.1f %% and %.1f %% of the meter): measure again", name, 100*earlier, 100*ratio)
		v.Again = b.step
		return
	}
	r, refusal := calibrate.Work(chn, meter, points)
	if refusal != nil {
		j.beside(ch, "size", ByHand, b, limit, "%s shows %s where the meter showed %s, and no calibration follows (%s)", name,
			shown(c, b.shown.Value), shown(c, b.typed), Phrase{Form: string(refusal.ID)})
		return
	}
	j.recalibrate(ch, "size", r.Correction, phrase("%s shows %s where the meter showed %s: calibrated", name, shown(c, b.shown.Value), shown(c, b.typed)))
}

// showsToo returns the current sensor of another battery that showed what the meter did, empty for none: the
// meter may have been on that battery's cable.
func (j *judge) showsToo(ch int, b *beside) Phrase {
	if j.channel(ch).Signal != config.BatteryCurrent {
		return Phrase{}
	}
	for _, other := range channelsOf(j.cfg, config.BatteryCurrent) {
		if other == ch || !j.sure[other] || !b.record.Shown[other].OK {
			continue
		}
		// That sensor beside the same meter, on its own cable: what the meter would show there now.
		own, ok := j.state.last(stepID(Run, j.channel(j.at[other]).Battery))
		amps, typed := Typed(own.Typed).Of("amps")
		if !ok || !typed || !own.Shown[other].OK || abs(own.Shown[other].Value) < farAmps {
			continue
		}
		there := abs(b.record.Shown[other].Value * amps / own.Shown[other].Value)
		if abs(there-abs(b.typed)) <= sameMeter*abs(b.typed)+b.half+abs(b.shown.Drift)/2 {
			return j.name(other)
		}
	}
	return Phrase{}
}

func labelFields(sc *config.Scale) Phrase {
	switch sc.Kind {
	case config.Divider:
		return phrase("its two resistors (top_ohm and bottom_ohm)")
	case config.Hall:
		return phrase("v_per_a on the sensor's label")
	case config.Shunt:
		return phrase("shunt_ohm on the shunt's label, and gain")
	}
	return phrase("the part's figures")
}

// calibrated describes a channel to agent/calibrate, the right way round.
func (j *judge) calibrated(ch int) calibrate.Channel {
	c := j.channel(ch)
	q := map[string]calibrate.Quantity{"V": calibrate.Voltage, "A": calibrate.Current, "°C": calibrate.Temperature}[c.Unit()]
	most := map[string]float64{"V": 2, "A": 20, "°C": 20}[c.Unit()] // as the configuration accepts
	return calibrate.Channel{Quantity: q, Class: classOf(c), MaxOffset: most, Min: c.Min, Max: c.Max,
		Was: calibration.Correction{OffsetAdd: j.sign[ch] * c.Calibration.Offset, Gain: c.Calibration.Gain}}
}

// nominal returns a mean as the scale has it, without the correction.
func nominal(m calibrate.Mean, was calibration.Correction) calibrate.Mean {
	g := was.Gain
	if g == 0 {
		g = 1
	}
	m.Value = m.Value/g - was.OffsetAdd
	m.Sigma, m.Spread, m.Drift = m.Sigma/g, m.Spread/g, m.Drift/g
	return m
}

// recalibrate changes a channel's calibration.
func (j *judge) recalibrate(ch int, test string, to calibration.Correction, say Phrase) {
	c := j.channel(ch)
	suffix := c.Suffix()
	digits := map[string]float64{"V": 1e4, "A": 1e3, "°C": 1e2}[c.Unit()]
	offset, gain := math.Round(to.OffsetAdd*digits)/digits, math.Round(to.Gain*1e5)/1e5
	// A change of the sign has changed the offset's already: this one counts.
	for i := range j.out {
		o := &j.out[i]
		if o.Channel != ch || o.Test != "sign" {
			continue
		}
		for k := range o.Changes {
			if o.Changes[k].Field == "calibration.offset"+suffix {
				o.Changes = append(o.Changes[:k:k], o.Changes[k+1:]...)
				break
			}
		}
	}
	v := j.add(Verdict{Subject: c.Name(), Test: test, Outcome: Changed, Channel: ch}, say)
	if offset != c.Calibration.Offset {
		v.Changes = append(v.Changes, Change{List: "channels", Index: ch, Field: "calibration.offset" + suffix,
			From: write(c.Calibration.Offset), To: write(offset)})
	}
	if gain != c.Calibration.Gain {
		v.Changes = append(v.Changes, Change{List: "channels", Index: ch, Field: "calibration.gain", From: write(c.Calibration.Gain), To: write(gain)})
	}
}

// byLabel says whether what is printed on a part explains what it shows; false: its label was not asked.
func (j *judge) byLabel(ch int, meter calibrate.Meter, all []beside, zero *Seen, flow float64) bool {
	c, cl := j.channel(ch), classOf(j.channel(ch))
	step, ok := labelStep(j.cfg, ch)
	if !ok {
		return false
	}
	r, ok := j.state.last(step.ID)
	if !ok {
		return false
	}
	to := labeled(c.Scale, Typed(r.Typed))
	name := j.name(ch)
	was, now := c.Scale.Law(), to.Law()
	corr := calibration.Correction{OffsetAdd: c.Calibration.Offset, Gain: c.Calibration.Gain}
	convert := func(v float64) (float64, bool) {
		v *= j.sign[ch] // as the board shows it
		g := corr.Gain
		if g == 0 {
			g = 1
		}
		pin, ok := pinVolts(was, v/g-corr.OffsetAdd, c.Scale.SupplyV)
		if !ok {
			return 0, false
		}
		x, ok := now.Physical(pin)
		return corr.Apply(x) * j.sign[ch], ok
	}
	explained, text := true, Phrase{}
	if zero != nil {
		x, ok := convert(zero.Value)
		if !ok || abs(x) > cl.Zero+flow+3*zero.Sigma {
			explained, text = false, phrase("without current it would show %s", shown(c, x))
		}
	}
	if len(all) > 0 {
		b := all[len(all)-1]
		x, ok := convert(b.shown.Value)
		stretch := 1.0
		if abs(b.shown.Value) > finest {
			stretch = abs(x / b.shown.Value)
		}
		b.shown.Drift, b.shown.Spread = b.shown.Drift*stretch, b.shown.Spread*stretch
		if !ok || abs(x-b.typed) > j.limit(cl, meter, &b) {
			explained, text = false, phrase("it would show %s where the meter showed %s", shown(c, x), shown(c, b.typed))
		}
	}
	if !explained {
		j.say(ch, "size", ByHand, "%s: its label does not explain what it shows: with it, %s; check the part, its supply and its wires", name, text)
		return true
	}
	saw, what := 0.0, phrase("without current")
	switch {
	case len(all) > 0:
		b := all[len(all)-1]
		saw, what = b.shown.Value, phrase("where the meter showed %s", shown(c, b.typed))
	case zero != nil:
		saw = zero.Value
	}
	v := j.say(ch, "size", Changed, "%s shows %s %s: its label explains it", name, shown(c, saw), what)
	for _, f := range scaleFields(&c.Scale, &to) {
		from, to := f.from, f.to
		if f.name == "v_per_a" || f.name == "gain" && c.Scale.Kind == config.Shunt {
			to *= j.sign[ch]
		}
		if from == to {
			continue
		}
		v.Changes = append(v.Changes, Change{List: "channels", Index: ch, Field: "scale." + f.name, From: write(from), To: write(to)})
	}
	out := v.Changes
	for i := range j.out { // a field that the sign changed is changed here
		o := &j.out[i]
		if o.Channel != ch || o.Test != "sign" {
			continue
		}
		var keep []Change
		for _, ch := range o.Changes {
			again := false
			for _, n := range out {
				again = again || n.Field == ch.Field
			}
			if !again {
				keep = append(keep, ch)
			}
		}
		o.Changes = keep
	}
	return true
}

// labeled returns a scale with what its label says.
func labeled(sc config.Scale, t Typed) config.Scale {
	sign := func(x float64) float64 { return math.Copysign(1, x) }
	switch sc.Kind {
	case config.Divider:
		sc.TopOhm, sc.BottomOhm = t.value("top_ohm"), t.value("bottom_ohm")
	case config.Hall:
		sc.VPerA, sc.ZeroV = sign(sc.VPerA)*tidy(t.value("mv_per_a")/1000), t.value("zero_v")
	case config.Shunt:
		sc.ShuntOhm, sc.Gain, sc.ZeroV = tidy(t.value("shunt_mohm")/1000), sign(sc.Gain)*t.value("gain"), t.value("zero_v")
	case config.NTCBeta:
		sc.R25Ohm, sc.BetaK, sc.PullupOhm = t.value("r25_ohm"), t.value("beta_k"), t.value("pullup_ohm")
	}
	return sc
}

// tidy takes off what a division by a thousand leaves.
func tidy(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 12, 64), 64)
	if err != nil {
		return x
	}
	return y
}

type scaleField struct {
	name     string
	from, to float64
}

func scaleFields(a, b *config.Scale) []scaleField {
	switch a.Kind {
	case config.Divider:
		return []scaleField{{"top_ohm", a.TopOhm, b.TopOhm}, {"bottom_ohm", a.BottomOhm, b.BottomOhm}}
	case config.Hall:
		return []scaleField{{"v_per_a", a.VPerA, b.VPerA}, {"zero_v", a.ZeroV, b.ZeroV}}
	case config.Shunt:
		return []scaleField{{"shunt_ohm", a.ShuntOhm, b.ShuntOhm}, {"gain", a.Gain, b.Gain}, {"zero_v", a.ZeroV, b.ZeroV}}
	case config.NTCBeta:
		return []scaleField{{"r25_ohm", a.R25Ohm, b.R25Ohm}, {"beta_k", a.BetaK, b.BetaK}, {"pullup_ohm", a.PullupOhm, b.PullupOhm}}
	}
	return nil
}

// pinVolts returns the volts at the pin for which a scale shows a value.
func pinVolts(law calibration.Scale, value, supplyV float64) (float64, bool) {
	if s := law.Slope(); s.Linear {
		return s.AtV + value/s.PerVolt, true
	}
	low, high := finest, supplyV-finest // a thermistor to ground: warmer is lower
	for range 200 {
		mid := (low + high) / 2
		x, ok := law.Physical(mid)
		if !ok && mid < supplyV/2 || ok && x > value {
			low = mid
		} else {
			high = mid
		}
	}
	x, ok := law.Physical((low + high) / 2)
	return (low + high) / 2, ok && abs(x-value) < 0.1
}

// sum holds the charge into all batteries against the clamp meter at the feed's lead.
func (j *judge) sum() {
	r, ok := j.state.last(string(Wake))
	amps, typed := Typed(r.Typed).Of("amps")
	if !ok || !typed {
		return
	}
	m := j.meter("clamp")
	total, limit, expected := 0.0, m.LimitAt(amps)+Typed(r.Typed).half("amps")+ownDrawA, abs(amps)-j.ownDraw()
	counted := map[string]bool{} // of a string one sensor is enough
	for _, ch := range channelsOf(j.cfg, config.BatteryCurrent) {
		way := wayOf(j.cfg, j.channel(ch).Battery)
		if counted[way] {
			continue
		}
		counted[way] = true
		for _, v := range j.out {
			if v.Channel == ch && v.Test != "place" && (v.Outcome != Good || len(v.Changes) > 0) {
				return // what it shows is not what it measures yet
			}
		}
		seen := r.Shown[ch]
		if !seen.OK {
			return
		}
		cl := classOf(j.channel(ch))
		total += seen.Value
		limit += cl.Zero + cl.Gain*abs(seen.Value) + abs(seen.Drift) + 2*seen.Spread
	}
	v := Verdict{Subject: "bank", Test: "sum", Channel: -1, Figures: []Figure{{"shown", total, "A"}, {"meter", amps, "A"}, {"limit", limit, "A"}}}
	var say Phrase
	if abs(total-expected) <= limit {
		v.Outcome, say = Good, phrase("On charge the batteries take %.1f A together, the clamp meter showed %.1f A at the feed", total, abs(amps))
	} else {
		v.Outcome, say = ByHand, phrase("On charge the batteries take %.1f A together, the clamp meter showed %.1f A at the feed: something else "+
			"draws from the bank, or a battery's sensor does not see all of its current", total, abs(amps))
	}
	j.add(v, say)
}

// write writes a number as the configuration has it.
func write(x float64) string {
	if x == 0 {
		x = 0 // no minus
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}
