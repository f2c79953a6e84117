package page

import (
	"fmt"
	"html"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/cmd/slowtest"
)

// strung returns a unit whose batteries are in series: one string, or two in parallel.
func strung(t testing.TB, n int) *snapshot.Snapshot {
	s := simulated(t, "healthy-four")
	v := func(x float64) *float64 { return &x }
	s.Batteries, s.Links = s.Batteries[:2*n], nil
	for i := range s.Batteries {
		s.Batteries[i].VoltageV = v([]float64{12.71, 12.69}[i%2])
	}
	for k := range n {
		low, high := s.Batteries[2*k].ID, s.Batteries[2*k+1].ID
		st := snapshot.String{From: low, To: high, VoltageV: v(25.40), CurrentA: v(-0.1), Weakest: high,
			RestDiffV: snapshot.Estimate{Value: v(-0.021), Sigma: v(0.006)}, HeldDiffV: snapshot.Estimate{Value: v(0.34), Sigma: v(0.02)},
			RunDiffV: snapshot.Estimate{Value: v(-0.11), Sigma: v(0.01)}, SpreadPct: snapshot.Estimate{Value: v(4), Sigma: v(1.2)}}
		if n > 1 {
			st.DrawSharePct = snapshot.Estimate{Value: v(50.4 - 0.8*float64(k)), Sigma: v(0.6)}
			st.ChargeSharePct = snapshot.Estimate{Value: v(49.2 + 1.6*float64(k)), Sigma: v(0.9)}
		}
		s.Strings = append(s.Strings, st)
		s.Links = append(s.Links, snapshot.Link{Side: "middle", From: low, To: high, ResistanceMohm: snapshot.Estimate{Value: v(0.41), Sigma: v(0.05)}})
	}
	if n > 1 {
		s.Links = append([]snapshot.Link{
			{Side: "positive", From: "b", To: "d", ResistanceMohm: snapshot.Estimate{Value: v(0.31), Sigma: v(0.05)}},
			{Side: "negative", From: "a", To: "c", ResistanceMohm: snapshot.Estimate{Value: v(0.29), Sigma: v(0.05)}},
		}, s.Links...)
		s.Bank.MotorLeadsAt, s.Bank.FeedLeadsAt = &snapshot.Leads{Positive: "d", Negative: "a"}, &snapshot.Leads{Positive: "b", Negative: "c"}
	} else {
		s.Bank.MotorLeadsAt, s.Bank.FeedLeadsAt, s.Bank.MotorLeads, s.Bank.FeedLeads = nil, nil, "unknown", "unknown"
	}
	s.Bank.VoltageV, s.Bank.CurrentA = v(25.40), v(-0.1*float64(n))
	s.Feed.VoltageV, s.Motor.VoltageV = v(27.3), v(25.4)
	s.Findings = nil
	return s
}

// found adds a finding that stands.
func found(s *snapshot.Snapshot, name, subject, severity string) {
	s.Findings = append(s.Findings, snapshot.Finding{Name: name, Subject: subject, Severity: severity, State: "unacknowledged",
		Active: true, Since: s.At, Title: name})
}

// In series nothing is said that has no meaning there, and what the batteries have together is said once.
func TestPartsOfStrings(t *testing.T) {
	to, es := words.Readers[0], words.Readers[2]
	names := func(v sheetView) (all []string) {
		for _, r := range v.Rows {
			all = append(all, r.Name)
		}
		for _, p := range v.Total {
			all = append(all, p.Name)
		}
		return all
	}
	one, two := newView(to, strung(t, 1), false), newView(to, strung(t, 2), false)
	for _, key := range []string{"DrawShare", "ChargeShare", "Circulating", "LoadLeads", "FeedLeads"} {
		assert.NotContains(t, names(one), to.W[key], "one string shares with nothing")
	}
	for _, key := range []string{"Circulating", "LoadLeads", "FeedLeads"} {
		assert.Contains(t, names(two), to.W[key], "two strings do")
	}
	assert.Equal(t, []string{"a\u2011b"}, one.Strings)
	assert.Equal(t, []string{"a\u2011b", "c\u2011d"}, two.Strings)
	same := strung(t, 2)
	same.Bank.MotorLeads = "same-post"
	assert.Contains(t, fmt.Sprint(newView(to, same, false).Total), "both on one string")
	said := func(v sheetView) string {
		text := ""
		for _, r := range v.Series {
			text += fmt.Sprintln(r.Name, r.Cells)
		}
		return text
	}
	for _, want := range []string{"Voltage, V [{25.40 }]", "Difference at rest, V [{−0.021 ±\u00a00.006}]",
		"Difference at the end of a charge, V [{+0.34 ±\u00a00.02}]", "Weaker battery [{b }]"} {
		assert.Contains(t, said(one), want)
	}
	assert.NotContains(t, said(one), to.W["DrawShare"])
	assert.Contains(t, said(two), "Discharge share, % [{50 ±\u00a01} {50 ±\u00a01}]")
	assert.Contains(t, said(newView(es, strung(t, 1), false)), "Batería más débil [{b }]")
	assert.Equal(t, "by battery b, the weaker", one.Ahead[1].By)
	assert.Empty(t, two.Ahead[1].By, "a second string goes on")
	assert.Equal(t, "25.40\u00a0V", one.BankGist)

	wrong := strung(t, 1)
	found(wrong, "parallel-wired", "", "urgent")
	v := newView(to, wrong, false)
	assert.Empty(t, v.Series, "nothing is known of strings that are none")
	assert.Empty(t, v.Ahead[1].By)
	assert.Contains(t, string(v.Drawing), ">wired in parallel<")
	assert.Contains(t, string(v.Drawing), ">not judged<")
}

// What it costs that the batteries are of different kinds is one sentence, of what costs most.
func TestMixedIsOneSentence(t *testing.T) {
	to := words.Readers[0]
	s := strung(t, 1)
	assert.Empty(t, view.MixedText(to, s))
	s.Batteries[1].RatedAh, s.Batteries[1].RatedCCA = 60, 400
	s.Bank.Mixed = []snapshot.Mixed{{Battery: "b", From: "a", What: "rated_cca", Series: true}, {Battery: "b", From: "a", What: "rated_ah", Series: true}}
	assert.Equal(t, "Mixed string: battery b (60 Ah) is empty before a (80 Ah), so 20 Ah are never used and b can be reversed.",
		view.MixedText(to, s))
	assert.Contains(t, view.MixedText(words.Readers[2], s), "20 Ah nunca se usan")
	s.Bank.Mixed[1].Series = false
	assert.Equal(t, "Mixed bank: battery a (80 Ah) works more than b (60 Ah), and shares are judged by that.", view.MixedText(to, s))
	s.Bank.Mixed = s.Bank.Mixed[:1]
	assert.Contains(t, view.MixedText(to, s), "battery b is rated for less current than a")
	years := 3.0
	s.Bank.Mixed = []snapshot.Mixed{{Battery: "b", From: "a", What: "age", Older: "a", Years: &years, Series: true}}
	assert.Contains(t, view.MixedText(to, s), "battery a is 3 years older")
	s.Bank.Mixed[0].Years = nil
	assert.Empty(t, view.MixedText(to, s))
	s.Bank.Mixed[0] = snapshot.Mixed{Battery: "b", From: "a", What: "chemistry", Series: true}
	assert.Contains(t, view.MixedText(to, s), "no charge voltage is right for both")
	s.Bank.Mixed[0].Battery = "x"
	assert.Empty(t, view.MixedText(to, s), "no battery has that name")
	page, _, _ := unit(t, strung(t, 1))
	assert.NotContains(t, get(page, "/").Body.String(), "Mixed")
}

// A visit takes the readings of each battery of a string at its own posts, and says whether they add up to
// the bank's.
func TestVisitAddsUpAString(t *testing.T) {
	s, _, _ := unit(t, strung(t, 1), full(t))
	d := begin(t, s)
	text := func(path string) string { return html.UnescapeString(get(s, path, session(s)).Body.String()) }
	assert.NotContains(t, text("/visit/measure/a"), "stands on battery")
	assert.Contains(t, text("/visit/measure/b"), "Battery b stands on battery a: hold the meter on its own two posts.")
	assert.Contains(t, text("/visit/measure/feed"), `name="meter.bank.voltage_v"`)
	assert.Contains(t, text("/visit/measure/feed"), "monitor: 25.4 V")
	r, err := s.opts.Visits.Save(d.ID, 1, map[string]string{
		"meter.a.voltage_v": "12.71", "meter.b.voltage_v": "12,69", "meter.bank.voltage_v": "25.38"}, s.site.Facts())
	require.NoError(t, err)
	require.Empty(t, r.Refusals)
	assert.Contains(t, text("/visit/measure/feed"), "a + b = 25.40 V: that adds up.")
	_, err = s.opts.Visits.Save(d.ID, s.opts.Visits.Draft().Revision, map[string]string{"meter.bank.voltage_v": "24.9"}, s.site.Facts())
	require.NoError(t, err)
	assert.Contains(t, text("/visit/measure/feed"), "a + b = 25.40 V, the bank 24.90 V: 0.50 V apart.")
	assert.Contains(t, text("/check"), "In series each positive post reads all batteries")
	assert.Contains(t, text("/visit/battery/b?new"), "Replace battery b")
	w := post(s, "/visit/battery", url.Values{"id": {d.ID}, "revision": {revision(s)}, "battery": {"b"}, "do": {"replace"},
		"token": {"01234567891"}, "fit.b.serial": {"N7"}}, session(s))
	assert.Contains(t, w.Body.String(), "Batteries in series wear as a pair")
	assert.Contains(t, text("/visit/report"), "Bank, Voltage")
	assert.Contains(t, text("/visit/report"), "String a\u2011b: Difference at rest, V")

	assert.True(t, upperPost(strung(t, 2), "battery_voltage_d"))
	assert.False(t, upperPost(strung(t, 2), "battery_voltage_c"))

	parallel, _, _ := unit(t, sample(t, "healthy"), full(t))
	begin(t, parallel)
	assert.NotContains(t, get(parallel, "/visit/measure/feed", session(parallel)).Body.String(), "meter.bank")
	assert.NotContains(t, get(parallel, "/check").Body.String(), "In series")
}

// The report of a visit to a unit in series prints as that of any other.
func TestPageReportOfAStringPrints(t *testing.T) {
	b := newBench(t)
	b.hub.Publish(numbered(strung(t, 1), 2))
	d := begin(t, b.s)
	_, err := b.opts.Visits.Save(d.ID, 1, map[string]string{"meter.a.voltage_v": "12.71", "meter.b.voltage_v": "12.69",
		"meter.bank.voltage_v": "25.4"}, b.s.site.Facts())
	require.NoError(t, err)
	id := finished(t, b.s)
	tab := b.browse(phone)
	tab.open("/visits/" + id)
	tab.sound("report of a string")
	tab.picture("strings-report-390")
	tab.printed("strings-report")
	tab.signIn()
	begin(t, b.s)
	for _, path := range []string{"/visit/measure/b", "/visit/measure/feed", "/check"} {
		tab.open(path)
		tab.sound(path)
		tab.picture("strings" + strings.ReplaceAll(path, "/", "-"))
	}
}

// Batteries in series are drawn one on the other, in both languages and at all widths, without a text on
// another; what is wrong is marked where it is.
func TestPageOfStrings(t *testing.T) {
	b := newBench(t)
	v := func(x float64) *float64 { return &x }
	longest := strung(t, 2)
	for i := range longest.Batteries {
		longest.Batteries[i].Verdict, longest.Batteries[i].SoCPct = "fit-low", snapshot.Estimate{Value: v(88), Sigma: v(12)}
	}
	for i := range longest.Strings {
		longest.Strings[i].CurrentA = v(-139.14)
	}
	longest.Bank.CurrentA, longest.Motor.Running = v(-278), true
	for i := range longest.Links {
		longest.Links[i].ResistanceMohm = snapshot.Estimate{Value: v(12.9), Sigma: v(0.2)}
	}
	for _, l := range longest.Links {
		found(longest, "link-resistive", l.Side+" link "+l.From+"-"+l.To, "repair")
	}
	found(longest, "share-uneven", "a-b", "repair")
	found(longest, "middle-tap-open", "c", "repair")
	found(longest, "blocks-unequal", "d", "repair")
	open := strung(t, 1)
	open.Links[0].ResistanceMohm = snapshot.Estimate{Value: v(900)}
	found(open, "link-resistive", "middle link a-b", "urgent")
	parallel := strung(t, 2)
	found(parallel, "parallel-wired", "", "urgent")
	units := []struct {
		name string
		s    *snapshot.Snapshot
	}{{"series", strung(t, 1)}, {"pairs", strung(t, 2)}, {"longest", longest}, {"open", open}, {"parallel", parallel}}
	for _, look := range []struct {
		width int64
		lang  string
	}{{phone, "en"}, {desk, "es"}, {320, "es"}} {
		if look.width == 320 && !slowtest.LongAsked() {
			continue
		}
		tab := b.browse(look.width)
		tab.open("/findings")
		tab.follow(`button[lang="` + look.lang + `"]`)
		for _, u := range units {
			name := fmt.Sprintf("strings-%s-%d-%s", u.name, look.width, look.lang)
			s := *u.s
			s.Seq = b.hub.Current().Seq + 1
			b.hub.Publish(&s)
			tab.open("/")
			if look.width == phone || slowtest.LongAsked() {
				tab.sound(name)
			}
			tab.fits(name)
			assert.Empty(t, eval[[]string](tab, overlaps), name)
			tab.picture(name)
		}
	}
}
