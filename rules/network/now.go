package network

import (
	"math"

	"liftbank/rules/unit"
)

// LinkNow returns the current through the link on a side between batteries from and from+1 of n in
// one scan, by Kirchhoff's law, and the voltage over it. Both are positive for a charge current
// from battery from's side. Both are not fitted where they can't be known: the leads that carry the
// current can't be located, or a reading is missing. The posts of raw are over the board's ground,
// which ground says of a negative post without a tap; the currents of read are those that are
// believed.
func LinkNow(
	side Side, from, n int, leads Leads, raw, read *unit.Scan, ground *[unit.MaxBatteries]bool,
) (amps, dropV unit.Reading) {
	lead, a, b := leads.Positive, raw.Battery[from].VoltageV, raw.Battery[from+1].VoltageV
	if side == Negative {
		lead, a, b = leads.Negative, negative(raw, from+1, ground), negative(raw, from, ground)
	}
	if a.OK() && b.OK() {
		dropV = unit.Reading{Value: a.Value - b.Value, Quality: unit.Good}
	}
	if lead >= 0 {
		amps = beyond(read, from, lead, n)
	}
	return amps, dropV
}

// LeastNowA is named by the first step of the page's test of joints. 1 mV, which any voltage channel
// may be off by, is then 0.2 mΩ, half of a good link.
const LeastNowA = 5.0 // A: from which one scan tells a resistance; our choice

// MohmNow returns the resistance in mΩ that one scan shows of what carries a current in the
// direction of a drop. It is not fitted where either is missing or the current is too small.
func MohmNow(amps, dropV unit.Reading) unit.Reading {
	if !amps.OK() || !dropV.OK() || math.Abs(amps.Value) < LeastNowA {
		return unit.Reading{}
	}
	return unit.Reading{Value: 1000 * dropV.Value / amps.Value, Quality: unit.Good}
}

// PathNow returns the drop from one voltage to another in one scan, and the resistance of the path
// between them in mΩ. amps is the current that way. Both are not fitted where it isn't enough.
func PathNow(fromV, endV, amps unit.Reading) (dropV, mohm unit.Reading) {
	if !fromV.OK() || !endV.OK() || !amps.OK() || amps.Value < LeastNowA {
		return unit.Reading{}, unit.Reading{}
	}
	dropV = unit.Reading{Value: fromV.Value - endV.Value, Quality: unit.Good}
	return dropV, MohmNow(amps, dropV)
}

func negative(raw *unit.Scan, i int, ground *[unit.MaxBatteries]bool) unit.Reading {
	v := raw.Battery[i].NegativeV
	if v.Quality == unit.NotFitted && ground[i] {
		return unit.Reading{Quality: unit.Good}
	}
	return v
}

// beyond returns the current into the batteries on the other side of link from-from+1, seen from
// the lead that carries it.
func beyond(read *unit.Scan, from, lead, n int) unit.Reading {
	sum := 0.0
	for i := range n {
		if (i > from) != (lead <= from) {
			continue
		}
		a := read.Battery[i].CurrentA
		if !a.OK() {
			return unit.Reading{}
		}
		sum += a.Value
	}
	if lead > from {
		sum = -sum
	}
	return unit.Reading{Value: sum, Quality: unit.Good}
}
