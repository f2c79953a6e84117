package network

// Arrangement says how the two leads of a pair sit.
type Arrangement uint8

// Arrangements. The zero value is one that can't be told.
const (
	Unknown  Arrangement = iota
	Diagonal             // on opposite ends of the bank: every battery has the same way
	SamePost             // both on one battery
	Between              // any other: on two batteries that are not the ends
)

// String gives the word used everywhere.
func (a Arrangement) String() string {
	return [...]string{"unknown", "diagonal", "same-post", "between"}[a]
}

// Leads is where a pair of leads sits.
type Leads struct {
	Arrangement        Arrangement
	Positive, Negative int     // battery of the lead, from 0; -1: can't be told
	Probability        float64 // of the places that are told, together; 0 to 1
	WaitsFor           string  // what is missing, in words; empty with an arrangement
}

// What an arrangement may wait for.
const (
	waitsForBattery = "a second battery: with one there is nothing to tell"
	waitsForTaps    = "a tap at each negative post: without, the place of the negative lead can't be told"
	waitsForRuns    = "motor runs with the feed off, all voltages and currents read"
	waitsForCharge  = "a charge from discharged to nearly full, all voltages and currents read"
)

// Load gives where the leads of the pump motor sit. Arrangement is Unknown under a probability of 0.95.
func (m *Meter) Load() Leads {
	return m.leads(m.found[Positive].run, m.found[Negative].run, waitsForRuns)
}

// Feed gives where the leads of the converter sit, as Load.
func (m *Meter) Feed() Leads {
	return m.leads(m.found[Positive].charge, m.found[Negative].charge, waitsForCharge)
}

func (m *Meter) leads(positive, negative place, waits string) Leads {
	l := Leads{Positive: -1, Negative: -1}
	if m.n == 1 {
		l.WaitsFor = waitsForBattery
		return l
	}
	l.Probability = 1
	sure := func(p place) (battery int) {
		if p.probability < sayEnough {
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
	case l.Negative < 0 && !m.allTaps():
		l.WaitsFor = waitsForTaps
	case l.Negative < 0:
		l.WaitsFor = waits
	case l.Probability < sayEnough:
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

func (m *Meter) allTaps() bool {
	for k := range m.n {
		if !m.fitted[k] {
			return false
		}
	}
	return true
}

// Link gives the resistance of the link from battery k to k+1 with its lugs, in mΩ, and its standard uncertainty. A link that passes no
// current gives 200, whatever it has above. ok is false before there is evidence (three motor runs, and the place of the lead), while a
// channel it needs gives nothing, and for a link without taps at both posts.
//
// A loose joint at the post of an end battery can't be told from its link by any measurement at the posts, and counts with it.
func (m *Meter) Link(k int, side Side) (mohm, sigmaMohm float64, ok bool) {
	if k < 0 || k >= m.n-1 || !m.lost.link(side, k) {
		return 0, 0, false
	}
	a := m.found[side].links[k]
	if !a.known {
		return 0, 0, false
	}
	return a.value, a.sigma, true
}

// Post gives the resistance of the joint at a battery's post, in mΩ, where it is so large that it is told apart from the links; ok is
// false for a sound one.
func (m *Meter) Post(k int, side Side) (mohm, sigmaMohm float64, ok bool) {
	if k < 0 || k >= m.n || m.lost.current || m.lost.post[side][k] {
		return 0, 0, false
	}
	a := m.found[side].posts[k]
	return a.value, a.sigma, a.known
}

// MotorPath gives what lies between the bank's positive post and the motor's terminal, in mΩ: lead, disconnect, breaker and contactor.
// The negative lead is not in it: the motor's voltage is measured over the bank's negative. ok is false before there is evidence.
func (m *Meter) MotorPath() (mohm, sigmaMohm float64, ok bool) { return path(&m.state.Motor) }

// FeedPath gives what lies between converter and bank's positive post, in mΩ: breaker and positive lead. It needs different currents, as
// in a charge from discharged to full. ok is false before there is evidence.
func (m *Meter) FeedPath() (mohm, sigmaMohm float64, ok bool) { return path(&m.state.Feed) }

func path(l *Line) (mohm, sigmaMohm float64, ok bool) {
	f, ok := l.mohm()
	if !ok || f.sigma > max(2, f.value/2) {
		return 0, 0, false
	}
	return max(f.value, 0), f.sigma, true
}
