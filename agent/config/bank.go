package config

import (
	"fmt"
	"slices"

	"liftbank/rules/leadacid"
)

// Bank is the batteries of a unit.
type Bank struct {
	Layout    Layout
	Batteries []Battery // 1 to 4
}

// Layout is how the batteries are connected.
type Layout string

// Layouts. Parallel is the only one so far.
const Parallel Layout = "parallel"

// Battery is one 12 V block.
type Battery struct {
	ID        string // a, b, c or d
	Chemistry Chemistry
	RatedAh   float64 // Ah at the 20 h rate and 25 °C, 20 to 400; from 1 in a bank file
	RatedCCA  float64 // A, cold cranking rating by SAE J537, 100 to 2000; from 10 in a bank file
}

// Chemistry is the name of a kind of lead-acid battery, one of leadacid.All.
type Chemistry string

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
	choose(s, "layout", &b.Layout, []Layout{Parallel}, about{doc: "how the batteries are connected", required: true})
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
