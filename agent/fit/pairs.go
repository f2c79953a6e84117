package fit

import "liftbank/agent/config"

// pairs holds the two taps of each string against one meter. What the monitor says of the difference between
// two batteries in series is the upper tap less twice the lower, in which each tap's own error counts; a share
// that the meter is off by is in both of its figures, and does not. Nothing is changed for it: that is the page
// of calibration's, which takes more than one reading.
func (j *judge) pairs() {
	layout := j.cfg.Bank.Layout.Rules()
	if layout.Blocks() == 1 {
		return
	}
	for k := range layout.Strings(len(j.cfg.Bank.Batteries)) {
		lower, upper := j.cfg.Bank.Batteries[layout.Lowest(k)].ID, j.cfg.Bank.Batteries[layout.Highest(k)].ID
		low, high, ok := j.post(lower), j.post(upper), true
		for _, p := range []*posted{&low, &high} {
			ok = ok && p.ok && j.at[p.ch] == p.ch && j.goodSize(p.ch)
		}
		if !ok {
			continue // each by itself comes first
		}
		want := low.shown.Value * high.typed / low.typed
		off := high.shown.Value - want
		limit := j.meter("volt").Fixed + high.half + 2*low.half + 2*(high.shown.Spread+2*low.shown.Spread) + abs(high.shown.Drift)/2 + abs(low.shown.Drift)
		name := phrase("the taps of batteries %s and %s", lower, upper)
		if abs(off) <= limit {
			v := j.say(high.ch, "pair", Good, "%s agree with one meter to %s: what differs beyond that is the batteries", name, volts(limit))
			v.Figures = []Figure{{"off", off, "V"}, {"limit", limit, "V"}}
			continue
		}
		v := j.say(high.ch, "pair", Good, "%s are %s apart by one meter, within what their resistors allow; two batteries that differ by less "+
			"can't be told apart before both taps are calibrated against one meter, on the page of calibration", name, volts(off))
		v.Figures = []Figure{{"off", off, "V"}, {"limit", limit, "V"}}
	}
}

// posted is what the tap of a battery showed beside the meter at its positive post.
type posted struct {
	ch          int
	shown       Seen
	typed, half float64
	ok          bool
}

func (j *judge) post(battery string) (p posted) {
	r, done := j.state.last(stepID(Post, battery))
	ch := channelOf(j.cfg, config.BatteryVoltage, battery)
	volts, typed := Typed(r.Typed).Of("volts")
	if !done || ch < 0 || ch >= len(r.Shown) || !r.Shown[ch].OK || !typed || abs(volts) < farVolts {
		return posted{}
	}
	return posted{ch: ch, shown: r.Shown[ch], typed: volts, half: Typed(r.Typed).half("volts"), ok: true}
}

// goodSize reports whether a channel is right beside the meter as it stands.
func (j *judge) goodSize(ch int) bool {
	for _, v := range j.out {
		if v.Channel == ch && v.Test == "size" {
			return v.Outcome == Good
		}
	}
	return false
}
