package agent

import (
	"math"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/snapshot"
)

// alikeYears is by how much the ages of batteries in a bank may differ; common practice, no source.
const alikeYears = 1.0

// Mixed returns in which ways batteries of a bank differ from its first: by their ratings, and by the dates
// that somebody at the unit wrote, in the order of the batteries.
func Mixed(bank *config.Bank, passport func(i int) *snapshot.Passport) (all []snapshot.Mixed) {
	for _, u := range bank.Unlike() {
		all = append(all, snapshot.Mixed{Battery: u.Battery, From: u.From, What: string(u.What), Series: u.SameString})
	}
	layout := bank.Layout.Rules()
	for i := 1; i < len(bank.Batteries); i++ {
		first, ok := passport(0).MadeAt()
		at, ok2 := passport(i).MadeAt()
		const year = 365.25 * 24 * time.Hour
		years := math.Round(10*first.Sub(at).Hours()/year.Hours()) / 10 // as it is shown; a leap day makes no difference
		if !ok || !ok2 || math.Abs(years) <= alikeYears {
			continue
		}
		m := snapshot.Mixed{
			Battery: bank.Batteries[i].ID, From: bank.Batteries[0].ID, What: string(config.OtherAge),
			Series: layout.Blocks() > 1 && layout.StringOf(i) == 0, Years: figure(math.Abs(years), 1),
		}
		m.Older = m.From
		if years > 0 {
			m.Older = m.Battery
		}
		all = append(all, m)
	}
	return all
}

// mixed says of a snapshot's bank how it is joined, and in which way its batteries differ.
func (c *Core) mixed(b *snapshot.Bank) {
	b.Layout = c.cfg.Bank.Layout.Rules().String()
	b.Mixed = Mixed(&c.cfg.Bank, func(i int) *snapshot.Passport { return c.known[i].passport })
	b.MixedKnown = c.cfg.Bank.Mixed
	for i := range c.cfg.Bank.Batteries { // a technician who put in another kind knows it
		b.MixedKnown = b.MixedKnown || len(b.Mixed) > 0 && c.known[i].ratingsFrom != ""
	}
}

// sayMixed logs how the batteries differ, once for each such bank. Nothing is refused for it: what stands in
// the box is what is watched.
func (a *Agent) sayMixed() {
	var b snapshot.Bank
	a.core.mixed(&b)
	said := ""
	for _, m := range b.Mixed {
		said += m.Battery + " " + m.What + " "
	}
	if said == a.mixedSaid {
		return
	}
	a.mixedSaid = said
	for _, m := range b.Mixed {
		u := config.Unlike{What: config.What(m.What), SameString: m.Series}
		a.opts.Log.Warn("batteries of different kinds in one bank", "battery", m.Battery, "from", m.From, "what", m.What,
			"known", b.MixedKnown, "cost", u.Cost())
	}
}
