package rules

import (
	"liftbank/rules/network"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// bankReadings returns the mean voltage of n batteries and the sum of their currents. With one current
// missing the sum is that of the others scaled up: good enough to see the motor, and marked as out of
// range, not usable for counting.
func bankReadings(read *unit.Scan, n int) (v, a unit.Reading) {
	var sumV, sumA float64
	var nV, nA, fitted int
	for i := range n {
		b := &read.Battery[i]
		if b.VoltageV.OK() {
			sumV, nV = sumV+b.VoltageV.Value, nV+1
		}
		if b.CurrentA.OK() {
			sumA, nA = sumA+b.CurrentA.Value, nA+1
		}
		if b.CurrentA.Quality != unit.NotFitted {
			fitted++
		}
	}
	if nV > 0 {
		v = unit.Reading{Value: sumV / float64(nV), Quality: unit.Good}
	} else {
		v.Quality = read.Battery[0].VoltageV.Quality
	}
	switch {
	case nA == n:
		a = unit.Reading{Value: sumA, Quality: unit.Good}
	case nA > 0:
		a = unit.Reading{Value: sumA * float64(n) / float64(nA), Quality: unit.OutOfRange}
	case fitted > 0:
		a.Quality = unit.NoAnswer
	}
	return v, a
}

// fillTemps writes the temperature of each battery, or that of a neighbor in the same box.
func fillTemps(read *unit.Scan, temps []unit.Reading) {
	any := unit.Reading{}
	for i := range temps {
		if t := read.Battery[i].TempC; t.OK() {
			any = t
			break
		}
	}
	for i := range temps {
		temps[i] = read.Battery[i].TempC
		if !temps[i].OK() {
			temps[i] = any
		}
	}
}

// linkNow works out the current through each link by Kirchhoff's law, and the voltage over it. Both are
// positive for a charge current from battery From's side, and not fitted where they can't be known: the
// leads that carry the current can't be located, or a reading is missing.
func linkNow(links []view.LinkState, raw, read *unit.Scan, leads network.Leads, ground [unit.MaxBatteries]bool, n int) {
	for k := range links {
		l := &links[k]
		lead, at := leads.Positive, func(i int) unit.Reading { return raw.Battery[i].VoltageV }
		from, to := l.From, l.To
		if l.Side == network.Negative {
			lead, from, to = leads.Negative, to, from
			at = func(i int) unit.Reading {
				if v := raw.Battery[i].NegativeV; v.Quality != unit.NotFitted || !ground[i] {
					return v
				}
				return unit.Reading{Quality: unit.Good} // the board's ground
			}
		}
		l.DropV, l.CurrentA = unit.Reading{}, unit.Reading{}
		if a, b := at(from), at(to); a.OK() && b.OK() {
			l.DropV = unit.Reading{Value: a.Value - b.Value, Quality: unit.Good}
		}
		if lead >= 0 {
			l.CurrentA = beyond(read, l.From, lead, n)
		}
	}
}

// beyond returns the current into the batteries on the other side of link from-from+1, seen from the lead
// that carries it.
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
