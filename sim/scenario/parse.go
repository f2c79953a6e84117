package scenario

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"path"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// largestFile is more than any story needs; it keeps a wrong file from taking memory.
const largestFile = 1 << 20

// mostFaults is more than any story needs; the simulator keeps one bit each.
const mostFaults = 64

// Parse reads a scenario file; file is its name, for errors and as the default of the scenario's name.
//
// The error, if any, joins one error a mistake: "file:line: field: got: want what is accepted".
func Parse(file string, data []byte) (Scenario, error) {
	root, err := tree(file, data)
	if err != nil {
		return Scenario{}, err
	}
	sc := Default()
	c := &checker{file: file, lines: map[string]int{}}
	if root != nil {
		c.value(root, reflect.TypeFor[Scenario](), "", "")
		if err := c.err(); err != nil {
			return Scenario{}, err
		}
		if err := yaml.NewDecoder(bytes.NewReader(data), yaml.Strict()).Decode(&sc); err != nil {
			return Scenario{}, fmt.Errorf("%s: %w", file, err)
		}
	}
	c.complete(&sc)
	c.judge(&sc)
	if err := c.err(); err != nil {
		return Scenario{}, err
	}
	return sc, nil
}

// tree parses the file's one document; nil for an empty one.
func tree(file string, data []byte) (ast.Node, error) {
	if len(data) > largestFile {
		return nil, fmt.Errorf("%s: %d bytes: want at most %d", file, len(data), largestFile)
	}
	parsed, err := parser.ParseBytes(data, 0)
	if err != nil {
		var syntax *yaml.SyntaxError
		if errors.As(err, &syntax) && syntax.Token != nil {
			return nil, fmt.Errorf("%s:%d: %s", file, syntax.Token.Position.Line, syntax.Message)
		}
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	switch {
	case len(parsed.Docs) > 1:
		return nil, fmt.Errorf("%s: %d documents: want one", file, len(parsed.Docs))
	case len(parsed.Docs) == 0 || parsed.Docs[0].Body == nil:
		return nil, nil
	}
	body := parsed.Docs[0].Body
	if _, only := body.(*ast.CommentGroupNode); only {
		return nil, nil
	}
	return body, nil
}

// complete fills in what a list's element can't have a default for before it is read.
func (c *checker) complete(sc *Scenario) {
	if sc.Name == "" {
		sc.Name = strings.TrimSuffix(path.Base(c.file), path.Ext(c.file))
	}
	for k := range sc.Bank.Batteries {
		c.completeBattery(&sc.Bank.Batteries[k], k)
	}
	n := len(sc.Bank.Batteries)
	w := &sc.Bank.Wiring
	w.PositiveLinkMohm = c.spread(w.PositiveLinkMohm, n-1, defaultLinkMohm, "bank.wiring.positive_link_mohm")
	w.NegativeLinkMohm = c.spread(w.NegativeLinkMohm, n-1, defaultLinkMohm, "bank.wiring.negative_link_mohm")
	w.PositivePostMohm = c.spread(w.PositivePostMohm, n, defaultPostMohm, "bank.wiring.positive_post_mohm")
	w.NegativePostMohm = c.spread(w.NegativePostMohm, n, defaultPostMohm, "bank.wiring.negative_post_mohm")
	for _, leads := range []*Leads{&w.FeedLeads, &w.LoadLeads} {
		leads.complete(sc.Bank.Batteries)
	}
}

func (c *checker) completeBattery(b *Battery, k int) {
	def := defaultBattery("abcd"[k%4 : k%4+1])
	at := fmt.Sprintf("bank.batteries[%d].", k)
	set := func(field string, fill func()) {
		if !c.given(at + field) {
			fill()
		}
	}
	set("id", func() { b.ID = def.ID })
	set("chemistry", func() { b.Chemistry = def.Chemistry })
	set("rated_ah", func() { b.RatedAh = def.RatedAh })
	set("rated_cca", func() { b.RatedCCA = def.RatedCCA })
	set("soc_pct", func() { b.SoCPct = def.SoCPct })
}

// spread makes a list of n out of none (all the default), one (all the same) or n values.
func (c *checker) spread(given []float64, n int, def float64, field string) []float64 {
	n = max(0, n)
	switch len(given) {
	case 0:
		given = []float64{def}
		fallthrough
	case 1:
		return slices.Repeat(given, n)
	case n:
		return given
	}
	c.complain(field, fmt.Sprintf("%d values", len(given)), fmt.Sprintf("1 or %d", n))
	return slices.Repeat([]float64{def}, n)
}

// complete turns a placement by word into one by battery.
func (l *Leads) complete(batteries []Battery) {
	if len(batteries) == 0 {
		return
	}
	first, last := batteries[0].ID, batteries[len(batteries)-1].ID
	if l.At == "same-post" {
		last = first
	}
	l.PositiveAt, l.NegativeAt = orElse(l.PositiveAt, first), orElse(l.NegativeAt, last)
}

// judge checks what concerns several fields.
func (c *checker) judge(sc *Scenario) {
	c.judgeBank(&sc.Bank)
	c.judgeDuty(&sc.Duty)
	if sc.Motor.ReliefA < sc.Motor.RunA {
		c.complain("motor.relief_a", number(sc.Motor.ReliefA), "run_a or more: "+number(sc.Motor.RunA))
	}
	if emf := sc.Motor.NominalV - sc.Motor.RunA*sc.Motor.ResistanceMohm/1000; emf < 1 {
		c.complain("motor.resistance_mohm", number(sc.Motor.ResistanceMohm), "so little that run_a leaves over 1 V of nominal_v")
	}
	if sc.Feed.FloatV > sc.Feed.AbsorptionV {
		c.complain("feed.float_v", number(sc.Feed.FloatV), "absorption_v or less: "+number(sc.Feed.AbsorptionV))
	}
	if sc.Feed.MinInputV >= sc.Feed.AlternatorV {
		c.complain("feed.min_input_v", number(sc.Feed.MinInputV), "less than alternator_v: "+number(sc.Feed.AlternatorV))
	}
	if n := len(sc.Faults); n > mostFaults {
		c.complain("faults", strconv.Itoa(n), "at most "+strconv.Itoa(mostFaults))
	}
	for i := range sc.Faults {
		c.judgeFault(sc, i)
	}
	for i := range sc.Sensors.Errors {
		c.channel(sc, sc.Sensors.Errors[i].Channel, fmt.Sprintf("sensors.errors[%d].channel", i))
	}
	for i := range sc.Sensors.Faults {
		c.judgeSensorFault(sc, i)
	}
	for i, name := range sc.Expect {
		if !slices.Contains(Findings, name) {
			c.complain(fmt.Sprintf("expect[%d]", i), strconv.Quote(name), "one of "+strings.Join(Findings, ", "))
		}
	}
}

func (c *checker) judgeBank(b *Bank) {
	const most = 4
	n := len(b.Batteries)
	if n < 1 || n > most {
		c.complain("bank.batteries", fmt.Sprintf("%d", n), "1 to 4")
		return
	}
	if b.Layout == "series-pairs" && n%2 != 0 {
		c.complain("bank.layout", "series-pairs with "+strconv.Itoa(n)+" batteries", "2 or 4 batteries")
	}
	for k := range b.Batteries {
		c.judgeBattery(b, k)
	}
	for _, l := range []struct{ field, id string }{
		{"bank.wiring.feed_leads.positive_at", b.Wiring.FeedLeads.PositiveAt},
		{"bank.wiring.feed_leads.negative_at", b.Wiring.FeedLeads.NegativeAt},
		{"bank.wiring.load_leads.positive_at", b.Wiring.LoadLeads.PositiveAt},
		{"bank.wiring.load_leads.negative_at", b.Wiring.LoadLeads.NegativeAt},
	} {
		if b.Index(l.id) < 0 {
			c.complain(l.field, strconv.Quote(l.id), "the id of a battery of this bank")
		}
	}
}

func (c *checker) judgeBattery(b *Bank, k int) {
	at := fmt.Sprintf("bank.batteries[%d]", k)
	if first := b.Index(b.Batteries[k].ID); first != k {
		c.complain(at+".id", strconv.Quote(b.Batteries[k].ID), "an id not used before")
	}
	// Closed rings of batteries against each other short 25 V through milliohms: a fire, not a scenario.
	if b.Batteries[k].Reversed && len(b.Batteries) > 1 && !b.apart(k) {
		c.complain(at+".reversed", "true in a closed bank", "a bank of one battery, or links of 1e6 mohm on one side of it")
	}
	// The range in which cell.New knows the relation of cranking current to capacity.
	if ratio := b.Batteries[k].RatedCCA / b.Batteries[k].RatedAh; ratio < 0.5 || ratio > 20 {
		c.complain(at+".rated_cca", number(b.Batteries[k].RatedCCA), "0.5 to 20 times rated_ah")
	}
}

// open is the resistance from which a link counts as off, in mΩ.
const open = 1e6

// apart reports whether battery k has no closed link on at least one side of the bank.
func (b *Bank) apart(k int) bool {
	off := func(links []float64) bool {
		return (k == 0 || links[k-1] >= open) && (k == len(b.Batteries)-1 || links[k] >= open)
	}
	return off(b.Wiring.PositiveLinkMohm) || off(b.Wiring.NegativeLinkMohm)
}

func (c *checker) judgeDuty(d *Duty) {
	for _, r := range []struct {
		field string
		pair  [2]Span
	}{{"drive", d.Drive}, {"far_drive", d.FarDrive}, {"stay", d.Stay}, {"up", d.Up}, {"gap", d.Gap}, {"nudge", d.Nudge}} {
		if r.pair[0] > r.pair[1] {
			c.complain("duty."+r.field, fmt.Sprintf("[%v, %v]", r.pair[0], r.pair[1]), "the smaller first")
		}
	}
	for _, r := range []struct {
		field string
		pair  [2]int
	}{{"stops", d.Stops}, {"lifts_per_stop", d.LiftsPerStop}, {"nudges_per_stop", d.NudgesPerStop}} {
		if r.pair[0] > r.pair[1] {
			c.complain("duty."+r.field, fmt.Sprint(r.pair), "the smaller first")
		}
	}
}

func (c *checker) judgeFault(sc *Scenario, i int) {
	f, at := &sc.Faults[i], fmt.Sprintf("faults[%d]", i)
	kind := kindNamed(Kinds, f.Kind)
	if kind == nil {
		c.complain(at+".kind", strconv.Quote(f.Kind), kindNames(Kinds))
		return
	}
	c.fields(kind, at, []string{"battery", "side", "mohm", "volt", "amp", "factor", "hold", "ageing"})
	c.within(sc, f.At, at)
	if slices.Contains(kind.Needs, "battery") && f.Battery != "" {
		k := sc.Bank.Index(f.Battery)
		if k < 0 {
			c.complain(at+".battery", strconv.Quote(f.Battery), "the id of a battery of this bank")
		} else if strings.HasPrefix(f.Kind, "link-") && k == len(sc.Bank.Batteries)-1 {
			c.complain(at+".battery", strconv.Quote(f.Battery), "a battery with a link to a next one")
		}
	}
}

func (c *checker) judgeSensorFault(sc *Scenario, i int) {
	f, at := &sc.Sensors.Faults[i], fmt.Sprintf("sensors.faults[%d]", i)
	kind := kindNamed(SensorKinds, f.Kind)
	if kind == nil {
		c.complain(at+".kind", strconv.Quote(f.Kind), kindNames(SensorKinds))
		return
	}
	c.fields(kind, at, []string{"channel", "chip", "value", "every"})
	c.within(sc, f.At, at)
	if slices.Contains(kind.Needs, "channel") {
		c.channel(sc, f.Channel, at+".channel")
	}
}

// fields complains of fields that a kind needs and the file lacks, and of such as mean nothing to it.
func (c *checker) fields(kind *Kind, at string, all []string) {
	for _, field := range all {
		needed := slices.Contains(kind.Needs, field)
		switch given := c.given(at + "." + field); {
		case needed && !given:
			c.complain(at+"."+field, "missing", "it with kind "+kind.Name)
		case given && !needed:
			c.complain(at+"."+field, "given", "it not with kind "+kind.Name)
		}
	}
}

// within complains of a fault that would begin after the run.
func (c *checker) within(sc *Scenario, at Span, field string) {
	if at.Duration() >= sc.Length() {
		c.complain(field+".at", at.String(), "a time within the run of "+number(sc.Days)+" days")
	}
}

func (c *checker) channel(sc *Scenario, name, field string) {
	_, battery, ok := SplitChannel(name)
	if !ok || (battery != "" && sc.Bank.Index(battery) < 0) {
		c.complain(field, strconv.Quote(name), "feed, motor, or one of voltage, negative, current, temperature alone or with -a to -d")
	}
}

func number(v float64) string {
	if math.IsNaN(v) {
		return "not a number"
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}
