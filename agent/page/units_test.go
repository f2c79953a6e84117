package page

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// simulated returns the snapshot of a simulated unit: of `liftbank demo --scenario NAME`, as
// /api/v1/snapshot gave it.
func simulated(t testing.TB, name string) *snapshot.Snapshot {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", "units", name+".json"))
	require.NoError(t, err)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(b, &s))
	return &s
}

// unitsFound are the simulated units with the headline of each and what its sentence says.
var unitsFound = []struct{ name, head, says string }{
	{"battery-tired", "Battery b is weak", `577\x{a0}<i>±\x{a0}49</i>\x{a0}A cold cranking, 61\x{a0}% of the 950\x{a0}A`},
	{"feed-lost", "No charge reaches the bank", `output has 12\.82\x{a0}V; the bank current is −0\.1\x{a0}A\.`},
	{"link-resistive", "The positive link a\u2011b has high resistance", `2\.49\x{a0}<i>±\x{a0}0\.09</i>\x{a0}mΩ\. The limit is 1\.5\x{a0}mΩ`},
	{"series-wired", "Bank wired in series", `25\.25\x{a0}V at the second .* below 18\x{a0}V\.`},
	{"reversed", "Battery a reversed", `−14\.60\x{a0}V`},
	{"sense-open", "The sensor for battery b voltage is faulty", "gives no believable value"},
	{"cell-shorted", "Battery b has failed", ""},
	{"series-unequal", "Battery b is behind its partner", `It loses 2\x{a0}% a day more than the other battery of its string`},
	{"series-tap-load", "Battery a is behind its partner", `as a load of 0\.4\x{a0}A would do\.`},
	{"pairs-share", "The positive link b\u2011d has high resistance", `(?s)4\.50\x{a0}<i>±\x{a0}0\.07</i>\x{a0}mΩ.*String a\x{2011}b works harder\. Explained by 1\.`},
	{"parallel-wired", "Bank wired in parallel", `12\.97\x{a0}V at the post that should be at 24\x{a0}V\.`},
	{"healthy-four", "Nothing wrong found", "28 of 29 checks made"},
	{"healthy-month", "Nothing wrong found", "All 29 checks made"},
}

// The headline names what is wrong and where; the sentence has the figure, its uncertainty and the
// limit, with the digits that they deserve.
func TestHeadlinesOfSimulatedUnits(t *testing.T) {
	for _, u := range unitsFound {
		s, _, _ := unit(t, simulated(t, u.name))
		page := get(s, "/").Body.String()
		assert.Contains(t, page, `<h1 aria-live="polite">`+u.head+"</h1>", u.name)
		assert.Regexp(t, regexp.MustCompile(u.says), page, u.name)
		assert.NotRegexp(t, `−0(\.0+)?[^\d.]`, page, "%s: a zero has no sign", u.name)
		es := get(s, "/", func(r *http.Request) { r.Header.Set("Accept-Language", "es") }).Body.String()
		assert.NotContains(t, es, `lang="en">The`, u.name)
	}
}

// Where the wiring or a sensor is wrong, nothing that rests on it stands there as a fact.
func TestNothingDoubtfulIsShownAsFact(t *testing.T) {
	for _, name := range []string{"series-wired", "parallel-wired", "reversed", "sense-open"} {
		s := simulated(t, name)
		v := func(x float64) *float64 { return &x }
		for i := range s.Batteries { // as if all had been learned before
			b := &s.Batteries[i]
			b.Verdict, b.SoCPct, b.CrankingA = "fit", snapshot.Estimate{Value: v(97), Sigma: v(2)}, snapshot.Estimate{Value: v(911), Sigma: v(23)}
		}
		s.Bank.SoCPct = snapshot.Estimate{Value: v(97), Sigma: v(2)}
		s.Bank.LiftsLeft = snapshot.Estimate{Value: v(431), Sigma: v(10)}
		s.Bank.TimeToFullS = snapshot.Estimate{Value: v(4000), Sigma: v(100)}
		before := s.Bank.LiftsLeft
		shown := newView(words.Readers[0], s, false)
		assert.Equal(t, before, s.Bank.LiftsLeft, "the snapshot itself stays")
		for _, f := range shown.Ahead {
			if f.Name != words.English.W["LastFull"] {
				assert.Equal(t, "not known", f.Value, "%s: %s", name, f.Name)
			}
		}
		last := len(shown.Gist) - 1
		assert.Equal(t, "not judged", shown.Gist[last].Verdict, name)
		drawing := string(shown.Drawing)
		assert.Contains(t, drawing, ">not judged<", name)
		if name != "sense-open" {
			assert.NotContains(t, drawing, ">97", name)
			assert.NotContains(t, drawing, "mΩ", name)
			require.NotEmpty(t, shown.Kept, "what was learned is not lost")
			assert.Contains(t, fmt.Sprint(shown.Kept), "911")
		}
	}
	well := simulated(t, "healthy-four")
	assert.Same(t, well, well.Believed())
}

// The drawing marks what a finding names with its number, not by color alone: the part, and no
// consequence.
func TestDrawingMarksWhatIsWrong(t *testing.T) {
	to := words.Readers[0]
	drawn := func(s *snapshot.Snapshot) string { return string(newView(to, s, false).Drawing) }
	count := func(d, what string) int { return strings.Count(d, what) }
	well := drawn(simulated(t, "healthy-four"))
	assert.Zero(t, count(well, " k\"")+count(well, `class="bn`), "nothing is marked where nothing is wrong")
	assert.Equal(t, 5, count(well, `class="bx"`), "four batteries and the feed")
	for name, want := range map[string][]string{
		"battery-tired":   {`<rect class="bx k" x="70" y="168"`, `<text class="e x" x="278" y="189">tired`},
		"feed-lost":       {`<rect class="bx k" x="70" y="4"`, `>missing</text>`},
		"link-resistive":  {`<path class="w k" d="M52 112L52 194"/>`, `<text class="x" x="90" y="158">2.5`},
		"series-wired":    {`a + is joined to b −`, `>12.6 to 25.2 V<`, `class="w q"`},
		"series-unequal":  {`<rect class="bx k" x="70" y="86"`, `>bank 25.09 V<`},
		"series-tap-load": {`<rect class="bx k" x="70" y="188"`, `>middle<`},
		"pairs-share":     {`<path class="w k" d="M52 112H38V296H52"/>`, `<text class="x" x="90" y="260">4.5`},
		"parallel-wired":  {`<path class="w k" d="M52 112V214M306 112V214"/>`, `>wired in parallel<`, `>13.0 V<`},
		"reversed":        {`<rect class="bx k" x="70" y="86"`, `>−14.60 V<`},
		"sense-open":      {`<text class="x" x="80" y="210">— V`},
	} {
		d := drawn(simulated(t, name))
		for _, w := range append(want, `<text y="4.7">1</text>`) {
			assert.Contains(t, d, w, name)
		}
		assert.Equal(t, 1, count(d, `class="bn`), "%s: one number", name)
	}
	s := simulated(t, "battery-tired")
	s.Findings[0].Active, s.Findings[0].State = false, "returned to normal unacknowledged"
	assert.Zero(t, count(drawn(s), `class="bn`), "what is over is not marked")
	s = simulated(t, "feed-lost")
	s.Findings[0].Causes[0].Reason = &snapshot.Text{ID: "why.does-not-arrive"}
	assert.Contains(t, drawn(s), "breaker or lead open")
	s = simulated(t, "healthy-four")
	s.Bank.MotorLeadsAt, s.Bank.FeedLeadsAt = nil, nil
	assert.Equal(t, 4, count(drawn(s), `"w q"`), "leads whose place nobody knows are broken lines")
	s.Bank.MotorLeadsAt = &snapshot.Leads{Positive: "a", Negative: "a"}
	s.Bank.FeedLeadsAt = &snapshot.Leads{Positive: "c", Negative: "d"}
	assert.Zero(t, count(drawn(s), `"w q"`))
}

// A finding that is over, shelved or acknowledged looks so, and gives no order.
func TestStatesOfFindingsLookDifferent(t *testing.T) {
	to := words.Readers[0]
	at := time.Date(2025, 3, 3, 9, 0, 0, 0, time.UTC)
	card := func(state string, change func(*snapshot.Finding)) string {
		s := simulated(t, "feed-lost")
		f := &s.Findings[0]
		f.State, f.Active = state, state != "returned to normal unacknowledged"
		raised, since := at.Add(-50*time.Hour), at.Add(-time.Hour)
		f.RaisedAt, f.Since = &raised, since
		s.At = at
		change(f)
		server, _, _ := unit(t, s)
		page := get(server, "/findings").Body.String()
		from := strings.Index(page, `<section class="find`)
		return page[from : from+strings.Index(page[from:], "</section>")]
	}
	none := func(*snapshot.Finding) {}
	open := func(text string) string { // without what is folded
		return regexp.MustCompile(`(?s)<details.*?</details>`).ReplaceAllString(text, "")
	}
	now := card("unacknowledged", none)
	assert.Contains(t, now, `class="find urgent"`)
	assert.Contains(t, open(now), to.W["DoNow"])
	assert.Contains(t, now, "for 50\u00a0h, since <time", "from when it was raised, not since its state changed")

	acked := card("acknowledged", func(f *snapshot.Finding) {
		f.AckBy, f.AckAt = "R. Vale", &at
		f.Remarks = []snapshot.Remark{{At: at, By: "Ines K.", Text: "Contactor on order."}}
	})
	assert.Contains(t, acked, `class="find ack"`)
	assert.Contains(t, acked, "Acknowledged by R. Vale, <time")
	assert.Contains(t, acked, "“Contactor on order.” Ines K., <time")
	assert.NotContains(t, open(acked), `class="steps"`)
	assert.Contains(t, acked, `class="sev urgent"`, "its severity stays")

	shelved := card("shelved", func(f *snapshot.Finding) { f.ShelvedBy, f.ShelvedUntil = "Ines K.", new(at.Add(8*time.Hour)) })
	assert.Contains(t, shelved, `class="find set"`)
	assert.Contains(t, shelved, "Shelved by Ines K. until <time")
	assert.Contains(t, shelved, to.W["StillSo"])
	assert.NotContains(t, open(shelved), to.W["DoNow"])
	assert.Contains(t, shelved, "for 50\u00a0h")

	over := card("returned to normal unacknowledged", none)
	assert.Contains(t, over, `class="find over"`)
	assert.Contains(t, over, to.W["Was.urgent"])
	assert.Contains(t, over, `<time datetime="2025-03-01T07:00:00Z"`)
	assert.Contains(t, over, `</time> to <time datetime="2025-03-03T08:00:00Z"`)
	assert.NotContains(t, over, `class="steps"`)
	assert.NotContains(t, over, "Do now")
}

// What another finding explains is a line under it, not a card.
func TestExplainedFindingIsOneLine(t *testing.T) {
	s := simulated(t, "feed-lost")
	under := snapshot.Finding{Name: "bank-low", Severity: "repair", State: "unacknowledged", Title: "Bank is low",
		CausedBy: "feed-lost", Active: true, Since: s.At}
	s.Findings = append(s.Findings, under)
	all := view.Findings(words.Readers[0], s)
	require.Len(t, all, 1)
	require.Len(t, all[0].Under, 1)
	server, _, _ := unit(t, s)
	page := get(server, "/").Body.String()
	assert.Contains(t, page, `<i class="no n">2</i> <b>Repair</b>: Bank is low. Explained by 1.`)
	assert.Equal(t, 1, strings.Count(page, `<section class="find`))
	assert.Contains(t, page, "Nothing else is wrong.")
}

// What can't be judged is grouped by its reason, with how far it is and what would speed it up.
func TestUnjudgedIsGroupedByReason(t *testing.T) {
	runs := snapshot.Text{ID: "waits.verdict-runs", English: "20 motor runs"}
	groups := unjudgedOf(words.Readers[0], []snapshot.NotJudged{
		{Name: "battery-failed", Subject: "a", Because: runs, Have: 14, Want: 20},
		{Name: "battery-failed", Subject: "b", Because: runs, Have: 12, Want: 20},
		{Name: "hot", Because: snapshot.Text{ID: "why.no-temperature", English: "no temperature can be read"}},
		{Name: "battery-tired", Subject: "b", Because: runs, Have: 12, Want: 20},
	})
	require.Len(t, groups, 2)
	assert.Equal(t, "12 of 20", groups[0].Count, "the one that is least far")
	assert.Equal(t, "To speed it up: run the lift 8 times, 10 s each, with the feed off.", groups[0].Faster)
	assert.Len(t, groups[0].Names, 3)
	assert.Empty(t, groups[1].Count+groups[1].Faster)
	held := snapshot.Text{ID: "waits.verdict-charger", English: "20 motor runs with the engine off"}
	groups = unjudgedOf(words.Readers[0], []snapshot.NotJudged{{Name: "battery-failed", Subject: "a", Because: held, Want: 20}})
	assert.Equal(t, "0 of 20", groups[0].Count)
	assert.Equal(t, "To judge it: run the lift 20 times, 10 s each, with the tractor’s engine off.", groups[0].Faster)
	one := unjudgedOf(words.Readers[2], []snapshot.NotJudged{{Name: "battery-failed", Because: runs, Have: 19, Want: 20}})
	assert.Contains(t, one[0].Faster, "una vez más")
}

// The bar has the unit's name and place on every page: as configured, or else as the open visit or
// the last one says.
func TestBarHasThePlace(t *testing.T) {
	s, _, c := unit(t, sample(t, "healthy"), full(t))
	bar := func() string {
		page := get(s, "/findings").Body.String()
		from := strings.Index(page, `<p id="bar"`)
		return page[from : from+strings.Index(page[from:], "</p>")]
	}
	assert.Contains(t, bar(), "<b>Unit t-1042</b><span id=")
	d := begin(t, s)
	_, err := s.opts.Visits.Save(d.ID, 1, map[string]string{"place": "Yard <4>"}, s.site.Facts())
	require.NoError(t, err)
	assert.Contains(t, bar(), "<span>Yard &lt;4&gt;</span>", "of the open visit")
	finished(t, s)
	c.t = c.t.Add(2 * placeEvery)
	assert.Contains(t, bar(), "<span>Yard &lt;4&gt;</span>", "of the last one")
	assert.Contains(t, get(s, "/visit").Body.String(), `name="place" value="Yard &lt;4&gt;"`, "offered to the next visit")
	s, _, _ = unit(t, sample(t, "healthy"), full(t), func(o *Options) { o.Place = "Quarry Lane" })
	assert.Contains(t, bar(), "<span>Quarry Lane</span>")
	assert.Contains(t, get(s, "/visit").Body.String(), `name="place" value="Quarry Lane"`)
}

// show puts a simulated unit on the page.
func (b *bench) show(name string) {
	s := simulated(b, name)
	s.Seq = b.hub.Current().Seq + 1
	b.hub.Publish(s)
}

// overlaps lists texts of the drawing that lie on each other or stick out, and type that is larger
// than the text beside it.
const overlaps = `(() => { var out = [], svg = document.querySelector('svg.bank'), t = [...svg.querySelectorAll('text')],
	box = svg.viewBox.baseVal, px = svg.getBoundingClientRect().width / box.width,
	beside = parseFloat(getComputedStyle(document.body).fontSize);
	t.forEach((a, i) => { var x = a.getBBox();
		if (a.closest('.bn')) return;
		if (x.x < 0 || x.x + x.width > box.width) out.push(a.textContent + ' sticks out');
		if (parseFloat(getComputedStyle(a).fontSize) * px > beside + .5) out.push(a.textContent + ' is too large');
		t.slice(i + 1).forEach(b => { var y = b.getBBox(); if (b.closest('.bn')) return;
			if (x.x < y.x + y.width && y.x < x.x + x.width && x.y + 3 < y.y + y.height - 3 && y.y + 3 < x.y + x.height - 3)
				out.push(a.textContent + ' | ' + b.textContent); }); });
	return out; })()`

// Each simulated unit at the widths that matter, in the light and in the dark, in both languages.
func TestPageOfSimulatedUnits(t *testing.T) {
	b := newBench(t)
	type way struct {
		width int64
		dark  bool
		lang  string
	}
	for _, look := range some(way{phone, false, "en"}, way{320, false, "es"}, way{desk, true, "en"}) {
		tab := b.browse(look.width)
		tab.dark(look.dark)
		tab.open("/findings")
		tab.follow(`button[lang="` + look.lang + `"]`)
		for _, u := range unitsFound {
			name := fmt.Sprintf("unit-%s-%d-%s", u.name, look.width, look.lang)
			b.show(u.name)
			tab.open("/")
			if look.width == phone || u.name == "feed-lost" {
				tab.sound(name)
			}
			tab.fits(name)
			assert.Empty(t, eval[[]string](tab, overlaps), name)
			tab.picture(name)
		}
	}
}

// The longest words and figures have room in the drawing, in both languages: four batteries at work,
// both links of one gap bad.
func TestPageDrawingHoldsTheLongestWords(t *testing.T) {
	b := newBench(t)
	s := simulated(t, "healthy-four")
	v := func(x float64) *float64 { return &x }
	for i := range s.Batteries {
		x := &s.Batteries[i]
		x.Verdict, x.CurrentA, x.SoCPct = "fit-low", v(-139.14), snapshot.Estimate{Value: v(88), Sigma: v(12)}
	}
	s.Findings = nil
	for _, side := range []string{"positive", "negative"} {
		s.Findings = append(s.Findings, snapshot.Finding{Name: "link-resistive", Subject: side + " link b-c", Severity: "repair",
			State: "unacknowledged", Active: true, Since: s.At})
	}
	s.Findings = append(s.Findings, snapshot.Finding{Name: "feed-weak", Severity: "repair", State: "unacknowledged", Active: true,
		Since: s.At}, snapshot.Finding{Name: "motor-drop", Severity: "repair", State: "unacknowledged", Active: true, Since: s.At})
	for i := range s.Links {
		s.Links[i].ResistanceMohm = snapshot.Estimate{Value: v(12.9), Sigma: v(0.4)}
	}
	s.Feed.Status, s.Feed.WakeLine, s.Feed.VoltageV = "unrequested", new(bool), v(14.21)
	tab := b.browse(320)
	for _, lang := range []string{"en", "es"} {
		tab.open("/findings")
		tab.follow(`button[lang="` + lang + `"]`)
		next := *s // what was published is read by others
		next.Seq = b.hub.Current().Seq + 1
		b.hub.Publish(&next)
		tab.open("/")
		assert.Empty(t, eval[[]string](tab, overlaps), lang)
		tab.picture("drawing-longest-" + lang)
	}
}

// With nothing wrong the first page is short: what is folded says its gist at the right.
func TestPageIsShortWhenNothingIsWrong(t *testing.T) {
	b := newBench(t)
	tab := b.browse(phone)
	for _, name := range []string{"healthy-month", "healthy-four"} {
		b.show(name)
		tab.open("/")
		folded := eval[int](tab, `document.documentElement.scrollHeight`)
		assert.LessOrEqual(t, folded, 2500, name)
		assert.Equal(t, 0, eval[int](tab, `document.querySelectorAll('.folds details[open]').length`))
		gists := eval[[]string](tab, `[...document.querySelectorAll('.folds .gist')].map(e => e.textContent.trim())`)
		assert.False(t, slices.Contains(gists, ""), "%s: %q", name, gists)
		t.Logf("%s: %d px", name, folded)
	}
	wide := b.browse(desk)
	wide.open("/")
	assert.Equal(t, 0, eval[int](wide, `document.querySelectorAll('.folds details:not([open])').length`), "open on a desk")
	assert.Equal(t, 3, eval[int](wide, `new Set([...document.querySelectorAll('.folds section')].map(
		e => Math.round(e.getBoundingClientRect().left))).size`), "in three columns")
	assert.Greater(t, eval[int](wide, `document.getElementById('bank').getBoundingClientRect().left -
		document.getElementById('answer').getBoundingClientRect().right`), 0, "the drawing is beside the answer")
}

// Text at 200 % and Spanish on the narrowest phone don't scroll sideways.
func TestPageLargeTextFits(t *testing.T) {
	b := newBench(t)
	begin(t, b.s)
	for _, width := range some[int64](320, phone) {
		tab := b.browse(width)
		tab.in("Asia/Kathmandu") // of a long name: GMT+5:45
		tab.signIn()
		tab.follow(`button[lang="es"]`)
		for _, path := range []string{"/", "/findings", "/findings/feed-lost", "/findings/act?name=battery-tired&subject=b",
			"/check", "/visit", "/visit/report", "/visits"} {
			b.again()
			for _, percent := range []string{"100%", "200%"} {
				tab.open(path)
				eval[bool](tab, `(() => { document.querySelectorAll('details').forEach(d => d.open = true);
					document.documentElement.style.setProperty('font-size', 'calc(1.0625 * `+percent+`)'); return true; })()`)
				if percent == "200%" {
					tab.picture(fmt.Sprintf("large-%d-%s", width, strings.NewReplacer("/", "_", "?", "_").Replace(path)))
				}
				wide := eval[[]string](tab, `document.documentElement.scrollWidth <= window.innerWidth ? [] :
					[...document.querySelectorAll('main *, header *, footer *')].filter(e => e.getBoundingClientRect().right > window.innerWidth + 1)
					.slice(0, 6).map(e => e.outerHTML.slice(0, 100))`)
				assert.Empty(t, wide, "%s at %s, %d px: wider than the screen", path, percent, width)
			}
		}
	}
}

// A jump leads to what it names, open and below the bar.
func TestPageJumpsClearTheBar(t *testing.T) {
	b := newBench(t)
	for _, width := range []int64{phone, desk} {
		tab := b.browse(width)
		tab.open("/findings")
		tab.follow(`.cautionline a`)
		tab.until(`location.pathname === '/' && document.getElementById('before').getBoundingClientRect().height > 50`)
		tab.until(`document.getElementById('before').getBoundingClientRect().top >=
			document.querySelector('header').getBoundingClientRect().bottom - 1`)
		tab.open("/")
		tab.do(chromedp.Click(`.andmore a`))
		tab.until(`location.hash === '#f-battery-tired-b'`)
		tab.until(`document.getElementById('f-battery-tired-b').getBoundingClientRect().top >=
			document.querySelector('header > p').getBoundingClientRect().bottom - 1`)
	}
}

// What changes is put in without closing what the reader has opened, and without taking the focus.
func TestPageLiveLeavesTheReaderAlone(t *testing.T) {
	b := newBench(t)
	tab := b.browse(phone)
	tab.open("/")
	tab.until(`document.querySelector('#d-motor')`)
	tab.do(chromedp.Click(`#d-motor > summary`), chromedp.Click(`#e-feed-lost > summary`))
	eval[bool](tab, `document.querySelector('#e-feed-lost a').focus(); window.kept = document.activeElement; true`)
	for seq := b.hub.Current().Seq + 1; seq < 6; seq++ {
		next := numbered(rich(t), seq)
		next.Motor.Runs = 7000 + seq
		if seq == 4 { // another finding comes first
			next.Findings = append([]snapshot.Finding{{Name: "series-wired", Severity: "urgent", State: "unacknowledged",
				Title: "Bank wired in series", Active: true, Since: next.At}}, next.Findings...)
		}
		b.hub.Publish(next)
		tab.until(fmt.Sprintf(`document.getElementById('motor').textContent.includes('7,00%d')`, seq))
		assert.True(t, eval[bool](tab, `document.getElementById('d-motor').open && document.getElementById('e-feed-lost').open`))
		assert.True(t, eval[bool](tab, `document.activeElement === window.kept && document.activeElement !== document.body`))
		assert.False(t, eval[bool](tab, `document.getElementById('d-feed').open`))
	}
}

// Times are the reader's: the script turns them into the phone's own zone, UTC stays in the title;
// without script they are UTC and say so.
func TestPageTimesAreLocal(t *testing.T) {
	b := newBench(t)
	b.show("feed-lost") // 2025-03-03T08:20:33Z
	tab := b.browse(phone)
	tab.in("America/Chicago")
	tab.open("/")
	tab.until(`document.querySelector('#answer time').textContent === '02:20'`)
	assert.Equal(t, "2025-03-03 08:20:33 UTC", eval[string](tab, `document.querySelector('#answer time').title`))
	b.show("feed-lost")
	b.show("feed-lost")
	tab.until(`document.querySelector('#bank time').textContent === '02:20'`)
	tab.script(false)
	tab.open("/")
	plain := func() string {
		v, err := chromedp.Run(tab.ctx, chromedp.Text("#answer time"))
		require.NoError(t, err)
		return v
	}
	assert.Equal(t, "08:20 UTC", plain())
}

// An agent that dies is told of on every page that is open, whatever it is for.
func TestPageEachSaysThatTheAgentIsDead(t *testing.T) {
	b := newBench(t)
	begin(t, b.s)
	tab := b.browse(phone)
	tab.signIn()
	for _, path := range []string{"/", "/findings", "/history", "/visit", "/visit/report", "/check", "/visits"} {
		b.again()
		tab.open(path)
		tab.until(`document.readyState === 'complete' && document.getElementById('age').textContent === ''`)
		b.kill()
		tab.until(`document.getElementById('bar').classList.contains('bad') &&
			document.getElementById('age').textContent.startsWith('No connection, data ')`)
		b.start(b.addr)
	}
}
