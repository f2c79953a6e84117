package network

import (
	"slices"

	"liftbank/rules/unit"
)

// Arrangement says how the two leads of a pair sit.
type Arrangement uint8

// Arrangements. The zero value is one that can't be told.
const (
	Unknown  Arrangement = iota
	Diagonal             // on opposite ends of the bank: every battery has the same way
	SamePost             // both on one battery
	Between              // any other: on two batteries that are not the ends
)

// String returns the word used everywhere.
func (a Arrangement) String() string {
	return [...]string{"unknown", "diagonal", "same-post", "between"}[a]
}

// Leads is where a pair of leads is connected.
type Leads struct {
	Arrangement        Arrangement
	Positive, Negative int        // battery of the lead, from 0; -1: not known
	Probability        float64    // of the places that are known, together; 0 to 1
	WaitsFor           *unit.Text // what is missing; nil with an arrangement
}

// What an arrangement may wait for.
var (
	// WaitsForBattery is of a bank of one battery, or one string.
	WaitsForBattery = unit.Says("waits.second-battery", "a second battery: with one there is nothing to compare")
	waitsForTaps    = unit.Says("waits.negative-taps",
		"a voltage tap at each negative post: without it the negative lead can't be located")
	waitsForRuns   = unit.Says("waits.unfed-runs", "motor runs with the feed off and all voltages and currents read")
	waitsForCharge = unit.Says("waits.charge-curve",
		"a charge from discharged to nearly full with all voltages and currents read")
	waitsForNoBalancer = unit.Says("waits.no-balancer",
		"a charge without the balancer: its current to the middles of the strings passes no sensor")
)

// Load returns where the leads of the pump motor sit. Arrangement is Unknown under a probability of
// 0.95.
func (m *Meter) Load() Leads {
	return m.leads(m.found[Positive].run, m.found[Negative].run, waitsForRuns)
}

// Feed returns where the leads of the converter sit, as Load.
func (m *Meter) Feed() Leads {
	if m.noCharges && m.n > 1 {
		return Leads{Positive: -1, Negative: -1, WaitsFor: waitsForNoBalancer}
	}
	return m.leads(m.found[Positive].charge, m.found[Negative].charge, waitsForCharge)
}

func (m *Meter) leads(positive, negative place, waits *unit.Text) Leads {
	l := Leads{Positive: -1, Negative: -1}
	if m.n == 1 {
		l.WaitsFor = WaitsForBattery
		return l
	}
	l.Probability = 1
	sure := func(p place) (battery int) {
		if p.probability < reportProbability {
			return -1
		}
		l.Probability *= p.probability
		return p.place
	}
	l.Positive, l.Negative = sure(positive), sure(negative)
	if l.Positive < 0 && l.Negative < 0 {
		l.Probability = 0
	}
	switch {
	case l.Positive < 0:
		l.WaitsFor = waits
	case l.Negative < 0 && slices.Contains(m.fitted[:m.n], false):
		l.WaitsFor = waitsForTaps
	case l.Negative < 0:
		l.WaitsFor = waits
	case l.Probability < reportProbability:
		l.WaitsFor = waits
	case l.Positive == l.Negative:
		l.Arrangement = SamePost
	case l.Positive+l.Negative == m.n-1 && l.Positive*l.Negative == 0:
		l.Arrangement = Diagonal
	default:
		l.Arrangement = Between
	}
	return l
}

// Link returns the resistance of the link from battery k to k+1 with its lugs, in mΩ. A link that
// passes no current gives 200, whatever it has above. It is not known before there is evidence
// (three motor runs, and the place of the lead), while a channel it needs gives nothing, and for a
// link without taps at both posts.
//
// A loose joint at the post of an end battery can't be told from its link by any measurement at the
// posts, and counts with it.
func (m *Meter) Link(k int, side Side) unit.Estimate {
	if k < 0 || k >= m.n-1 || !m.state.Pending.Lost.link(side, k) {
		return unit.Estimate{}
	}
	if a := m.found[side].links[k]; a.known {
		return a.estimate()
	}
	return unit.Estimate{}
}

// Post returns the resistance of the joint at a battery's post, in mΩ, where it is so large that it
// is told apart from the links; that of a good one is not known.
func (m *Meter) Post(k int, side Side) unit.Estimate {
	lost := &m.state.Pending.Lost
	if k < 0 || k >= m.n || lost.Current || lost.Post[side][k] {
		return unit.Estimate{}
	}
	return m.found[side].posts[k].estimate()
}
