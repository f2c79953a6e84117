package bank

import "liftbank/rules/unit"

// Readings returns the mean voltage of n batteries and the sum of their currents. With one current
// missing the sum is that of the others scaled up: good enough to see the motor, and marked as out
// of range, not usable for counting.
func Readings(read *unit.Scan, n int) (v, a unit.Reading) {
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

// FillTemps writes the temperature of each battery, or that of a neighbor in the same box.
func FillTemps(read *unit.Scan, temps []unit.Reading) {
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

// OfStrings returns the mean voltage of strings and the sum of their currents, as Readings does of batteries.
func OfStrings(volts, amps []unit.Reading) (v, a unit.Reading) {
	var s unit.Scan
	for k := range volts {
		s.Battery[k].VoltageV, s.Battery[k].CurrentA = volts[k], amps[k]
	}
	return Readings(&s, len(volts))
}
