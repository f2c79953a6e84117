package config

import (
	"fmt"
	"slices"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Bank is the batteries of a unit.
type Bank struct {
	Layout    Layout
	Mixed     bool      // that its batteries are of different kinds is known, and meant
	Balancer  bool      // something feeds or loads the middles of its strings, past the current sensors
	Batteries []Battery // 1 to 4
}

// Layout is how the batteries are connected.
type Layout string

// Layouts, as in package unit.
const (
	Parallel    Layout = "parallel"
	Series      Layout = "series"
	SeriesPairs Layout = "series-pairs"
)

// Battery is one 12 V block.
type Battery struct {
	ID        string // a, b, c or d
	Chemistry Chemistry
	RatedAh   float64 // Ah at the 20 h rate and 25 °C, 20 to 400; from 1 in a bank file
	RatedCCA  float64 // A, cold cranking rating by SAE J537, 100 to 2000; from 10 in a bank file
}

// Chemistry is the name of a kind of lead-acid battery, one of leadacid.All.
type Chemistry string

// Rules returns the layout as the rules have it.
func (l Layout) Rules() unit.Layout {
	for _, u := range unit.Layouts() {
		if u.String() == string(l) {
			return u
		}
	}
	return unit.Parallel
}

// Index returns the place of a battery in the bank; ok is false, and the place the first, where there is none
// of that ID.
func (b *Bank) Index(id string) (i int, ok bool) {
	for i := range b.Batteries {
		if b.Batteries[i].ID == id {
			return i, true
		}
	}
	return 0, false
}

// Over returns how many batteries in series are between the board's ground and where the voltage of a signal
// is taken.
func (b *Bank) Over(s Signal, battery string) int {
	layout := b.Layout.Rules()
	i, _ := b.Index(battery)
	switch at := i % layout.Blocks(); s { // in its string, from the bank's minus
	case BatteryNegative:
		return at
	case BatteryVoltage:
		return at + 1
	case FeedInput:
		return 1
	}
	return layout.Blocks()
}

const maxBatteries = 4

var (
	batteryIDs  = []string{"a", "b", "c", "d"}
	chemistries = chemistryNames()
	aboutBank   = about{doc: "the batteries; a file with this section alone is a bank file for replay", required: true}
)

func chemistryNames() (names []Chemistry) {
	for _, c := range leadacid.All() {
		names = append(names, Chemistry(c.Name))
	}
	return names
}

// ratings is what a label may say.
type ratings struct{ ah, cca span }

var (
	// liftRatings are those of batteries that a lift can have.
	liftRatings = ratings{ah: span{20, 400, "Ah"}, cca: span{100, 2000, "A"}}
	// anyRatings let a bank file describe the small batteries of recorded tests too.
	anyRatings = ratings{ah: span{1, 400, "Ah"}, cca: span{10, 2000, "A"}}
)

func (b *Bank) read(s *section, of ratings) {
	choose(s, "layout", &b.Layout, []Layout{Parallel, Series, SeriesPairs}, about{
		doc: "how the batteries are connected; series: a below b, 24 V; series-pairs: a below b and c below d, the two " +
			"strings in parallel", required: true,
	})
	s.yesNo("mixed", &b.Mixed, about{doc: "it is known that the batteries are of different kinds or ages; without it, `check` " +
		"refuses such a bank"})
	s.yesNo("balancer", &b.Balancer, about{doc: "series and series-pairs: an equalizer, or an output of the charger, brings current to " +
		"the middles of the strings; the sensors don't see it, so a charge is not taken to say where the feed's leads are, and what one battery of a string loses " +
		"below 6 % a day is not told"})
	list(s, "batteries", &b.Batteries, 1, maxBatteries, about{doc: "one entry for each 12 V battery", required: true},
		func(b *Battery, s *section) { b.read(s, of) })
}

func (b *Battery) read(s *section, of ratings) {
	choose(s, "id", &b.ID, batteryIDs, about{doc: "its name, once in a bank", required: true})
	choose(s, "chemistry", &b.Chemistry, chemistries, about{doc: "kind of battery, from its label", required: true})
	s.number(
		"rated_ah",
		&b.RatedAh,
		of.ah,
		about{doc: "capacity at the 20 h rate, from its label; in a bank file from 1", required: true},
	)
	s.number(
		"rated_cca",
		&b.RatedCCA,
		of.cca,
		about{doc: "cold cranking rating (CCA, SAE J537), from its label; in a bank file from 10", required: true},
	)
}

// RatedSpans returns the least and the largest rated capacity (Ah) and rated CCA (A) that a lift's
// battery can have.
func RatedSpans() (ah, cca [2]float64) {
	return [2]float64{liftRatings.ah.min, liftRatings.ah.max}, [2]float64{liftRatings.cca.min, liftRatings.cca.max}
}

// Check refuses a battery that no lift has.
func (b *Battery) Check() error {
	if !slices.Contains(chemistries, b.Chemistry) {
		return fmt.Errorf("chemistry %q: want %s", b.Chemistry, leadacid.Names())
	}
	for _, r := range []struct {
		what  string
		value float64
		of    span
	}{{"rated_ah", b.RatedAh, liftRatings.ah}, {"rated_cca", b.RatedCCA, liftRatings.cca}} {
		if !(r.value >= r.of.min && r.value <= r.of.max) {
			return fmt.Errorf("%s %g: want %g to %g %s", r.what, r.value, r.of.min, r.of.max, r.of.unit)
		}
	}
	return nil
}

func (b *Bank) check(r *reading) {
	first := map[string]int{}
	for i, one := range b.Batteries {
		path := fmt.Sprintf("bank.batteries[%d].id", i)
		if before, twice := first[one.ID]; twice && one.ID != "" {
			r.refuse(path, "", fmt.Sprintf("want another: batteries[%d] has it", before))
			continue
		}
		first[one.ID] = i
	}
	layout := b.Layout.Rules()
	if layout.Blocks() == 1 && b.Balancer {
		r.refuse("bank.balancer", "true", "want false: only the strings of series and series-pairs have a middle", "bank.layout")
	}
	if layout.Blocks() == 1 || r.hasError("bank.layout") || r.hasError("bank.batteries") {
		return
	}
	if n := len(b.Batteries); layout.Check(n) != nil {
		want := "want 2 batteries, a below b"
		if layout == unit.SeriesPairs {
			want = "want 4 batteries, a below b and c below d"
		}
		if n == 4 && layout == unit.Series {
			want += "; two pairs in parallel are series-pairs"
		}
		r.refuse("bank.layout", fmt.Sprintf("%s with %d", b.Layout, n), want, "bank.batteries")
		return
	}
	for i, one := range b.Batteries {
		if want := batteryIDs[i]; one.ID != want {
			r.refuse(fmt.Sprintf("bank.batteries[%d].id", i), one.ID, fmt.Sprintf("want %s: the batteries of a %s bank are listed "+
				"from a on, and a string from the bank's minus to its plus: a below b, c below d", want, b.Layout), "bank.layout")
			return
		}
	}
}

// has reports whether a battery of that name is in the bank.
func (b *Bank) has(id string) bool {
	for _, one := range b.Batteries {
		if one.ID == id {
			return true
		}
	}
	return false
}
