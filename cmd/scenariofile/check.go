package scenariofile

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"liftbank/agent/config/strict"
	"liftbank/sim/scenario"
)

// checks are about several fields. Each field by itself is accepted already or has its error.
type checks struct {
	r  *strict.Reading
	sc *scenario.Scenario
}

func (c *checks) all() {
	c.bank()
	c.wiring()
	c.motorAndFeed()
	c.duty()
	for i := range c.sc.Faults {
		c.fault(i)
	}
	for i := range c.sc.Sensors.Errors {
		c.channel(c.sc.Sensors.Errors[i].Channel, fmt.Sprintf("sensors.errors[%d].channel", i))
	}
	for i := range c.sc.Sensors.Faults {
		c.sensorFault(i)
	}
	for i, name := range c.sc.Expect {
		if !slices.Contains(scenario.Findings, name) {
			c.r.Refuse(fmt.Sprintf("expect[%d]", i), "", "want "+strict.OrList(scenario.Findings))
		}
	}
}

func (c *checks) bank() {
	b := &c.sc.Bank
	n := len(b.Batteries)
	refuse := func(field, layout, want string) {
		c.r.Refuse(field, fmt.Sprintf("%s with %d batteries", layout, n), want, "bank.batteries")
	}
	switch {
	case b.Layout == scenario.SeriesPairs && n%2 != 0:
		refuse("bank.layout", b.Layout, "want 2 or 4 batteries")
	case b.Layout == scenario.Series && n != 2:
		refuse("bank.layout", b.Layout, "want 2 batteries")
	case b.Configured == scenario.SeriesPairs && n != 4:
		refuse("bank.configured", b.Configured, "want 4 batteries")
	case b.Configured == scenario.Series && n != 2:
		refuse("bank.configured", b.Configured, "want 2 batteries")
	}
	for k := range b.Batteries {
		c.battery(k)
	}
}

func (c *checks) battery(k int) {
	bank := &c.sc.Bank
	b := &bank.Batteries[k]
	at := fmt.Sprintf("bank.batteries[%d]", k)
	if first := bank.Index(b.ID); first != k {
		c.r.Refuse(at+".id", b.ID, fmt.Sprintf("want another: batteries[%d] has it", first))
	}
	// A closed ring of batteries against each other shorts 25 V through milliohms: a fire, not a
	// scenario.
	if b.Reversed && len(bank.Batteries) > 1 && !apart(bank, k) {
		const want = "want a bank of one battery, or links of 1e6 mΩ on one side of it"
		c.r.Refuse(at+".reversed", "true in a closed bank", want, "bank.wiring")
	}
	// The range in which cell.New knows the relation of cranking current to capacity.
	if ratio := b.RatedCCA / b.RatedAh; ratio < 0.5 || ratio > 20 {
		c.r.Refuse(at+".rated_cca", strict.FormatNumber(b.RatedCCA), "want 0.5 to 20 times rated_ah", at+".rated_ah")
	}
}

// openMohm is the resistance from which a link counts as off, in mΩ.
const openMohm = 1e6

// apart reports whether battery k has no closed link on at least one side of the bank.
func apart(b *scenario.Bank, k int) bool {
	off := func(links []float64) bool {
		if len(links) != len(b.Batteries)-1 {
			return true // an error already
		}
		return (k == 0 || links[k-1] >= openMohm) && (k == len(links) || links[k] >= openMohm)
	}
	return off(b.Wiring.PositiveLinkMohm) || off(b.Wiring.NegativeLinkMohm)
}

func (c *checks) wiring() {
	w, n := &c.sc.Bank.Wiring, len(c.sc.Bank.Batteries)
	for _, l := range []struct {
		field string
		mohm  []float64
		n     int
	}{
		{"positive_link_mohm", w.PositiveLinkMohm, n - 1}, {"negative_link_mohm", w.NegativeLinkMohm, n - 1},
		{"positive_post_mohm", w.PositivePostMohm, n}, {"negative_post_mohm", w.NegativePostMohm, n},
	} {
		if len(l.mohm) != l.n {
			want := fmt.Sprintf("want one for all, or %d", l.n)
			c.r.Refuse("bank.wiring."+l.field, fmt.Sprintf("a list of %d", len(l.mohm)), want, "bank.batteries")
		}
	}
	for _, l := range []struct{ field, id string }{
		{"feed_leads.positive_at", w.FeedLeads.PositiveAt}, {"feed_leads.negative_at", w.FeedLeads.NegativeAt},
		{"load_leads.positive_at", w.LoadLeads.PositiveAt}, {"load_leads.negative_at", w.LoadLeads.NegativeAt},
	} {
		c.inBank("bank.wiring."+l.field, l.id)
	}
}

func (c *checks) inBank(field, id string) {
	if c.sc.Bank.Index(id) < 0 {
		c.r.Refuse(field, "", "want the id of a battery of this bank", "bank.batteries")
	}
}

func (c *checks) motorAndFeed() {
	m, f := &c.sc.Motor, &c.sc.Feed
	if m.ReliefA < m.RunA {
		c.r.Refuse("motor.relief_a", "", "want run_a or more: "+strict.FormatNumber(m.RunA), "motor.run_a")
	}
	if emf := m.NominalV - m.RunA*m.ResistanceMohm/1000; emf < 1 {
		const want = "want less, so that run_a leaves more than 1 V of nominal_v"
		c.r.Refuse("motor.resistance_mohm", "", want, "motor.run_a", "motor.nominal_v")
	}
	switch {
	case (f.Across != "" || f.EqualizerA > 0) && c.sc.Bank.Blocks() == 1:
		c.r.Refuse("feed", "across or equalizer_a", "want them with a bank in series only", "bank.layout")
	case f.Across != "" && f.EqualizerA > 0:
		c.r.Refuse("feed.equalizer_a", "", "want it left out where the feed is across one battery")
	case f.Across != "":
		c.inBank("feed.across", f.Across)
	}
	if f.FloatV > f.AbsorptionV {
		want := "want absorption_v or less: " + strict.FormatNumber(f.AbsorptionV)
		c.r.Refuse("feed.float_v", strict.FormatNumber(f.FloatV), want, "feed.absorption_v")
	}
	if f.MinInputV >= f.AlternatorV {
		want := "want less than alternator_v: " + strict.FormatNumber(f.AlternatorV)
		c.r.Refuse("feed.min_input_v", strict.FormatNumber(f.MinInputV), want, "feed.alternator_v")
	}
}

func (c *checks) duty() {
	d := &c.sc.Duty
	for field, p := range map[string][2]time.Duration{
		"drive": d.Drive, "far_drive": d.FarDrive, "stay": d.Stay, "up": d.Up, "gap": d.Gap, "nudge": d.Nudge,
	} {
		if p[0] > p[1] {
			c.pair(field, strict.FormatDuration(p[0]), strict.FormatDuration(p[1]))
		}
	}
	for field, p := range map[string][2]int{
		"stops": d.Stops, "lifts_per_stop": d.LiftsPerStop, "nudges_per_stop": d.NudgesPerStop,
	} {
		if p[0] > p[1] {
			c.pair(field, fmt.Sprint(p[0]), fmt.Sprint(p[1]))
		}
	}
}

func (c *checks) pair(field, first, second string) {
	c.r.Refuse("duty."+field, fmt.Sprintf("[%s, %s]", first, second), "want the smaller first")
}

func (c *checks) fault(i int) {
	f, at := &c.sc.Faults[i], fmt.Sprintf("faults[%d]", i)
	kind := c.kind(scenario.Kinds, f.Kind, at)
	if kind == nil {
		return
	}
	c.needs(kind, at, []string{"battery", "side", "mohm", "volt", "amp", "factor", "hold", "aging"})
	c.within(f.At, at)
	if !slices.Contains(kind.Needs, "battery") || f.Battery == "" {
		return
	}
	c.inBank(at+".battery", f.Battery)
	c.link(f, at)
	c.ofString(f, at)
}

// link refuses a link that the bank does not have. In strings the positive ones lead from battery to
// battery, b to d between the strings' plus; the only negative one joins the strings' minus, a to c.
func (c *checks) link(f *scenario.Fault, at string) {
	k, last := c.sc.Bank.Index(f.Battery), len(c.sc.Bank.Batteries)-1
	switch {
	case !strings.HasPrefix(f.Kind, "link-"):
	case k == last:
		c.r.Refuse(at+".battery", "", "want a battery with a link to a next one", "bank.batteries")
	case c.sc.Bank.Blocks() > 1 && f.Side == "negative" && (k > 0 || last < 2):
		c.r.Refuse(at+".side", f.Side, "want positive: of strings only the two minus are joined by a negative link, that of a",
			"bank.layout")
	}
}

// ofString refuses what only a string can have.
func (c *checks) ofString(f *scenario.Fault, at string) {
	if f.Kind == "tap-load" && c.sc.Bank.Blocks() == 1 {
		c.r.Refuse(at+".kind", f.Kind, "want a bank in series: of one in parallel it is a drain", "bank.layout")
	}
}

func (c *checks) sensorFault(i int) {
	f, at := &c.sc.Sensors.Faults[i], fmt.Sprintf("sensors.faults[%d]", i)
	kind := c.kind(scenario.SensorKinds, f.Kind, at)
	if kind == nil {
		return
	}
	c.needs(kind, at, []string{"channel", "with", "chip", "value", "every"})
	c.within(f.At, at)
	if slices.Contains(kind.Needs, "channel") {
		c.channel(f.Channel, at+".channel")
	}
	if slices.Contains(kind.Needs, "with") {
		c.channel(f.With, at+".with")
	}
}

// kind returns the kind of a fault. It reports an unknown one and returns nil.
func (c *checks) kind(kinds []scenario.Kind, name, at string) *scenario.Kind {
	k := scenario.KindNamed(kinds, name)
	if k == nil {
		var names []string
		for i := range kinds {
			names = append(names, kinds[i].Name)
		}
		c.r.Refuse(at+".kind", strict.Show(name), "want "+strict.OrList(names))
	}
	return k
}

// needs reports fields that a kind needs and the file lacks, and those that mean nothing to it.
func (c *checks) needs(kind *scenario.Kind, at string, all []string) {
	for _, field := range all {
		needed := slices.Contains(kind.Needs, field)
		switch given := c.r.Has(at + "." + field); {
		case needed && !given:
			c.r.Refuse(at+"."+field, "missing", "want it with kind "+kind.Name)
		case given && !needed:
			c.r.Refuse(at+"."+field, "given", "want it left out with kind "+kind.Name)
		}
	}
}

// within reports a fault that would begin after the run.
func (c *checks) within(at time.Duration, field string) {
	if at >= c.sc.Length() {
		want := fmt.Sprintf("want a time within the run of %s days", strict.FormatNumber(c.sc.Days))
		c.r.Refuse(field+".at", strict.FormatDuration(at), want, "days")
	}
}

func (c *checks) channel(name, field string) {
	_, battery, ok := scenario.SplitChannel(name)
	if !ok || battery != "" && c.sc.Bank.Index(battery) < 0 {
		const want = "want feed, motor, input, control, ambient, oil, or voltage, negative, current or temperature, alone or with -a to -d of " +
			"this bank"
		c.r.Refuse(field, strict.Show(name), want, "bank.batteries")
	}
}
