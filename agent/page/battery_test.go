package page

import (
	"encoding/json"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	"liftbank/agent/visit/judge"
)

// revision returns the revision of the open visit, as a form sends it.
func revision(s *Server) string { return strconv.Itoa(s.opts.Visits.Draft().Revision) }

// replaceBattery does as somebody does who replaces a battery: the label, then the second tap.
func replaceBattery(t testing.TB, s *Server, battery, serial string) {
	t.Helper()
	form := url.Values{
		"id": {s.opts.Visits.Draft().ID}, "revision": {revision(s)}, "battery": {battery}, "do": {"replace"},
		"token": {"0123456789" + serial}, "fit." + battery + ".serial": {serial},
	}
	w := post(s, "/visit/battery", form, session(s))
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Body.String(), `value="replace-yes"`, "asked once more")
	form.Set("do", "replace-yes")
	form.Set("revision", revision(s))
	w = post(s, "/visit/battery", form, session(s))
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
}

// A load test is judged as it is saved, beside what the monitor knows; what it says is in the record.
func TestALoadTestIsJudged(t *testing.T) {
	s, _, _ := unit(t, rich(t), full(t))
	d := begin(t, s)
	form := url.Values{
		"id": {d.ID}, "revision": {"1"}, "battery": {"b"}, "with": {"load"}, "test.b.load_a": {"475"},
		"test.b.after_s": {"15"}, "test.b.voltage_v": {"8,9"}, "test.b.temperature_c": {"11"}, "test.b.before_v": {"12.6"},
	}
	w := post(s, "/visit/test", form, session(s))
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	assert.Equal(t, "/visit/test/b?with=load#judged", w.Header().Get("Location"))
	page := get(s, "/visit/test/b?with=load").Body.String()
	for _, want := range []string{
		"Does not pass", "8.9\u00a0V; at least 9.42\u00a0V is needed", "half its rated current, 475\u00a0A", "12.6\u00a0V at rest",
		"The monitor agrees", "706",
	} {
		assert.Contains(t, page, want)
	}
	got, _ := s.opts.Visits.Draft().Test("b")
	assert.Equal(t, judge.Fails, got.Load.Outcome)

	form.Set("revision", revision(s))
	form.Set("test.b.voltage_v", "x")
	w = post(s, "/visit/test", form, session(s))
	assert.Equal(t, http.StatusUnprocessableEntity, w.Code)
	assert.Contains(t, w.Body.String(), "not a number")
	form.Set("test.b.voltage_v", "8.9")
	form.Set("test.b.load_a", "240")
	form.Set("next", "a")
	w = post(s, "/visit/test", form, session(s))
	assert.Equal(t, "/visit/test/a?with=load", w.Header().Get("Location"))
	assert.Contains(t, get(s, "/visit/test/b").Body.String(), "Less than half the rated current")

	w = post(s, "/visit/test", url.Values{
		"id": {d.ID}, "revision": {revision(s)}, "battery": {"b"}, "with": {"tester"}, "test.b.cranking_a": {"300"},
		"test.b.tester_c": {"20"},
	}, session(s))
	require.Equal(t, http.StatusSeeOther, w.Code)
	page = get(s, "/visit/test/b?with=tester").Body.String()
	for _, want := range []string{"300\u00a0±\u00a026 A, 32 % of the rating", "760\u00a0A", "The monitor disagrees", "Check the rated CCA"} {
		assert.Contains(t, page, want)
	}
	var v visit.Visit
	require.NoError(t, json.Unmarshal(get(s, "/visits/"+finished(t, s)+".json").Body.Bytes(), &v))
	require.Len(t, v.Tests, 1)
	assert.Equal(t, judge.Disagree, v.Tests[0].Tester.Monitor)
	assert.Equal(t, 9.416666666666668, *v.Tests[0].Load.NeededV)
	assert.Equal(t, []judge.Reason{judge.LoadLow}, v.Tests[0].Load.Reasons)
}

// Six cells as the trade reads them, 1265 for 1.265; an AGM battery has none to open.
func TestAHydrometerIsJudged(t *testing.T) {
	first := rich(t)
	first.Batteries[0].Chemistry = "agm"
	s, _, _ := unit(t, first, full(t))
	d := begin(t, s)
	form := url.Values{"id": {d.ID}, "revision": {"1"}, "battery": {"b"}, "with": {"hydrometer"}, "hydro.b.temperature_c": {"21.1"}}
	for i, sg := range []string{"1250", "1.245", "1,250", "1200", "1240", "1250"} {
		form.Set("hydro.b."+strconv.Itoa(i+1), sg)
	}
	require.Equal(t, http.StatusSeeOther, post(s, "/visit/test", form, session(s)).Code)
	page := get(s, "/visit/test/b?with=hydrometer").Body.String()
	for _, want := range []string{"Low cells: 4", "differ by 0.050", "1.246", "Charge it full and read again"} {
		assert.Contains(t, page, want)
	}
	form.Set("revision", revision(s))
	form.Set("hydro.b.3", "0.9")
	w := post(s, "/visit/test", form, session(s))
	assert.Equal(t, http.StatusUnprocessableEntity, w.Code)
	assert.Contains(t, w.Body.String(), "enter 1 to 1.35")

	agm := url.Values{"id": {d.ID}, "revision": {revision(s)}, "battery": {"a"}, "with": {"hydrometer"}, "hydro.a.1": {"1250"}}
	require.Equal(t, http.StatusSeeOther, post(s, "/visit/test", agm, session(s)).Code)
	assert.Contains(t, get(s, "/visit/test/a?with=hydrometer").Body.String(), "Only flooded batteries")
}

// °F is taken where it is shown.
func TestTestsInFahrenheit(t *testing.T) {
	s, _, _ := unit(t, rich(t), full(t))
	d := begin(t, s)
	inF := func(r *http.Request) { r.AddCookie(&http.Cookie{Name: words.TempCookie, Value: "f"}) }
	w := post(s, "/visit/test", url.Values{
		"id": {d.ID}, "revision": {"1"}, "battery": {"b"}, "with": {"load"}, "test.b.temperature_c": {"50"},
		"test.b.load_a": {"475"}, "test.b.after_s": {"15"}, "test.b.voltage_v": {"10"},
	}, session(s), inF)
	require.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "10", s.opts.Visits.Draft().Fields["test.b.temperature_c"])
	page := get(s, "/visit/test/b", inF).Body.String()
	assert.Contains(t, page, `value="50"`)
	assert.Contains(t, page, "At 50\u00a0°F, a good battery holds 9.4\u00a0V")
}

// A battery is replaced by two taps, its tests go with it, and undoing brings all of it back.
func TestReplacingAndUndoing(t *testing.T) {
	s, hub, c := unit(t, rich(t), full(t))
	d := begin(t, s)
	done := s.opts.Actions.(*deeds)
	w := post(s, "/visit/work", url.Values{"id": {d.ID}, "token": {"0123456789"}, "kind": {"battery-replaced:b"}}, session(s))
	assert.Equal(t, "/visit/battery/b?new", w.Header().Get("Location"))
	assert.Empty(t, done.all(), "one tap does nothing")

	test := url.Values{"id": {d.ID}, "revision": {"1"}, "battery": {"b"}, "with": {"load"}, "test.b.load_a": {"475"},
		"test.b.after_s": {"15"}, "test.b.voltage_v": {"8.9"}, "test.b.temperature_c": {"11"}}
	require.Equal(t, http.StatusSeeOther, post(s, "/visit/test", test, session(s)).Code)

	label := url.Values{
		"id": {d.ID}, "revision": {revision(s)}, "battery": {"b"}, "do": {"replace"}, "token": {"0123456789x"},
		"fit.b.make": {"group 31"}, "fit.b.serial": {"M2-77105"}, "fit.b.date_code": {"H5"}, "fit.b.chemistry": {"agm"},
		"fit.b.place": {"street side"}, "fit.b.rated_ah": {"4000"}, "fit.b.rated_cca_a": {"900"},
		"fit.b.installed": {"10/11/2025"}, "fit.b.warranty_until": {"Oct 2028"},
	}
	w = post(s, "/visit/battery", label, session(s))
	assert.Equal(t, http.StatusUnprocessableEntity, w.Code)
	assert.Contains(t, w.Body.String(), "enter 20 to 400 Ah")
	assert.Contains(t, w.Body.String(), "enter a date as", "10 November or October 11")
	assert.Contains(t, w.Body.String(), `value="group 31"`, "what was typed stays")
	label.Set("fit.b.rated_ah", "105")
	label.Set("fit.b.installed", "2025-10-16")
	label.Set("revision", revision(s))
	w = post(s, "/visit/battery", label, session(s))
	require.Equal(t, http.StatusOK, w.Code)
	assert.Contains(t, w.Body.String(), "Start over with battery b?")
	assert.Contains(t, w.Body.String(), "maker’s own", "H5 may be August 2025 or 2015")
	assert.Empty(t, done.all())
	label.Set("do", "replace-yes")
	label.Set("revision", revision(s))
	for range 2 { // sent twice, done once
		require.Equal(t, http.StatusSeeOther, post(s, "/visit/battery", label, session(s)).Code)
	}
	assert.Equal(t, []string{"fit b agm 105 900 M2-77105 R. Vega"}, done.all())
	d = s.opts.Visits.Draft()
	assert.Empty(t, d.Fields["test.b.load_a"], "the test was the old one's")
	require.Len(t, d.Work, 1)
	assert.Equal(t, "2028-10", d.Work[0].Fitted.Passport.WarrantyUntil)
	assert.Equal(t, judge.Fails, d.Work[0].Removed.Tests.Load.Outcome)
	assert.Equal(t, 706.0, *d.Work[0].Removed.At.CrankingA)

	now := rich(t)
	now.Batteries[1].Chemistry, now.Batteries[1].RatedAh, now.Batteries[1].RatedCCA = "agm", 105, 900
	now.Batteries[1].Passport = d.Work[0].Fitted.Passport
	hub.Publish(now)
	page := get(s, "/visit/battery/b").Body.String()
	assert.Contains(t, page, "Undo: it was not replaced")
	assert.Contains(t, page, "serial M2-77105")
	c.t = c.t.Add(time.Minute)
	undo := url.Values{"id": {d.ID}, "battery": {"b"}, "work": {d.Work[0].ID}}
	for range 2 {
		require.Equal(t, http.StatusSeeOther, post(s, "/visit/battery/back", undo, session(s)).Code)
	}
	assert.Equal(t, "take back b flooded 100 950 R. Vega", done.all()[1])
	assert.Len(t, done.all(), 2)
	d = s.opts.Visits.Draft()
	assert.Equal(t, "475", d.Fields["test.b.load_a"], "and its test is back")
	assert.NotNil(t, d.Work[0].TakenBack)
	assert.NotContains(t, get(s, "/visit/battery/b").Body.String(), "Undo: it was not replaced")
}

// What is known of a battery that stays; what the agent doesn't take up is said, and stays typed.
func TestDescribingABattery(t *testing.T) {
	s, _, _ := unit(t, rich(t), full(t))
	d := begin(t, s)
	form := url.Values{"id": {d.ID}, "revision": {"1"}, "battery": {"a"}, "do": {"describe"}, "fit.a.place": {"street side"}, "fit.a.serial": {"K7-20418"}}
	done := s.opts.Actions.(*deeds)
	done.fail = assert.AnError
	w := post(s, "/visit/battery", form, session(s))
	assert.Equal(t, http.StatusServiceUnavailable, w.Code)
	assert.Contains(t, w.Body.String(), `value="K7-20418"`)
	done.fail = nil
	form.Set("revision", revision(s))
	require.Equal(t, http.StatusSeeOther, post(s, "/visit/battery", form, session(s)).Code)
	assert.Equal(t, []string{"describe a street side K7-20418 R. Vega"}, done.all())
	assert.Empty(t, s.opts.Visits.Draft().Fields["fit.a.serial"], "it is the battery's now")
	assert.Equal(t, http.StatusNotFound, get(s, "/visit/battery/d").Code)
	assert.Equal(t, http.StatusNotFound, get(s, "/visit/test/d").Code)
}

// Order, parts, what remains, and signatures that are drawings and nothing else.
func TestOrderAndSignatures(t *testing.T) {
	s, _, _ := unit(t, rich(t), full(t))
	d := begin(t, s)
	form := url.Values{
		"id": {d.ID}, "revision": {"1"}, "order.number": {"88213"}, "order.minutes": {"75"}, "order.parts": {"battery 12 V 100 Ah"},
		"order.remains": {"plug seal, 7-pin"}, "order.due": {"2026-04-14"}, "sign.technician": {"10,20 30,40;5,5"},
		"sign.received": {`1,1"/><script>alert(1)</script>`},
	}
	w := post(s, "/visit/order", form, session(s))
	assert.Equal(t, http.StatusUnprocessableEntity, w.Code)
	assert.NotContains(t, w.Body.String(), "<script>alert")
	assert.Empty(t, s.opts.Visits.Draft().Fields["sign.received"])
	form.Set("sign.received", "")
	form.Set("revision", revision(s))
	require.Equal(t, http.StatusSeeOther, post(s, "/visit/order", form, session(s)).Code)
	assert.Contains(t, get(s, "/visit/order").Body.String(), `<path d="M10,20 L30,40M5,5 l1,0"/>`)
	id := finished(t, s)
	report := get(s, "/visits/"+id).Body.String()
	for _, want := range []string{"88213", "75", "battery 12 V 100 Ah", "plug seal, 7-pin", "2026-04-14", `d="M10,20 L30,40M5,5 l1,0"`} {
		assert.Contains(t, report, want)
	}
}

var snapshotPassport = regexp.MustCompile(`"passport":\{[^}]*"serial":"M2-77105"`)

// A battery's passport is in the snapshot, and what is not known of it is left out.
func TestPassportInTheSnapshot(t *testing.T) {
	first := rich(t)
	first.Batteries[0].Passport = &snapshot.Passport{Serial: "M2-77105", Place: "street side"}
	s, _, _ := unit(t, first, full(t))
	body := get(s, "/api/v1/snapshot").Body.String()
	assert.Regexp(t, snapshotPassport, strings.ReplaceAll(body, ": ", ":"))
	assert.Equal(t, 1, strings.Count(body, `"passport"`))
}
