package rules

import (
	"math"

	"liftbank/rules/bank"
	"liftbank/rules/network"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// bring returns a scan brought to the batteries. The one that came stays as it was.
func (e *Engine) bring(in *Input) *Input {
	if e.cfg.Layout == unit.Parallel {
		return in
	}
	e.brought = *in
	e.cfg.Layout.Bring(&e.brought, len(e.cfg.Batteries))
	return &e.brought
}

// startLinks starts what learns of links, leads and paths. A parallel bank is made of its batteries, another one
// of its strings.
func (e *Engine) startLinks() {
	c, n := &e.cfg, len(e.cfg.Batteries)
	if c.Layout == unit.Parallel {
		e.net = network.New(n, c.NegativeTap, &c.Classes)
		return
	}
	e.net = network.NewStrings(c.Layout, n, c.NegativeTap, &c.Classes)
	if c.Balancer {
		e.net.LeaveChargesOut()
	}
	e.middle = network.NewMiddles(c.Layout, n, &c.Classes)
}

// join lists the links, the joints that can be told apart from them, and the strings.
func (e *Engine) join() {
	l, n := e.cfg.Layout, len(e.cfg.Batteries)
	for _, side := range []network.Side{network.Positive, network.Negative} {
		for k := range l.Strings(n) - 1 {
			from, to := l.Lowest(k), l.Lowest(k+1)
			if side == network.Positive {
				from, to = l.Highest(k), l.Highest(k+1)
			}
			e.out.Links = append(e.out.Links, LinkState{Side: side, From: from, To: to})
		}
		for k := 1; k < l.Strings(n)-1; k++ { // a joint at an end battery counts with its link
			e.frame.Posts = append(e.frame.Posts, view.PostState{Side: side, Battery: k})
		}
	}
	if l == unit.Parallel {
		return
	}
	for k := range l.Strings(n) {
		for i := l.Lowest(k); i < l.Highest(k); i++ {
			e.out.Links = append(e.out.Links, LinkState{Side: network.Middle, From: i, To: i + 1})
		}
		e.out.Strings = append(e.out.Strings, view.StringState{From: l.Lowest(k), To: l.Highest(k)})
	}
}

// readings returns the bank's voltage and current, and fills in those of its strings.
func (e *Engine) readings() (v, a Reading) {
	l, n := e.cfg.Layout, len(e.cfg.Batteries)
	if l == unit.Parallel {
		return bank.Readings(&e.read, n)
	}
	e.plusV = Reading{}
	var volts, amps [MaxBatteries]Reading
	for k := range e.out.Strings {
		s, raw := &e.out.Strings[k], e.frame.Measured
		plus, minus := raw.Battery[s.To].VoltageV, raw.Battery[s.From].NegativeV
		if plus.OK() && !e.trust.PostBelieved(s.To) {
			plus.Quality = unit.OutOfRange
		}
		if plus.OK() && (!e.plusV.OK() || plus.Value < e.plusV.Value) {
			e.plusV = plus
		}
		if minus.OK() {
			plus.Value -= minus.Value
		}
		s.VoltageV, volts[k] = plus, plus
		s.CurrentA = e.stringA(s)
		amps[k] = s.CurrentA
	}
	return bank.OfStrings(volts[:len(e.out.Strings)], amps[:len(e.out.Strings)])
}

// stringA returns a string's current as far as it is believed. What is doubted at one battery alone, as a charger
// clamped on past the sensor, is not the string's.
func (e *Engine) stringA(s *view.StringState) (a Reading) {
	a = e.read.Battery[s.From].CurrentA
	for i := s.From + 1; i <= s.To && !a.OK(); i++ {
		a = e.read.Battery[i].CurrentA
	}
	return a
}

// stringOf returns the string of battery i; nil in a parallel bank.
func (e *Engine) stringOf(i int) *view.StringState {
	if e.cfg.Layout == unit.Parallel {
		return nil
	}
	return &e.out.Strings[e.cfg.Layout.StringOf(i)]
}

// leadsOf brings places of leads on strings to batteries.
func leadsOf(l unit.Layout, leads network.Leads) network.Leads {
	if l == unit.Parallel {
		return leads
	}
	if leads.Positive >= 0 {
		leads.Positive = l.Highest(leads.Positive)
	}
	if leads.Negative >= 0 {
		leads.Negative = l.Lowest(leads.Negative)
	}
	if l.Blocks() > 1 && leads.WaitsFor != nil && leads.WaitsFor == network.WaitsForBattery {
		leads.WaitsFor = waitsForString
	}
	return leads
}

var waitsForString = unit.Says("waits.second-string", "a second string: with one there is nothing to compare")

// stringLinksNow fills in the current through each link of a bank with strings and the drop over it in this scan.
func (e *Engine) stringLinksNow() {
	l, n := e.cfg.Layout, len(e.cfg.Batteries)
	leads := e.net.Feed()
	if e.out.Motor.Running {
		leads = e.net.Load()
	}
	var ground [MaxBatteries]bool
	var posts unit.Scan
	if l.Strings(n) > 1 {
		posts = *e.frame.Measured
		network.Strung(l, &posts, n)
		for k := range l.Strings(n) {
			ground[k] = e.cfg.NegativeTap[l.Lowest(k)]
			posts.Battery[k].CurrentA = e.out.Strings[k].CurrentA
		}
	}
	for i := range e.out.Links {
		k := &e.out.Links[i]
		if k.Side != network.Middle {
			k.CurrentA, k.DropV = network.LinkNow(k.Side, l.StringOf(k.From), l.Strings(n), leads, &posts, &posts, &ground)
			continue
		}
		k.CurrentA, k.DropV = e.out.Strings[l.StringOf(k.From)].CurrentA, Reading{}
		if v, post := e.frame.Raw.Battery[k.To].NegativeV, e.frame.Raw.Battery[k.From].VoltageV; v.OK() && post.OK() {
			// Charged, the current goes from the upper battery down; its negative post is then the higher one.
			k.DropV = Reading{Value: v.Value - e.middle.RestsAtV(l.StringOf(k.From), post.Value), Quality: unit.Good}
		}
	}
}

// stringCharges fills in the charges of the strings' batteries against each other.
func (e *Engine) stringCharges() {
	for k := range e.out.Strings {
		s := &e.out.Strings[k]
		s.SpreadPct, s.WeakestKnown = Estimate{}, false
		low, high := &e.out.Battery[s.From].SoCPct, &e.out.Battery[s.To].SoCPct
		s.DrawSharePct, s.ChargeSharePct = e.out.Battery[s.From].DrawSharePct, e.out.Battery[s.From].ChargeSharePct
		if !low.Known || !high.Known {
			continue
		}
		s.SpreadPct = Estimate{
			Value: math.Abs(low.Value - high.Value), Sigma: math.Hypot(low.Sigma, high.Sigma), Known: true,
		}
		lowAh, lowSigma := e.leftAh(s.From)
		highAh, highSigma := e.leftAh(s.To)
		s.Weakest = s.From
		if highAh < lowAh {
			s.Weakest = s.To
		}
		s.WeakestKnown = math.Abs(highAh-lowAh) > math.Hypot(lowSigma, highSigma)
	}
}

// leftAh returns what battery i has left, with its deviation.
func (e *Engine) leftAh(i int) (ah, sigma float64) {
	soc, full := e.out.Battery[i].SoCPct, e.fullAh(i)
	return soc.Value / 100 * full.Value, math.Hypot(soc.Sigma/100*full.Value, soc.Value/100*full.Sigma)
}

// matesOf returns what is known of the other batteries of a battery's string.
func (e *Engine) matesOf(i int) (m bank.Mates) {
	s := e.stringOf(i)
	if s == nil {
		return m
	}
	for k := s.From; k <= s.To; k++ {
		if k != i {
			m.Any, m.Full = true, m.Full || bank.IsFull(e.out.Battery[k].SoCPct)
		}
	}
	return m
}

// fullAh returns the capacity of battery i, the rated one where it was not learned.
func (e *Engine) fullAh(i int) Estimate {
	if c := e.out.Battery[i].CapacityAh; c.Known {
		return c
	}
	return Estimate{Value: e.cfg.Batteries[i].RatedAh}
}

// stringCharge returns the charge of string k in percent of its own full capacity, and its rated capacity. Its
// battery with the least left is what the string has, and its smallest one what it holds.
func (e *Engine) stringCharge(k int) (soc Estimate, ratedAh float64) {
	l := e.cfg.Layout
	if l == unit.Parallel {
		return e.out.Battery[k].SoCPct, e.cfg.Batteries[k].RatedAh
	}
	ratedAh, fullAh, left := math.Inf(1), math.Inf(1), math.Inf(1)
	known, sigma := true, 0.0
	for i := l.Lowest(k); i <= l.Highest(k); i++ {
		b := &e.out.Battery[i]
		known = known && b.SoCPct.Known
		ratedAh, fullAh = min(ratedAh, e.cfg.Batteries[i].RatedAh), min(fullAh, e.fullAh(i).Value)
		if ah, _ := e.leftAh(i); ah < left {
			left, sigma = ah, b.SoCPct.Sigma*e.fullAh(i).Value
		}
	}
	if !known {
		return Estimate{}, ratedAh
	}
	return Estimate{Value: min(100*left/fullAh, 100), Sigma: sigma / fullAh, Known: true}, ratedAh
}

// stepMiddles shows the scan to what learns the links between the batteries of strings.
func (e *Engine) stepMiddles() {
	if e.cfg.Layout == unit.Parallel {
		return
	}
	var ok [MaxBatteries]bool
	for k := range e.out.Strings {
		s := &e.out.Strings[k]
		ok[k] = e.trust.PostBelieved(s.From) && e.read.Battery[s.From].VoltageV.OK() && s.CurrentA.OK() &&
			!e.trust.Doubted(unit.ChannelOf(unit.BatteryNegative, s.To))
	}
	running, since := e.motor.Running()
	e.middle.Step(e.frame.Raw, network.Facts{Running: running, RunFor: e.last - since}, &ok)
}
