package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	settings "liftbank/agent/technician"
	"liftbank/agent/visit"
)

// kept is what can be set on a unit whose configuration is that of two batteries; there is no engine
// behind it.
type kept struct {
	base config.Config
	over *settings.Overlay
	fail error // of the running agent: nothing changes then
	gone bool  // the file can't be read
}

func newKept(t testing.TB) *kept {
	over, err := settings.Open("")
	require.NoError(t, err)
	k := &kept{base: config.Default(), over: over}
	k.base.Unit.Place = "Yard 4"
	for _, id := range []string{"a", "b"} {
		k.base.Bank.Batteries = append(k.base.Bank.Batteries, config.Battery{ID: id, Chemistry: "flooded", RatedAh: 100, RatedCCA: 950})
	}
	return k
}

func (k *kept) Settings() ([]settings.Effective, []settings.Entry, bool) {
	_, all := k.over.Apply(k.base)
	return all, k.over.Journal(), !k.gone
}

func (k *kept) SetSettings(_ context.Context, c settings.Change) ([]settings.Entry, error) {
	if made := k.over.Done(c.ID); made != nil {
		return made, nil
	}
	if k.fail != nil {
		return nil, k.fail
	}
	before := len(k.over.Journal())
	c.At, c.ClockTrusted = time.Date(2026, 3, 9, 14, 3, 0, 0, time.UTC), true
	if err := k.over.Set(&k.base, c); err != nil {
		return nil, err
	}
	return k.over.Journal()[before:], nil
}

func (k *kept) UndoSetting(ctx context.Context, seq int, by, id string) ([]settings.Entry, error) {
	c, err := k.over.Undo(&k.base, seq)
	if err != nil {
		return nil, err
	}
	c.By, c.ID = by, id
	return k.SetSettings(ctx, c)
}

func (k *kept) value(path string) string {
	all, _, _ := k.Settings()
	for _, e := range all {
		if e.Path == path {
			return e.Value
		}
	}
	return "none"
}

// withSettings gives a server settings of its own.
func withSettings(k *kept) func(*Options) { return func(o *Options) { o.Settings = k } }

func asProgram(r *http.Request) { r.Header.Set("Accept", "application/json") }

// setting is the form of one setting.
func setting(path, value string, more ...string) url.Values {
	form := url.Values{"path": {path}, "value": {value}, "by": {"R. Vale"}, "do": {"yes"}}
	for i := 0; i+1 < len(more); i += 2 {
		form.Set(more[i], more[i+1])
	}
	return form
}

// What people type is understood, or refused with what is wanted; what was typed stays in the form.
func TestWhatIsTypedIntoASetting(t *testing.T) {
	for _, c := range []struct{ path, typed, want, problem string }{
		{"bank.batteries.b.rated_ah", "105", "105", ""},
		{"bank.batteries.b.rated_ah", "12,70", "", "Enter 20 to 400 Ah"},
		{"bank.batteries.b.rated_ah", "105,5 Ah", "105.5", ""},
		{"bank.batteries.b.rated_ah", "105.5ah", "105.5", ""},
		{"bank.batteries.b.rated_ah", "12.70 V", "", "Another unit: enter it in Ah"},
		{"bank.batteries.b.rated_ah", "−120", "", "Enter 20 to 400 Ah"},
		{"bank.batteries.b.rated_ah", "4000", "", "Enter 20 to 400 Ah"},
		{"bank.batteries.b.rated_ah", "NaN", "", "Not a number"},
		{"bank.batteries.b.rated_ah", "", "", "20 to 400\u00a0Ah."},
		{"bank.batteries.b.rated_cca", "0,9 kA", "900", ""},
		{"bank.batteries.b.rated_cca", "1,000", "1000", ""},
		{"bank.batteries.b.chemistry", "agm", "agm", ""},
		{"bank.batteries.b.chemistry", "salt", "", "One of: Flooded, AGM, Gel."},
		{"service.lift_cycles", "5,000", "5000", ""},
		{"service.lift_cycles", "5.000", "5000", ""},
		{"service.lift_cycles", "1.234.567", "", "Enter 0 to 1,000,000"},
		{"service.lift_cycles", "12.5", "", "Enter a whole number"},
		{"service.lift_cycles", "-1", "", "Enter 0 to 1,000,000"},
		{"service.motor_time", "200 h", "200", ""},
		{"service.motor_time", "12,5 horas", "12.5", ""},
		{"service.oil_every", "365 days", "365", ""},
		{"service.oil_every", "365 días", "365", ""},
		{"service.oil_every", "12.70 V", "", "Another unit: enter it in d"},
		{"counter.lift_cycles", "41 000", "41000", ""},
		{"counter.motor_time", "1234,5", "1234.5", ""},
		{"counter.from", "  old   counter ", "old   counter", ""},
		{"unit.name", hostile, `"><script>alert(1)</script><img src=x onerror=alert(1)>'=1+1`, ""},
		{"unit.name", strings.Repeat("é", 60), strings.Repeat("é", 60), ""},
		{"unit.name", strings.Repeat("é", 61), "", "too long: 60 characters at most"},
		{"unit.place", "North\nyard\x00", "North yard", ""},
		{"bank.batteries.a.place", "street side", "street side", ""},
	} {
		t.Run(c.path+" "+c.typed, func(t *testing.T) {
			k := newKept(t)
			s, _, _ := unit(t, sample(t, "healthy"), full(t, withSettings(k)))
			before := k.value(c.path)
			w := post(s, "/settings", setting(c.path, c.typed), session(s))
			api := post(s, "/api/v1/settings", setting(c.path, c.typed), session(s), asProgram)
			if c.problem == "" {
				require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
				assert.Equal(t, c.want, k.value(c.path))
				assert.Equal(t, http.StatusUnprocessableEntity, api.Code, "it is so already")
				return
			}
			assert.Equal(t, http.StatusUnprocessableEntity, w.Code)
			assert.Contains(t, w.Body.String(), c.problem)
			assert.Equal(t, http.StatusUnprocessableEntity, api.Code)
			assert.Contains(t, api.Body.String(), c.problem, "the same to programs")
			assert.Equal(t, before, k.value(c.path))
			assert.Empty(t, k.over.Journal())
			if tidy := visit.Tidy(c.typed, false); c.path != "bank.batteries.b.chemistry" && !strings.ContainsAny(tidy, `<>"'`) {
				assert.Contains(t, w.Body.String(), `value="`+strings.ReplaceAll(tidy, "+", "&#43;")+`"`)
			}
		})
	}
}

// Who may change a setting: as everywhere, with the PIN, by a form of this unit's own, with a name.
func TestWhoMayChangeASetting(t *testing.T) {
	k := newKept(t)
	s, _, _ := unit(t, sample(t, "healthy"), full(t, withSettings(k)))
	form := setting("unit.name", "Ferry lift")
	forged := func(r *http.Request) {
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		r.Header.Set("Origin", "https://evil.example")
	}
	for _, path := range []string{"/settings", "/api/v1/settings", "/settings/undo", "/api/v1/settings/undo"} {
		for name, c := range map[string]struct {
			form   url.Values
			change []func(*http.Request)
			status int
		}{
			"no PIN":        {form, nil, http.StatusUnauthorized},
			"wrong PIN":     {setting("unit.name", "x", "pin", "111111"), nil, http.StatusUnauthorized},
			"forged origin": {form, []func(*http.Request){session(s), forged}, http.StatusForbidden},
			"no name":       {setting("unit.name", "x", "by", " ", "seq", "1"), []func(*http.Request){session(s)}, http.StatusUnprocessableEntity},
			"no setting":    {setting("http.listen", ":80", "seq", "99"), []func(*http.Request){session(s)}, http.StatusUnprocessableEntity},
			"no form":       {url.Values{}, []func(*http.Request){session(s)}, http.StatusUnprocessableEntity},
		} {
			w := post(s, path, c.form, c.change...)
			assert.Equal(t, c.status, w.Code, "%s %s: %s", path, name, w.Body.String())
		}
	}
	assert.Empty(t, k.over.Journal())
	for _, path := range []string{"/settings?path=unit.name&value=x&by=y", "/settings/change?path=unit.name", "/settings/undo?seq=1", "/api/v1/settings"} {
		get(s, path, session(s))
	}
	assert.Empty(t, k.over.Journal(), "looking changes nothing")

	w := post(s, "/settings", setting("unit.name", "Ferry lift", "pin", rightPIN))
	require.Equal(t, http.StatusSeeOther, w.Code, "the PIN in the form itself")
	assert.Equal(t, "Ferry lift", k.value("unit.name"))
	s, _, _ = unit(t, sample(t, "healthy"), full(t, withSettings(k), func(o *Options) { o.PIN = nil }))
	page := get(s, "/settings").Body.String()
	assert.NotContains(t, page, "/settings/change?")
	assert.Contains(t, page, words.English.W["PINNone"])
	assert.Equal(t, http.StatusForbidden, post(s, "/settings", form).Code)
	k.gone = true
	assert.Contains(t, get(s, "/settings").Body.String(), "can’t be read now")
	assert.Equal(t, http.StatusServiceUnavailable, get(s, "/api/v1/settings").Code)
	s, _, _ = unit(t, sample(t, "healthy"), full(t, func(o *Options) { o.Settings = nil }))
	assert.Equal(t, http.StatusOK, get(s, "/settings").Code)
	assert.Equal(t, http.StatusServiceUnavailable, post(s, "/settings", form, session(s)).Code)
	s, _, _ = unit(t, sample(t, "healthy"), full(t, withSettings(newKept(t)), func(o *Options) { o.PINToRead = true }))
	assert.Equal(t, http.StatusSeeOther, get(s, "/settings").Code, "where the PIN is wanted to read, too")
	assert.Equal(t, http.StatusUnauthorized, get(s, "/api/v1/settings").Code)
	assert.Equal(t, http.StatusSeeOther, post(s, "/choices", url.Values{"lang": {"es"}}).Code, "the language is anybody's")
}

// A rating is changed on the second tap, after what it starts again has been said.
func TestARatingAsksOnceMore(t *testing.T) {
	k := newKept(t)
	s, _, _ := unit(t, sample(t, "healthy"), full(t, withSettings(k)))
	for path, want := range map[string][]string{
		"bank.batteries.b.rated_ah":  {"Charge and capacity of battery b start again"},
		"bank.batteries.b.rated_cca": {"Resistance, cold cranking capability and verdict of battery b start again"},
		"bank.batteries.b.chemistry": {"Charge and capacity of battery b start again", "Resistance, cold cranking"},
	} {
		value := map[bool]string{true: "agm", false: "300"}[strings.HasSuffix(path, "chemistry")]
		w := post(s, "/settings", setting(path, value, "do", "set"), session(s))
		require.Equal(t, http.StatusOK, w.Code)
		for _, text := range want {
			assert.Contains(t, w.Body.String(), text)
		}
		assert.Contains(t, w.Body.String(), "replace it on the visit’s page instead")
		assert.Contains(t, w.Body.String(), `name="value" value="`+value+`"`)
		api := post(s, "/api/v1/settings", setting(path, value, "do", "set"), session(s))
		assert.Equal(t, http.StatusUnprocessableEntity, api.Code)
		assert.Contains(t, api.Body.String(), "do=yes")
	}
	assert.Empty(t, k.over.Journal())
	assert.Equal(t, http.StatusSeeOther, post(s, "/settings", setting("bank.batteries.b.rated_ah", "300"), session(s)).Code)
	assert.Equal(t, "300", k.value("bank.batteries.b.rated_ah"))
}

// Two phones on one setting: the second sees both values, and loses neither; a form sent twice changes
// once.
func TestTwoPhonesOnOneSetting(t *testing.T) {
	k := newKept(t)
	s, _, _ := unit(t, sample(t, "healthy"), full(t, withSettings(k)))
	first := setting("service.lift_cycles", "5000", "seen", "0", "token", "0123456789abcdef")
	require.Equal(t, http.StatusSeeOther, post(s, "/settings", first, session(s)).Code)
	require.Equal(t, http.StatusSeeOther, post(s, "/settings", first, session(s)).Code, "sent twice")
	require.Len(t, k.over.Journal(), 1)
	second := setting("service.lift_cycles", "6000", "seen", "0", "by", "K. Ortiz")
	w := post(s, "/settings", second, session(s))
	require.Equal(t, http.StatusConflict, w.Code)
	for _, text := range []string{"Somebody else has changed this setting", "5,000", "6,000", "R. Vale", `name="seen" value="5000"`, `name="value" value="6000"`, "K. Ortiz"} {
		assert.Contains(t, w.Body.String(), text)
	}
	var clash ConflictAnswer
	api := post(s, "/api/v1/settings", second, session(s))
	require.Equal(t, http.StatusConflict, api.Code)
	require.NoError(t, json.Unmarshal(api.Body.Bytes(), &clash))
	assert.Equal(t, []string{"0", "6000", "5000", "R. Vale"}, []string{clash.Seen, clash.Mine, clash.Now.Value, clash.Now.By})
	assert.Equal(t, "5000", k.value("service.lift_cycles"))
	second.Set("seen", "5000")
	require.Equal(t, http.StatusSeeOther, post(s, "/settings", second, session(s)).Code)
	assert.Equal(t, "6000", k.value("service.lift_cycles"))
}

// The journal has all changes, newest first; each is undone by a new one, unless it is not what holds.
func TestUndoingASetting(t *testing.T) {
	k := newKept(t)
	s, _, _ := unit(t, sample(t, "healthy"), full(t, withSettings(k)))
	for _, v := range []string{"300", "310"} {
		require.Equal(t, http.StatusSeeOther, post(s, "/settings", setting("bank.batteries.b.rated_ah", v), session(s)).Code)
	}
	page := get(s, "/settings", session(s)).Body.String()
	assert.Less(t, strings.Index(page, "300\u00a0Ah → <b>310\u00a0Ah"), strings.Index(page, "100\u00a0Ah → <b>300\u00a0Ah"))
	assert.Contains(t, page, "Set by R. Vale, 2026-03-09. The configuration has 100\u00a0Ah.")
	undo := func(seq string) *httptest.ResponseRecorder {
		return post(s, "/settings/undo", url.Values{"seq": {seq}, "by": {"K. Ortiz"}}, session(s))
	}
	w := undo("1")
	assert.Equal(t, http.StatusConflict, w.Code)
	assert.Contains(t, w.Body.String(), "Changed again since.")
	assert.Contains(t, get(s, "/settings/undo?seq=2", session(s)).Body.String(), "Charge and capacity of battery b start again")
	require.Equal(t, http.StatusSeeOther, undo("2").Code)
	assert.Equal(t, "300", k.value("bank.batteries.b.rated_ah"))
	require.Equal(t, http.StatusSeeOther, undo("1").Code, "it holds again")
	assert.Equal(t, "100", k.value("bank.batteries.b.rated_ah"))
	journal := k.over.Journal()
	require.Len(t, journal, 4)
	assert.Equal(t, 2, journal[2].Undoes)
	assert.Equal(t, "K. Ortiz", journal[3].By)
	assert.Contains(t, get(s, "/settings").Body.String(), "Undid change 2.")
	for _, seq := range []string{"", "x", "99", "-1", "0"} {
		assert.Equal(t, http.StatusUnprocessableEntity, undo(seq).Code, seq)
	}
	assert.Equal(t, http.StatusNotFound, get(s, "/settings/undo?seq=99").Code)
	k.fail = errors.New("loop busy")
	assert.Equal(t, http.StatusServiceUnavailable, undo("4").Code)
	w = post(s, "/settings", setting("unit.name", "Ferry lift"), session(s))
	assert.Equal(t, http.StatusServiceUnavailable, w.Code)
	assert.Contains(t, w.Body.String(), `value="Ferry lift"`, "what was typed stays")
}

// A change while a visit is open is a line in it and in its report, and can be undone there; without a
// visit it is in the journal alone.
func TestSettingsInAVisit(t *testing.T) {
	k := newKept(t)
	s, _, _ := unit(t, sample(t, "healthy"), full(t, withSettings(k)))
	require.Equal(t, http.StatusSeeOther, post(s, "/settings", setting("unit.name", "Ferry lift"), session(s)).Code)
	d := begin(t, s)
	require.Empty(t, d.Work)
	require.Equal(t, http.StatusSeeOther, post(s, "/settings", setting("service.oil_every", "365"), session(s)).Code)
	require.Equal(t, http.StatusSeeOther, post(s, "/settings", setting("bank.batteries.a.place", "street side"), session(s)).Code)
	d = s.opts.Visits.Draft()
	require.Len(t, d.Work, 2)
	assert.Equal(t, &visit.Setting{Seq: 2, Path: "service.oil_every", Old: "0", New: "365", Unit: "d"}, d.Work[0].Setting)
	page := get(s, "/visit/work", session(s)).Body.String()
	assert.Contains(t, page, "Setting changed: Oil: days: 0\u00a0d → 365\u00a0d")
	assert.Contains(t, page, "/settings/undo?back=%2Fvisit%2Fwork&amp;seq=3")

	w := post(s, "/settings/undo", url.Values{"seq": {"3"}, "by": {"R. Vale"}, "back": {"/visit/work"}}, session(s))
	require.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "/visit/work", w.Header().Get("Location"))
	assert.Empty(t, k.value("bank.batteries.a.place"))
	require.Equal(t, http.StatusSeeOther, post(s, "/settings/undo", url.Values{"seq": {"1"}, "by": {"R. Vale"}, "back": {"//evil.example"}}, session(s)).Code)
	d = s.opts.Visits.Draft()
	require.Len(t, d.Work, 3, "what was undone of before the visit is a line of its own")
	assert.NotNil(t, d.Work[1].TakenBack)
	id := finished(t, s)
	v, err := s.opts.Visits.Get(id)
	require.NoError(t, err)
	assert.Len(t, v.Work, 3)
	report := get(s, "/visits/"+id).Body.String()
	assert.Contains(t, report, "Setting changed: Oil: days: 0\u00a0d → 365\u00a0d")
	csv := get(s, "/visits/"+id+".csv").Body.String()
	assert.Contains(t, csv, "setting,2,service.oil_every,365,d,,was 0")
}

// The bar has the name and the place as they were set last; the checks list all settings.
func TestNamesInTheBar(t *testing.T) {
	k := newKept(t)
	s, _, _ := unit(t, sample(t, "healthy"), full(t, withSettings(k), func(o *Options) {
		o.Named = func() (string, string) { return k.value("unit.name"), k.value("unit.place") }
	}))
	assert.Contains(t, get(s, "/").Body.String(), "<span>Yard 4</span>")
	require.Equal(t, http.StatusSeeOther, post(s, "/settings", setting("unit.name", "Ferry <lift>"), session(s)).Code)
	for _, path := range []string{"/", "/check", "/settings", "/visit"} {
		assert.Contains(t, get(s, path).Body.String(), "<span>Ferry &lt;lift&gt;, Yard 4</span>", path)
	}
	require.Equal(t, http.StatusSeeOther, post(s, "/settings", setting("unit.place", ""), session(s)).Code)
	_, err := s.opts.Visits.Save(begin(t, s).ID, 1, map[string]string{"place": "Yard <9>"}, s.site.Facts())
	require.NoError(t, err)
	assert.Contains(t, get(s, "/settings").Body.String(), "none; by the last visit: Yard &lt;9&gt;", "as the bar has it")
	check := get(s, "/check").Body.String()
	assert.Contains(t, check, "Settings, and where each comes from")
	assert.Contains(t, check, "Set by R. Vale")
}

// Hostile text in each field of the forms comes back as text.
func TestHostileSettings(t *testing.T) {
	k := newKept(t)
	s, _, _ := unit(t, sample(t, "healthy"), full(t, withSettings(k)))
	short := `"><script>alert(1)</script>`
	for _, path := range []string{"unit.name", "unit.place", "counter.from", "bank.batteries.a.place"} {
		require.Equal(t, http.StatusSeeOther, post(s, "/settings", setting(path, short, "by", short), session(s)).Code)
	}
	pages := []string{"/settings", "/settings/change?path=unit.name", "/settings/undo?seq=1", "/check", "/settings?saved=1",
		"/settings/change?path=" + url.QueryEscape(short), "/settings/undo?back=" + url.QueryEscape(short), "/"}
	for _, field := range []string{"path", "value", "by", "seen", "token", "back", "seq", "do"} {
		for _, path := range []string{"/settings", "/settings/undo", "/api/v1/settings"} {
			w := post(s, path, setting("unit.name", "x", field, hostile), session(s))
			assert.Less(t, w.Code, 500)
			if w.Header().Get("Content-Type") != "application/json" {
				assert.NotContains(t, w.Body.String(), "<script>alert", "%s %s", path, field)
			}
		}
	}
	for _, path := range pages {
		w := get(s, path, session(s))
		assert.NotContains(t, w.Body.String(), "<script>alert", path)
	}
}

// The pages of settings in a browser: sound at each width, in both languages, with scripts and
// without; two tabs on one setting.
func TestPageSettings(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	k := newKept(t)
	b.opts.Settings = k
	b.opts.Named = func() (string, string) { return k.value("unit.name"), k.value("unit.place") }
	b.kill()
	b.start("127.0.0.1:0")
	type way struct {
		width  int64
		lang   string
		script bool
	}
	for _, c := range some(way{narrow, "es", true}, way{phone, "en", false}, way{phone, "en", true}, way{desk, "en", true}) {
		t.Run(fmt.Sprintf("%d %s script %v", c.width, c.lang, c.script), func(t *testing.T) {
			tab, width := b.browse(c.width), c.width
			name := func(page string) string { return fmt.Sprintf("settings-%s-%d-%s-%v", page, width, c.lang, c.script) }
			look := func(page string) { tab.look(name(page), c.script) }
			b.again()
			tab.open("/settings")
			tab.follow(fmt.Sprintf(`button[name=lang][value=%s]`, c.lang))
			tab.script(c.script)
			tab.open("/settings")
			look("list")
			tab.open("/settings/change?path=bank.batteries.b.rated_ah")
			look("change")
			tab.do(chromedp.SetValue("#value", "4000"), chromedp.SendKeys("#by", "R. Vale"), chromedp.SendKeys("#pin", rightPIN))
			tab.press("main button.main")
			tab.until(`document.querySelector('.error') !== null`)
			look("refused")
			tab.do(chromedp.SetValue("#value", "105,5"))
			tab.press("main button.main")
			tab.until(`document.getElementById('ask') !== null`)
			look("ask")
			tab.press("#ask button.main")
			tab.until(`location.pathname === '/settings' && document.getElementById('saved') !== null`)
			look("saved")
			assert.Equal(t, "105.5", k.value("bank.batteries.b.rated_ah"))

			other := b.browse(width)
			other.signIn()
			other.script(c.script)
			other.open("/settings/change?path=service.oil_lift_cycles")
			tab.open("/settings/change?path=service.oil_lift_cycles")
			for i, one := range of(tab, other) {
				one.do(chromedp.SetValue("#value", fmt.Sprint(5000+int(width)+i)), chromedp.SetValue("#by", []string{"R. Vale", "K. Ortiz"}[i]))
				one.press("main button.main")
				one.until([]string{`location.pathname === '/settings' && document.getElementById('saved') !== null`, `document.querySelector('.clash') !== null`}[i])
			}
			other.look(name("clash"), c.script)
			assert.Equal(t, fmt.Sprint(5001+width), eval[string](other, `document.getElementById('value').value`), "nothing typed is lost")
			tab.open("/settings")
			tab.press(`a[href^="/settings/undo"]`)
			tab.until(`location.pathname === '/settings/undo' && document.readyState === 'complete'`)
			look("undo")
			tab.press("main button.main")
			tab.until(`location.pathname === '/settings' && document.getElementById('saved') !== null`)
			require.NoError(t, k.over.Set(&k.base, settings.Change{Values: map[string]string{
				"bank.batteries.b.rated_ah": "100", "service.oil_lift_cycles": "0",
			}}))
		})
	}
}

// look checks and keeps a page; axe-core needs the page's scripts.
func (t *tab) look(name string, script bool) {
	t.Helper()
	if script {
		t.sound(name)
	} else {
		t.fits(name)
	}
	t.picture(name)
}

// of is for where the name tab is taken.
func of(tabs ...*tab) []*tab { return tabs }

// press presses something and doesn't wait.
func (t *tab) press(selector string) {
	t.Helper()
	t.until("(document.querySelector(`" + selector + "`).scrollIntoView({block: 'center'}), true)")
	t.do(chromedp.Click(selector, chromedp.NodeVisible))
}

// Totals include the counter's start, which the report names; what is due later is dated there, and on
// the first page.
func TestTotalsAndDatesOfServices(t *testing.T) {
	snap := sample(t, "healthy")
	own := snap.Motor.LiftCycles
	snap.Motor.Before = &snapshot.Before{LiftCycles: 41000, Runs: 82000, RunTimeS: 36000, From: "old <counter>"}
	due := uint64(9000)
	snap.Motor.Since = []snapshot.SinceService{
		{Kind: "service"}, {Kind: "filter", NextBy: "days", NextOn: "2026-03-09", DueDays: new(365.0), Days: new(400.0)},
		{Kind: "oil", NextBy: "lift-cycles", NextOn: "2027-03-12", DueLiftCycles: &due},
	}
	s, _, _ := unit(t, snap, full(t))
	now := get(s, "/").Body.String()
	total := figures.Count(own + 41000)
	assert.Contains(t, now, total)
	assert.Contains(t, now, "Oil change due on about 2027-03-12 (lift cycles, at the usual duty).")
	begin(t, s)
	assert.Contains(t, get(s, "/visit", session(s)).Body.String(), "old &lt;counter&gt;")
	id := finished(t, s)
	report := get(s, "/visits/"+id).Body.String()
	assert.Contains(t, report, strconv.FormatUint(own+41000, 10))
	assert.Contains(t, report, "from before this monitor (old &lt;counter&gt;).")
	assert.Contains(t, report, "Oil change due on about 2027-03-12 (lift cycles, at the usual duty).")
	assert.Contains(t, report, "Filter change is due (days).")
	assert.NotContains(t, report, "Service due")
	v, err := s.opts.Visits.Get(id)
	require.NoError(t, err)
	assert.Equal(t, own, v.End.LiftCycles, "the board's own count stays")
	assert.Contains(t, get(s, "/visits/"+id+".csv").Body.String(), "counter-start,old <counter>,lift_cycles,41000")
}
