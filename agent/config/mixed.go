package config

import (
	"fmt"
	"math"
)

// AlikePct is by how much the ratings of the batteries of a bank may differ; common practice, no source.
const AlikePct = 10.0

// Unlike is one way in which a battery differs from the first one of its bank.
type Unlike struct {
	Battery, From string // their IDs
	What          What
	SameString    bool // the two are in one string: one current goes through both
}

// What is a way in which batteries differ.
type What string

// Ways to differ. The last two are not in a configuration: somebody at the unit wrote the dates.
const (
	OtherKind What = "chemistry"
	OtherAh   What = "rated_ah"
	OtherCCA  What = "rated_cca"
	OtherAge  What = "age"
)

// Cost says what it costs to have such batteries in one bank.
func (u *Unlike) Cost() string {
	switch {
	case u.What == OtherKind:
		return "one charge voltage can't be right for both: one is overcharged, or the other never full"
	case u.What == OtherAge && u.SameString:
		return "the older one is empty first and full last, and the newer one ages to match it"
	case u.What == OtherAge:
		return "the newer one works more, and ages to match the older one"
	case u.SameString:
		return "the smaller one is empty first, and is reversed when a lift goes on; what it holds is all that the string gives"
	}
	return "the larger one works more, and the other is charged and aged by it"
}

// Unlike returns every way in which batteries of the bank differ from its first by their labels.
func (b *Bank) Unlike() (all []Unlike) {
	layout := b.Layout.Rules()
	for i := range b.Batteries {
		one, first := &b.Batteries[i], &b.Batteries[0]
		for _, d := range []struct {
			what   What
			differ bool
		}{
			{OtherKind, one.Chemistry.differs(first.Chemistry)},
			{OtherAh, apart(one.RatedAh, first.RatedAh)},
			{OtherCCA, apart(one.RatedCCA, first.RatedCCA)},
		} {
			if d.differ {
				all = append(all, Unlike{
					Battery: one.ID, From: first.ID, What: d.what,
					SameString: layout.Blocks() > 1 && layout.StringOf(i) == 0,
				})
			}
		}
	}
	return all
}

func apart(x, y float64) bool { return math.Abs(x-y) > AlikePct/100*max(x, y) }

// label returns what a battery's label says of a difference.
func (b *Battery) label(what What) string {
	switch what {
	case OtherKind:
		return string(b.Chemistry)
	case OtherAh:
		return formatNumber(b.RatedAh) + " Ah"
	}
	return formatNumber(b.RatedCCA) + " A"
}

// refuseMixed refuses batteries of different kinds.
func (b *Bank) refuseMixed(r *reading) {
	for _, u := range b.Unlike() {
		i, _ := b.Index(u.Battery)
		path := fmt.Sprintf("bank.batteries[%d].%s", i, u.What)
		r.refuse(path, b.Batteries[i].label(u.What), fmt.Sprintf("want one like battery %s (%s): %s. "+
			"Where that is known and meant, write mixed: true in section bank", u.From, b.Batteries[0].label(u.What), u.Cost()),
			"bank.batteries[0]."+string(u.What), "bank.mixed")
	}
}

// differs reports whether two labels say different kinds.
func (c Chemistry) differs(from Chemistry) bool { return c != from }
