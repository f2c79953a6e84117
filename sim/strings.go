package sim

import (
	"math"
	"time"

	"liftbank/sim/bank"
)

// Truth of batteries in series. A string is as good as its weakest battery.

// Limits of the definitions about strings.
const (
	// A new string is matched within 5 % of capacity; a battery 15 to 20 % under the rest is replaced or
	// the set is (common practice, no source). Into a string whose batteries are not new goes one of
	// similar age with over 90 % of its rated cranking current (US Army TB 9-6140-252-13, 2011).
	unequalCapacity      = 0.15
	unequalCapacityDoubt = 0.07
	unequalPct           = 12.0 // of charge, between two that always carry one current
	unequalDoubtPct      = 4.0
	leakA                = 0.08 // 2 Ah a day that the other battery does not lose; no story leaks just so much
	leakDoubtA           = 0.02
	// 1 V a cell: cells of one battery differ, and with the mean there some have reversed already (common
	// practice: string chargers' and inverters' cut-offs are at 1.75 V a cell, five times as much over it)
	reversalV      = 6.0
	reversalDoubtV = 9.6
	behindV        = 1.5                    // under the others in the run
	inrushFor      = 500 * time.Millisecond // five time constants of a motor that spins up
	tapsV          = 0.12                   // by which taps of 1 % err at 12.4 V a battery
	// A charger's output over what 12 V batteries are charged to, for each that is truly in series.
	halfFeedV, doubleFeedV = 10.0, 20.0
)

// has returns what a bank holds of what it could, in Ah at its ends: of a string as much as its weakest.
func has(b *bank.Bank) (ah, holds float64) {
	w := b.Wiring()
	if w.Layout == bank.Parallel {
		for k := range b.Batteries() {
			c := b.Battery(k)
			ah += float64(c.SoCPct() * c.CapacityAh())
			holds += c.CapacityAh()
		}
		return ah, holds
	}
	for k := 0; k < b.Batteries(); k += 2 {
		lower, upper := b.Battery(k), b.Battery(k+1)
		ah += min(float64(lower.SoCPct()*lower.CapacityAh()), float64(upper.SoCPct()*upper.CapacityAh()))
		holds += min(lower.CapacityAh(), upper.CapacityAh())
	}
	return ah, holds
}

// inStrings reports whether the unit is built for strings and wired so.
func inStrings(u *Unit) bool { return u.sc.Bank.BuiltFor() > 1 && u.sc.Bank.Blocks() > 1 }

// stringBatteries names the batteries of a unit built for strings; one that is not has none.
func stringBatteries(u *Unit) []string {
	if u.sc.Bank.BuiltFor() == 1 {
		return []string{}
	}
	return batteryNames(u)
}

// sharerNames names what shares the current of the bank: batteries in parallel, or strings.
func sharerNames(u *Unit) []string {
	ids := batteryNames(u)
	if u.sc.Bank.BuiltFor() == 1 {
		return ids
	}
	var names []string
	for k := 0; k+1 < len(ids); k += 2 {
		names = append(names, ids[k]+"-"+ids[k+1])
	}
	return names
}

// ratedPart returns the part of the bank's current that what shares it should give by its labels: as its
// conductance, for which the rated cranking current stands, of a string that of its batteries in series.
// mixed reports whether that is not an even part.
func ratedPart(u *Unit, k int) (part float64, mixed bool) {
	blocks, all, own := u.sc.Bank.BuiltFor(), 0.0, 0.0
	first := u.sc.Bank.Batteries[0].RatedCCA
	for j := 0; j+blocks <= len(u.sc.Bank.Batteries); j += blocks {
		ohm := 0.0
		for _, b := range u.sc.Bank.Batteries[j : j+blocks] {
			ohm += 1 / b.RatedCCA
			mixed = mixed || b.RatedCCA != first
		}
		all += 1 / ohm
		if j == k*blocks {
			own = 1 / ohm
		}
	}
	return own / all, mixed
}

// otherOf returns the battery that battery k is in series with.
func otherOf(k int) int { return k ^ 1 }

// ownV returns the voltage between a battery's posts.
func ownV(u *Unit, k int) float64 { return u.bank.Flow.PositiveV[k] - u.bank.Flow.NegativeV[k] }

// judgeUnequal looks at everything that sets a battery behind the one it is in series with.
func judgeUnequal(u *Unit, k int) verdict {
	if !inStrings(u) {
		return no
	}
	b, other := u.bank.Battery(k), u.bank.Battery(otherOf(k))
	label, its := &u.sc.Bank.Batteries[k], &u.sc.Bank.Batteries[otherOf(k)]
	lacks := 1 - b.CapacityAh()/label.RatedAh/(other.CapacityAh()/its.RatedAh)
	behind := other.SoCPct() - b.SoCPct()
	if behind >= unequalDoubtPct && label.RatedAh < its.RatedAh {
		behind = unequalDoubtPct // a smaller one has to be
	}
	leaks := u.faults.now.loadA[k] - u.faults.now.loadA[otherOf(k)]
	switch middle := u.bank.Wiring().PositiveLink[k&^1]; {
	case lacks >= unequalCapacity, behind >= unequalPct, leaks >= leakA:
		return yes
	case lacks >= unequalCapacityDoubt, behind >= unequalDoubtPct, leaks >= leakDoubtA, middle > linkOhm,
		-lacks >= unequalCapacityDoubt, deadCell(u, k): // whichever is more behind at the moment
		return either
	}
	return no
}

// judgeReversal looks at a battery's voltage in a motor run.
func judgeReversal(u *Unit, k int) verdict {
	if !inStrings(u) {
		return no
	}
	if !u.joined || u.bank.Flow.LoadA < flowingA {
		return unknown
	}
	v, other := ownV(u, k), ownV(u, otherOf(k))
	switch {
	case v < 0: // it is reversed, however short the run: a motor that starves ends it at once
		return yes
	case u.count.thisRun < inrushFor:
		return unknown
	case v < reversalV:
		return yes
	case v < reversalDoubtV, other-v >= behindV && v < emptyV:
		return either
	case u.count.thisRun < goodRun:
		return unknown
	}
	return no
}

// judgeFeed looks at whether the feed is one for this many batteries in series.
func judgeFeed(u *Unit) verdict {
	if u.sc.Feed.Across != "" {
		return yes
	}
	if !u.feed.Live() {
		return unknown
	}
	switch v := feedPerBatteryV(u); {
	case v > doubleFeedV:
		return yes
	case v < halfFeedV:
		return either // its output, joined to a bank that stands higher, shows the bank
	}
	return no
}

// feedPerBatteryV returns the voltage that the charger holds, for each battery truly in series.
func feedPerBatteryV(u *Unit) float64 {
	return u.feed.AbsorbsV(u.bank.Battery(0).TempC()) / float64(u.sc.Bank.Blocks())
}

// judgeMiddleTap looks at the tap at the positive post of battery k, the middle of its string.
func judgeMiddleTap(u *Unit, k int) verdict {
	if !inStrings(u) || k%2 != 0 {
		return no
	}
	for i := range u.sc.Sensors.Faults {
		f := &u.sc.Sensors.Faults[i]
		switch {
		case f.Channel != "voltage-"+u.sc.Bank.Batteries[k].ID || !sensorFault(u, i):
		case f.Kind == "channel-open":
			return yes
		default:
			return either
		}
	}
	return no
}

// stringJoints names the links and posts of strings, in the order of stringJoint.
func stringJoints(ids []string) (names []string) {
	for _, id := range ids {
		names = append(names, "positive-post-"+id, "negative-post-"+id)
	}
	for k := 0; k+1 < len(ids); k += 2 {
		names = append(names, "middle-link-"+ids[k]+ids[k+1])
	}
	if len(ids) == 4 {
		names = append(names, "positive-link-"+ids[1]+ids[3], "negative-link-"+ids[0]+ids[2])
	}
	return names
}

// stringJoint gives the resistance of a joint and its limit, in ohms.
func stringJoint(u *Unit, j int) (ohm, limit float64) {
	w, n := u.bank.Wiring(), u.bank.Batteries()
	switch link := j - 2*n; {
	case j < 2*n && j%2 == 0:
		return w.PositivePost[j/2], postOhm
	case j < 2*n:
		return w.NegativePost[j/2], postOhm
	case link < n/2:
		return w.PositiveLink[2*link], linkOhm
	case link == n/2:
		return w.PositiveLink[1], linkOhm
	}
	return w.NegativeLink[1], linkOhm
}

// fullestPct returns how full the bank is as far as a charge is concerned: of strings the battery that is
// least so.
func fullestPct(b *bank.Bank) float64 {
	if b.Wiring().Layout == bank.Parallel {
		ah, holds := has(b)
		return ah / holds
	}
	least := math.Inf(1)
	for k := range b.Batteries() {
		least = min(least, b.Battery(k).SoCPct())
	}
	return least
}
