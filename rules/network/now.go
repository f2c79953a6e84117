package network

import "liftbank/rules/unit"

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
