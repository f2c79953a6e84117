package draw

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/history"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// strung is a bank of strings with nothing but what is drawn.
func strung(pairs bool) *snapshot.Snapshot {
	s := &snapshot.Snapshot{Links: []snapshot.Link{}}
	for i, id := range []string{"a", "b", "c", "d"} {
		s.Batteries = append(s.Batteries, snapshot.Battery{ID: id, Verdict: "fit", VoltageV: f(12.6 + float64(i)/100)})
	}
	s.Strings = []snapshot.String{{From: "a", To: "b", CurrentA: f(-61.4)}, {From: "c", To: "d", CurrentA: f(-59.2)}}
	s.Links = []snapshot.Link{
		{Side: "positive", From: "b", To: "d", ResistanceMohm: snapshot.Estimate{Value: f(0.31)}},
		{Side: "negative", From: "a", To: "c", ResistanceMohm: snapshot.Estimate{Value: f(0.29)}},
		{Side: "middle", From: "a", To: "b", ResistanceMohm: snapshot.Estimate{Value: f(0.41), Sigma: f(0.05)}},
		{Side: "middle", From: "c", To: "d", ResistanceMohm: snapshot.Estimate{Value: f(0.44), Sigma: f(0.05)}},
	}
	s.Bank.VoltageV, s.Bank.CurrentA, s.Motor.Running = f(25.2), f(-120.6), true
	s.Motor.Command, s.Feed.DisconnectClosed = new(true), new(true)
	if !pairs {
		s.Batteries, s.Strings, s.Links = s.Batteries[:2], s.Strings[:1], s.Links[2:3]
	}
	return s
}

// Batteries in series stand one on the other, with the plus end on top, the current of a string once and the
// bank's voltage; both ends of one string are known.
func TestDrawingOfOneString(t *testing.T) {
	s := strung(false)
	d := string(Bank(english, s))
	for _, want := range []string{
		">b</text>", `<path class="w on" d="M306 112V163H52V214"/>`, ">0.41 mΩ<", ">−61.4 A<", ">bank 25.20 V<", ">middle<",
		`M70 28H52V112H52`, `M288 28H320V214H306`, `M88 282H38V112H52`, `M283 282H306V214H306`,
	} {
		assert.Contains(t, d, want)
	}
	assert.Contains(t, d, `y="107">b<`, "the upper battery is on top")
	assert.Contains(t, d, `y="209">a<`)
	assert.Equal(t, 1, strings.Count(d, " A<"), "one current")
	assert.NotContains(t, d, `"w q" d="M70`, "one string's ends are known")
	assert.Contains(t, d, `aria-label="Wiring of the bank; b stands on a in series; a fit; b fit;`)
}

func TestDrawingOfTwoStrings(t *testing.T) {
	s := strung(true)
	s.Bank.MotorLeadsAt = &snapshot.Leads{Positive: "b", Negative: "c"}
	s.Bank.FeedLeadsAt = &snapshot.Leads{Positive: "d", Negative: "a"}
	d := string(Bank(english, s))
	for _, want := range []string{
		`M52 112H38V296H52`, `M306 214H320V398H306`, // links past the middle posts
		`M306 112V163H52V214`, `M306 296V347H52V398`, ">0.31 mΩ<", ">0.29 mΩ<", ">0.44 mΩ<", ">−59.2 A<",
		`M70 28H10V296H52`, `M288 28H320V214H306`, `M88 466H24V112H52`, `M283 466H306V398H306`,
	} {
		assert.Contains(t, d, want)
	}
	s.Bank.FeedLeadsAt.Negative = "c"
	s.Bank.MotorLeadsAt = nil
	d = string(Bank(english, s))
	assert.Contains(t, d, `M288 28H348V398H306`)
	assert.Equal(t, 2, strings.Count(d, `"w q"`), "nobody knows where the motor's leads are")
	for _, bad := range [][]snapshot.String{{{From: "a", To: "x"}, {From: "c", To: "d"}}, {{From: "a", To: "b"}}, {{From: "b", To: "a"}, {From: "c", To: "d"}}} {
		s.Strings = bad // of a newer agent, or damaged
		d = string(Bank(english, s))
		assert.Contains(t, d, `y="107">a<`, "drawn as if side by side")
	}
}

// What is wrong with a string is marked where it is.
func TestDrawingMarksStrings(t *testing.T) {
	finding := func(name, subject string) snapshot.Finding {
		return snapshot.Finding{Name: name, Subject: subject, Severity: "repair", Active: true}
	}
	for want, fs := range map[string]snapshot.Finding{
		`<rect class="bx k" x="70" y="188"`: finding("blocks-unequal", "a"),
		`<rect class="bx k" x="70" y="86"`:  finding("near-reversal", "b"),
		`<circle class="c k" cx="76"`:       finding("middle-tap-open", "a"),
		`<path class="w k" d="M306 112V163`: finding("link-resistive", "middle link a-b"),
		`<rect class="bx k" x="70" y="4"`:   finding("feed-mismatch", ""),
	} {
		s := strung(false)
		s.Findings = []snapshot.Finding{fs}
		d := string(Bank(english, s))
		assert.Contains(t, d, want, fs.Name)
		assert.Equal(t, 1, strings.Count(d, `class="bn`), fs.Name)
	}
	s := strung(false)
	s.Links[0].ResistanceMohm.Value = f(900)
	s.Findings = []snapshot.Finding{finding("link-resistive", "middle link a-b")}
	d := string(Bank(english, s))
	assert.Contains(t, d, "M306 112V163H225M199 163H52V214", "a gap")
	assert.Contains(t, d, ">open</text>")

	s = strung(true)
	s.Findings = []snapshot.Finding{finding("share-uneven", "c-d"), finding("link-resistive", "negative link a-c")}
	d = string(Bank(english, s))
	assert.Contains(t, d, `<text class="e x" x="296" y="339">−59.2 A`)
	assert.Contains(t, d, `<path class="w k" d="M306 214H320V398H306"/>`)

	s.Findings = []snapshot.Finding{{Name: "parallel-wired", Severity: "urgent", Active: true}}
	d = string(Bank(english, s))
	assert.Equal(t, 2, strings.Count(d, ">wired in parallel<"))
	assert.NotContains(t, d, "mΩ", "nothing is known of the links")
	s.Channels = []snapshot.Channel{{Name: "battery_voltage_a", Value: f(12.6)}, {Name: "battery_voltage_b", Value: f(38.2)}}
	s.Findings[0].Name = "series-wired"
	d = string(Bank(english, s))
	assert.Contains(t, d, `<text class="x" x="80" y="128">38.2 V<`)
	assert.Contains(t, d, `<text class="" x="80" y="230">12.6 V<`, "a lower post of 12.6 V is right")
	es := string(Bank(words.Readers[2], s))
	assert.Contains(t, es, "sin dictamen")
}

// Batteries in series have a chart of their own, below the bank's; a string has one current.
func TestChartsOfStrings(t *testing.T) {
	w := window(flat("voltage_v", "", 25.4), flat("voltage_v", "a", 12.70), flat("voltage_v", "b", 12.71),
		flat("current_a", "a", -3), flat("current_a", "b", -3), flat("soc_pct", "a", 90), flat("soc_pct", "b", 80))
	p := Past{Wired: WiredAs(strung(false))}
	all := p.Charts(english, w)
	var kinds []string
	for _, c := range all {
		kinds = append(kinds, c.Kind)
	}
	assert.Equal(t, []string{"voltage_v", "battery_voltage_v", "current_a", "soc_pct"}, kinds)
	assert.Len(t, all[1].Lines, 2, "alike as they are")
	require.Len(t, all[2].Lines, 1)
	assert.Equal(t, "a\u2011b", all[2].Lines[0].Name)
	assert.Len(t, all[3].Lines, 2)
	assert.Nil(t, WiredAs(nil))

	tr := &history.Trace{Start: time.Unix(0, 0), TimesS: []float64{0, 0.1, 0.2}, Series: []history.TraceSeries{
		{Figure: "voltage_v", Battery: "a", Values: []*float64{f(12.5), f(11.4), nil}},
		{Figure: "voltage_v", Battery: "b", Values: []*float64{f(12.6), f(11.2), f(11.3)}},
		{Figure: "motor_voltage_v", Values: []*float64{f(0), f(22.1), f(22.3)}},
		{Figure: "current_a", Battery: "a", Values: []*float64{nil, nil, nil}},
		{Figure: "current_a", Battery: "b", Values: []*float64{f(0), f(-130), f(-66)}},
	}}
	first := FirstSecond(english, tr, p.Wired)
	require.Len(t, first, 3)
	assert.Contains(t, first[0].Name, "Bank 22.60, between 22.60 and 25.10", "the sum, where both are known")
	assert.Contains(t, first[0].Name, "Motor 22.30")
	assert.Equal(t, "battery_voltage_v", first[1].Kind)
	assert.Len(t, first[2].Lines, 1)
	assert.Equal(t, "−66.0", first[2].Lines[0].Last, "of the sensor that there is")
	assert.Len(t, FirstSecond(english, tr, nil), 2, "in parallel all voltages are one")

	c, ok := SmallRun(english, tr, Small{Figures: []string{"voltage_v", "motor_voltage_v"}, Wired: p.Wired})
	require.True(t, ok)
	assert.Len(t, c.Lines, 2, "bank and motor, on one scale")
	c, ok = SmallRun(english, tr, Small{Figures: []string{"voltage_v"}, Of: Blocks, Wired: p.Wired})
	require.True(t, ok)
	assert.Equal(t, "a", c.Lines[0].Name)
	c, ok = p.Small(english, w, Small{Figures: []string{"voltage_v"}, Of: Blocks})
	require.True(t, ok)
	assert.Len(t, c.Lines, 2)
	tr.Series = tr.Series[1:]
	c, ok = SmallRun(english, tr, Small{Figures: []string{"voltage_v", "motor_voltage_v"}, Wired: p.Wired})
	require.True(t, ok)
	assert.Len(t, c.Lines, 1, "no sum without a")
}
