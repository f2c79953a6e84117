package page

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/history"
	"liftbank/agent/page/visits"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/pin"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

const rightPIN = "482915"

// deeds notes what a technician has made the agent do.
type deeds struct {
	mu   sync.Mutex
	done []string
	fail error
}

func (d *deeds) note(text ...string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fail != nil {
		return d.fail
	}
	d.done = append(d.done, strings.Join(text, " "))
	return nil
}

func (d *deeds) all() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]string{}, d.done...)
}

func (d *deeds) ReplaceBattery(_ context.Context, battery, by string) error {
	return d.note("replace", battery, by)
}
func (d *deeds) FitBattery(_ context.Context, battery string, now visit.Fitted, by string) error {
	return d.note("fit", battery, now.Chemistry, fmt.Sprint(now.RatedAh, now.RatedCCA), now.Passport.Serial, by)
}
func (d *deeds) TakeBackBattery(_ context.Context, battery string, was visit.Fitted, by string) error {
	return d.note("take back", battery, was.Chemistry, fmt.Sprint(was.RatedAh, was.RatedCCA), by)
}
func (d *deeds) DescribeBattery(_ context.Context, battery string, p snapshot.Passport, by string) error {
	return d.note("describe", battery, p.Place, p.Serial, by)
}
func (d *deeds) SettleBatteries(context.Context) error           { return nil }
func (d *deeds) JointCleaned(_ context.Context, by string) error { return d.note("joint", by) }
func (d *deeds) ResetService(_ context.Context, kind, by string) error {
	return d.note("service", kind, by)
}
func (d *deeds) Acknowledge(_ context.Context, finding, subject, by string) error {
	return d.note("acknowledge", finding, subject, by)
}
func (d *deeds) Shelve(_ context.Context, finding, subject, by string, span time.Duration) error {
	return d.note("shelve", finding, subject, by, span.String())
}
func (d *deeds) Unshelve(_ context.Context, finding, subject, by string) error {
	return d.note("unshelve", finding, subject, by)
}
func (d *deeds) Note(_ context.Context, finding, subject, by, text string) error {
	return d.note("note", finding, subject, by, text)
}

// past is a year of a unit that never was: a day's swing of voltage and charge, a cold winter, runs
// every day, two findings.
type past struct {
	now  func() time.Time
	fail error
}

func (p past) Window(ctx context.Context, q history.Query) (history.Window, error) {
	if p.fail != nil {
		return history.Window{}, p.fail
	}
	step := max(q.To.Sub(q.From)/time.Duration(q.Points), time.Second)
	w := history.Window{From: q.From, To: q.To, StepS: step.Seconds(), RunCount: 1234}
	figures := []struct {
		figure, battery string
		base, swing     float64
	}{
		{"voltage_v", "a", 12.9, 0.7}, {"voltage_v", "b", 12.85, 0.72}, {"current_a", "a", -1, 9},
		{"current_a", "b", -1.5, 8},
		{"soc_pct", "a", 78, 12}, {"soc_pct", "b", 74, 13}, {"temperature_c", "a", 12, 9},
	}
	for _, f := range figures {
		w.Series = append(w.Series, history.Series{Figure: f.figure, Battery: f.battery})
	}
	i := 0
	for t := q.From; t.Before(q.To) && i < q.Points; t = t.Add(step) {
		w.TimesS = append(w.TimesS, t.Unix())
		day := float64(t.Unix()%86400) / 86400
		year := float64(t.YearDay()) / 365
		for k, f := range figures {
			s := &w.Series[k]
			v := f.base + f.swing*(math.Sin(2*math.Pi*day)+0.5*math.Cos(2*math.Pi*year))
			low, high := v-f.swing*0.3, v+f.swing*0.3
			if i%97 == 13 { // a gap
				s.Min, s.Mean, s.Max = append(s.Min, nil), append(s.Mean, nil), append(s.Max, nil)
				continue
			}
			s.Min, s.Mean, s.Max = append(s.Min, &low), append(s.Mean, &v), append(s.Max, &high)
		}
		i++
	}
	for k := range min(q.Points, 400) {
		w.Runs = append(w.Runs, history.Run{
			At: q.From.Add(q.To.Sub(q.From) * time.Duration(k) / 400), DurationS: 9, MeanA: 110, PeakA: 160,
		})
	}
	if runStart.After(q.From) && runStart.Before(q.To) {
		w.Runs = append(w.Runs, history.Run{At: runStart, DurationS: 9, MeanA: 110, PeakA: 160})
	}
	end := q.To.Add(-q.To.Sub(q.From) / 4)
	w.Findings = []history.Span{
		{Name: "feed-lost", Severity: "urgent", From: q.From.Add(q.To.Sub(q.From) / 3), To: &end},
		{Name: "bank-low", Severity: "repair", From: end},
	}
	return w, nil
}

// brokenHistory gives a server a history that can't be read.
func brokenHistory(o *Options) { o.History = past{fail: errors.New("disk")} }

// full gives a server everything: a PIN, visits, actions, a history.
func full(t testing.TB, more ...func(*Options)) func(*Options) {
	return func(o *Options) {
		secret, err := pin.Parse(quickPIN)
		require.NoError(t, err)
		o.PIN = pin.NewGate(secret, o.Now, pin.Options{})
		o.Actions = &deeds{}
		o.Visits, err = visit.Open(visit.Options{
			Dir: t.TempDir(), Unit: "t-1042", Form: visit.NewForm(
				visit.DefaultChecklist(), []string{"a", "b"},
			), Actions: o.Actions, Fitter: o.Actions.(*deeds),
		})
		require.NoError(t, err)
		o.History, o.Recording = past{now: o.Now}, &tape{dir: t.TempDir(), copies: 1}
		o.Settings = newKept(t)
		for _, f := range more {
			f(o)
		}
	}
}

// quickPIN is the file of rightPIN with few iterations.
const quickPIN = "liftbank-pin-1 1000 XRHOStGhGEqNZfTp6i6y1g " +
	"u9pm4/VUZTAlt7nkoEED9bekQDQ5+85quIHqAgY+HQg BumezirLifEkzz7FLb6PyrZlp6JLfGKlLn21w6qo3js"

// post sends a form as a browser does from a page of ours.
func post(s *Server, path string, form url.Values, change ...func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Host = "192.168.4.1:8080"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.Header.Set("Origin", "http://192.168.4.1:8080")
	for _, f := range change {
		f(r)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

// session returns what a browser with a session sends.
func session(s *Server) func(*http.Request) {
	text, _ := s.opts.PIN.Session()
	return func(r *http.Request) { r.AddCookie(&http.Cookie{Name: web.SessionCookie, Value: text}) }
}

// known returns what a browser sends that was let in before and has no session.
func known(s *Server) func(*http.Request) {
	text := s.opts.PIN.Device()
	return func(r *http.Request) { r.AddCookie(&http.Cookie{Name: web.DeviceCookie, Value: text}) }
}

func asScript(r *http.Request) { r.Header.Set("Accept", web.TypeJSON) }

// begin begins a visit.
func begin(t testing.TB, s *Server) *visit.Draft {
	w := post(s, "/visit/begin", url.Values{"by": {"R. Vega"}}, session(s))
	require.Equal(t, http.StatusSeeOther, w.Code)
	return s.opts.Visits.Draft()
}

// finished ends the visit under way and gives its name.
func finished(t testing.TB, s *Server) string {
	id := s.opts.Visits.Draft().ID
	w := post(s, "/visit/finish", url.Values{"id": {id}}, session(s))
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.Equal(t, "/visits/"+id, w.Header().Get("Location"))
	return id
}

const hostile = `"><script>alert(1)</script><img src=x onerror=alert(1)>'` + "\x00\u202e=1+1"

// Everything that changes the unit wants a session or the PIN, a form of ours, and a bounded body;
// a GET changes nothing.
func TestWhatChangesIsGuarded(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	changing := []string{
		"/findings/act", "/visit/begin", "/visit/save", "/visit/work", "/visit/finish", "/visit/discard",
		"/visit/settle", "/visit/photo", "/check/compare", "/recording/copy",
	}
	form := url.Values{"by": {"x"}, "name": {"feed-lost"}, "do": {"acknowledge"}, "revision": {"1"}, "id": {"x"}}
	for _, path := range changing {
		assert.Equal(t, http.StatusUnauthorized, post(s, path, form).Code, path)
		assert.Equal(t, http.StatusUnauthorized, post(s, path, form, asScript).Code, path)
		for _, foreign := range []func(*http.Request){
			func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
			func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") },
			func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "http://evil.example") },
			func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "null") },
		} {
			assert.Equal(t, http.StatusForbidden, post(s, path, form, session(s), foreign).Code, path)
		}
		assert.Equal(
			t, http.StatusMisdirectedRequest,
			post(s, path, form, session(s), func(r *http.Request) { r.Host = "evil.example" }).Code, path,
		)
		assert.Equal(t, http.StatusUnauthorized, post(s, path, form, func(r *http.Request) {
			r.AddCookie(&http.Cookie{Name: web.SessionCookie, Value: "forged"})
		}).Code, path)
		huge := url.Values{"text": {strings.Repeat("x", web.MaxBody)}}
		assert.Equal(t, http.StatusRequestEntityTooLarge, post(s, path, huge, session(s)).Code, path)
	}
	assert.Empty(t, s.opts.Actions.(*deeds).all())
	assert.Nil(t, s.opts.Visits.Draft())

	bare, _, _ := unit(t, sample(t, "findings"), full(t), func(o *Options) { o.PIN = nil })
	for _, path := range changing {
		w := post(bare, path, url.Values{"pin": {rightPIN}})
		assert.Equal(t, http.StatusForbidden, w.Code, path)
		assert.Contains(t, w.Body.String(), "No PIN is set", path)
	}
}

func TestSignIn(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	w := get(s, "/findings/act?name=x")
	assert.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "/pin?next=%2Ffindings%2Fact%3Fname%3Dx", w.Header().Get("Location"))
	assert.Contains(t, get(s, "/pin?next=%2Fvisit").Body.String(), `name="next" value="/visit"`)

	w = post(s, "/pin", url.Values{"pin": {rightPIN}, "next": {"/visit"}})
	require.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "/visit", w.Header().Get("Location"))
	cookie := w.Header().Get("Set-Cookie")
	for _, want := range []string{"HttpOnly", "SameSite=Strict", "Path=/", "Max-Age="} {
		assert.Contains(t, cookie, want)
	}
	for _, elsewhere := range []string{
		"//evil.example/", "http://evil.example", `/\evil.example`, "javascript:alert(1)", "/a\r\nSet-Cookie: x=1",
	} {
		w = post(s, "/pin", url.Values{"pin": {rightPIN}, "next": {elsewhere}})
		assert.Equal(t, "/", w.Header().Get("Location"), elsewhere)
	}
	for range 5 {
		w = post(s, "/pin", url.Values{"pin": {"000000"}})
		assert.Equal(t, http.StatusUnauthorized, w.Code)
		assert.Empty(t, w.Header().Get("Set-Cookie"))
	}
	assert.Equal(t, http.StatusTooManyRequests, post(s, "/pin", url.Values{"pin": {rightPIN}}).Code)
}

// What was typed before the PIN was asked for goes on with it.
func TestNothingTypedIsLostAtThePIN(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	d := begin(t, s)
	form := url.Values{
		"id": {d.ID}, "revision": {"1"}, "note": {hostile + " checked"}, "check.oil.filter.state": {"ok"},
	}
	w := post(s, "/visit/save", form, known(s))
	assert.Equal(t, http.StatusUnauthorized, w.Code)
	body := w.Body.String()
	assert.Contains(t, body, `action="/visit/save"`)
	assert.Contains(t, body, `name="check.oil.filter.state" value="ok"`)
	assert.NotContains(t, body, "<script>alert")
	form.Set("pin", rightPIN)
	w = post(s, "/visit/save", form)
	assert.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "ok", s.opts.Visits.Draft().Fields["check.oil.filter.state"])
	assert.Contains(t, s.opts.Visits.Draft().Fields["note"], "checked")
}

func TestAVisitFromBeginToReport(t *testing.T) {
	s, hub, c := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	assert.Equal(
		t, http.StatusUnprocessableEntity,
		post(
			s, "/visit/save", url.Values{"id": {d.ID}, "revision": {"1"}, "meter.a.voltage_v": {"12.6.1"}}, session(s),
		).Code,
	)
	w := post(s, "/visit/save", url.Values{
		"id": {d.ID}, "revision": {"1"}, "by": {"R. Vega"}, "place": {"Yard 4"}, "note": {"Line one\r\nline two"},
		"check.battery-box.posts.state": {"attention"}, "check.battery-box.posts.note": {"lug loose"},
		"check.battery-box.level.reading": {"8"},
		"meter.a.voltage_v":               {"11,98"}, "test.b.cranking_a": {"310"},
		"oil.level": {"low"}, "oil.position": {"lowered"},
	}, session(s))
	require.Equal(t, http.StatusSeeOther, w.Code)
	replaceBattery(t, s, "b", "M2-77105")
	for _, kind := range []string{"joint-cleaned", "service-done", "filter-changed", "other"} {
		w = post(
			s, "/visit/work",
			url.Values{"id": {d.ID}, "token": {"0123456789" + kind}, "kind": {kind}, "text": {"done"}}, session(s),
		)
		require.Equal(t, http.StatusSeeOther, w.Code, kind)
	}
	again := post(
		s, "/visit/work",
		url.Values{"id": {d.ID}, "token": {"0123456789joint-cleaned"}, "kind": {"joint-cleaned"}, "text": {"done"}},
		session(s),
	)
	assert.Equal(t, http.StatusSeeOther, again.Code)
	assert.Equal(
		t, []string{"fit b flooded 100 950 M2-77105 R. Vega", "joint R. Vega", "service service R. Vega", "service filter R. Vega"},
		s.opts.Actions.(*deeds).all(), "sent twice, done once",
	)
	for _, bad := range []string{"", "battery-replaced", "battery-replaced:x", "joint-cleaned:a", "explode"} {
		assert.Equal(
			t, http.StatusUnprocessableEntity,
			post(s, "/visit/work", url.Values{"id": {d.ID}, "token": {"0123456789"}, "kind": {bad}}, session(s)).Code,
			bad,
		)
	}
	long := post(
		s, "/visit/work",
		url.Values{"id": {d.ID}, "token": {"0123456789"}, "kind": {"other"}, "text": {strings.Repeat("é", 2001)}},
		session(s),
	)
	assert.Equal(t, http.StatusUnprocessableEntity, long.Code)
	assert.Contains(t, long.Body.String(), strings.Repeat("é", 2001), "given back")

	preview := get(s, "/visit/report").Body.String()
	assert.Contains(t, preview, "items not checked")
	after := sample(t, "findings")
	after.Batteries[0].ResistanceMohm.Value = nil
	c.t = c.t.Add(time.Minute)
	hub.Publish(after)
	id := finished(t, s)
	again = post(s, "/visit/finish", url.Values{"id": {id}}, session(s))
	assert.Equal(t, "/visits/"+id, again.Header().Get("Location"), "sent twice")
	report := get(s, "/visits/"+id).Body.String()
	for _, want := range []string{
		"R. Vega", "Yard 4", "lug loose", "8 mm", "11.98 V", "310", "low, read with the platform lowered",
		"Battery b replaced", "Line one\nline two", "feed-lost", `<svg class="lines"`,
	} {
		assert.Contains(t, report, want)
	}
	var v visit.Visit
	require.NoError(t, json.Unmarshal(get(s, "/visits/"+id+".json").Body.Bytes(), &v))
	assert.Equal(t, "liftbank.visit-record.v2", v.Schema)
	require.Len(t, v.Readings, 1)
	assert.Equal(t, 11.952, *v.Readings[0].Agent, "the agent's figure of that moment")
	rows, err := csv.NewReader(get(s, "/visits/"+id+".csv").Body).ReadAll()
	require.NoError(t, err)
	assert.Greater(t, len(rows), 40)
	var list visits.Answer
	require.NoError(t, json.Unmarshal(get(s, "/api/v1/visits").Body.Bytes(), &list))
	require.Len(t, list.Visits, 1)
	assert.Equal(t, id, list.Visits[0].ID)
	assert.Equal(t, http.StatusOK, get(s, "/api/v1/visits/"+id).Code)
	assert.Contains(t, get(s, "/visits").Body.String(), "/visits/"+id)
	assert.Equal(
		t, http.StatusConflict,
		post(s, "/visit/save", url.Values{"id": {id}, "revision": {"1"}, "note": {"late"}}, session(s)).Code,
	)
}

// A second technician at the same fields: what doesn't clash is saved, what does is shown side by
// side, nothing is lost.
func TestTwoTechnicians(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	d := begin(t, s)
	key := "check.oil.filter."
	first := url.Values{"id": {d.ID}, "revision": {"1"}, key + "note": {"black"}, "place": {"Yard 4"}}
	require.Equal(t, http.StatusSeeOther, post(s, "/visit/save", first, session(s)).Code)
	second := url.Values{
		"id": {d.ID}, "revision": {"1"}, key + "note": {"new one needed"}, "place": {""}, key + "state": {"attention"},
	}
	for range 2 { // sent twice, kept once
		w := post(s, "/visit/save", second, session(s))
		require.Equal(t, http.StatusSeeOther, w.Code)
		assert.Equal(t, "/visit/settle", w.Header().Get("Location"))
	}
	page := get(s, "/visit/settle").Body.String()
	for _, want := range []string{"Two phones wrote here", "black", "new one needed", "Oil: Filter", ">1 to settle<"} {
		assert.Contains(t, page, want)
	}
	assert.Contains(t, get(s, "/visit/look/feed").Body.String(), ">1 to settle<", "on every page of the visit")
	now := s.opts.Visits.Draft()
	assert.Equal(t, "black", now.Fields[key+"note"])
	assert.Equal(t, "Yard 4", now.Fields["place"], "the second hadn't touched it")
	assert.Equal(t, "attention", now.Fields[key+"state"], "no clash")
	require.Len(t, now.ToSettle, 1)
	w := post(s, "/visit/finish", url.Values{"id": {d.ID}}, session(s))
	assert.Equal(t, "/visit/settle", w.Header().Get("Location"), "not finished before somebody has chosen")
	require.NotNil(t, s.opts.Visits.Draft())
	settle := func(clash, keep, text string) *httptest.ResponseRecorder {
		form := url.Values{"id": {d.ID}, "clash": {clash}, "keep": {keep}, "text": {text}}
		return post(s, "/visit/settle", form, session(s))
	}
	for _, bad := range [][2]string{{"x", "saved"}, {"1", "none"}, {"", ""}} {
		assert.Equal(t, http.StatusBadRequest, settle(bad[0], bad[1], "").Code, bad)
	}
	w = settle("1", "new", strings.Repeat("é", visit.NoteLimit+1))
	assert.Equal(t, http.StatusUnprocessableEntity, w.Code)
	assert.Contains(t, w.Body.String(), strings.Repeat("é", visit.NoteLimit+1), "given back")
	require.Equal(t, http.StatusSeeOther, settle("1", "both", "").Code)
	assert.Equal(t, "black\nnew one needed", s.opts.Visits.Draft().Fields[key+"note"])
	assert.Empty(t, s.opts.Visits.Draft().ToSettle)
	assert.Equal(t, http.StatusSeeOther, settle("1", "saved", "").Code, "pressed twice")
	assert.Contains(t, get(s, "/visit/settle").Body.String(), "Everything is settled")

	var a visits.SaveAnswer
	w = post(s, "/visit/save", url.Values{"id": {d.ID}, "revision": {"1"}, "oil.note": {"mine"}}, session(s), asScript)
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &a))
	assert.Empty(t, a.Conflicts)
	assert.Equal(t, "black\nnew one needed", a.Changed[key+"note"], "a script hears what the other has changed")

	assert.Equal(
		t, http.StatusSeeOther, post(s, "/visit/begin", url.Values{"by": {"Somebody else"}}, session(s)).Code,
		"joins the one under way",
	)
	assert.Equal(t, "R. Vega", s.opts.Visits.Draft().Fields["by"])
	require.Equal(t, http.StatusSeeOther, post(s, "/visit/discard", url.Values{"id": {d.ID}}, session(s)).Code)
	assert.Nil(t, s.opts.Visits.Draft())
}

// Hostile text in every field stays text, on every page and in every export.
func TestHostileVisit(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	d := begin(t, s)
	form := url.Values{"id": {d.ID}, "revision": {"1"}}
	for _, f := range s.opts.Visits.Form().Fields {
		form.Set(f.Key, hostile)
	}
	w := post(s, "/visit/save", form, session(s))
	assert.Equal(t, http.StatusUnprocessableEntity, w.Code, "no number, no choice")
	pages := []string{w.Body.String(), get(s, "/visit").Body.String(), get(s, "/visit/report").Body.String()}
	for _, bad := range []string{hostile, strings.Repeat("9", 400), "1e999", "NaN", "Inf", "0x10", "1_000", "--1"} {
		w := post(
			s, "/visit/save",
			url.Values{"id": {d.ID}, "revision": {"99"}, "meter.a.voltage_v": {bad}, "oil.level": {bad}}, session(s),
		)
		assert.Equal(t, http.StatusUnprocessableEntity, w.Code, bad)
	}
	for _, bad := range []string{"", "-1", "x", "99999999999999999999"} {
		assert.Equal(
			t, http.StatusBadRequest,
			post(s, "/visit/save", url.Values{"id": {d.ID}, "revision": {bad}}, session(s)).Code, bad,
		)
	}
	post(
		s, "/visit/work", url.Values{"id": {d.ID}, "token": {"0123456789"}, "kind": {"other"}, "text": {hostile}},
		session(s),
	)
	id := finished(t, s)
	pages = append(pages, get(
		s, "/visits/"+id,
	).Body.String(), get(s, "/visits").Body.String(), get(s, "/visit").Body.String(),
		get(s, "/pin?next="+url.QueryEscape(hostile)).Body.String(), get(
			s, "/history?span="+url.QueryEscape(hostile),
		).Body.String(),
		get(s, "/check?channel="+url.QueryEscape(hostile)+"&meter="+url.QueryEscape(hostile)).Body.String(),
		get(s, "/findings/act?name="+url.QueryEscape(hostile), session(s)).Body.String(),
		get(s, "/findings/"+url.PathEscape(hostile)).Body.String())
	for i, page := range pages {
		assert.NotContains(t, page, "<script>alert", i)
		assert.NotContains(t, page, "<img", i)
		assert.NotContains(t, page, "\u202e", i)
	}
	rows, err := csv.NewReader(get(s, "/visits/"+id+".csv").Body).ReadAll()
	require.NoError(t, err)
	for _, row := range rows {
		for _, cell := range row {
			assert.NotRegexp(t, `^[=@]`, cell)
		}
	}
	for _, bad := range []string{"..%2f..%2fetc%2fpasswd", "draft", "draft.json", "", "x.csv"} {
		code := get(s, "/visits/"+bad).Code
		assert.Equal(t, http.StatusNotFound, code, bad)
	}
}

func TestFindingsAreActedOn(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	act := func(more url.Values) *httptest.ResponseRecorder {
		form := url.Values{"name": {"battery-tired"}, "subject": {"b"}, "by": {"R. Vega"}}
		for k, v := range more {
			form[k] = v
		}
		return post(s, "/findings/act", form, session(s))
	}
	for _, ok := range []url.Values{
		{"do": {"acknowledge"}}, {"do": {"shelve"}, "span": {"7d"}}, {"do": {"unshelve"}},
		{"do": {"note"}, "text": {"ordered"}},
	} {
		assert.Equal(t, http.StatusSeeOther, act(ok).Code)
	}
	assert.Equal(
		t,
		[]string{
			"acknowledge battery-tired b R. Vega", "shelve battery-tired b R. Vega 168h0m0s",
			"unshelve battery-tired b R. Vega", "note battery-tired b R. Vega ordered",
		},
		s.opts.Actions.(*deeds).all(),
	)
	for _, bad := range []url.Values{
		{"do": {"explode"}}, {"do": {"shelve"}, "span": {"99y"}}, {"do": {"note"}, "text": {" "}},
		{"do": {"note"}, "text": {strings.Repeat("x", 2001)}}, {"do": {"acknowledge"}, "by": {""}},
	} {
		assert.Equal(t, http.StatusUnprocessableEntity, act(bad).Code, bad)
	}
	s.opts.Actions.(*deeds).fail = errors.New("no such finding stands")
	w := act(url.Values{"do": {"note"}, "text": {"kept text"}})
	assert.Equal(t, http.StatusConflict, w.Code)
	assert.Contains(t, w.Body.String(), "no such finding stands")
	assert.Contains(t, w.Body.String(), "kept text")
	assert.Equal(t, http.StatusOK, get(s, "/findings").Code)
	assert.Equal(t, http.StatusOK, get(s, "/findings/feed-lost").Code)
	assert.Equal(t, http.StatusNotFound, get(s, "/findings/no-such").Code)
	assert.Contains(
		t, get(s, "/findings/act?name=feed-lost&subject=", session(s)).Body.String(), "No charge reaches the bank",
	)
}

// A meter's figure goes into the visit with the correction that it amounts to.
func TestCompareWithMyMeter(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	page := get(s, "/check?channel=voltage_a&meter=12,75").Body.String()
	assert.Contains(t, page, "calibration: {offset_v: 0.097}")
	assert.Contains(t, page, fmt.Sprintf("calibration: {gain: %.5f}", 12.75/12.653))
	assert.Contains(t, page, "start a visit first")
	assert.Contains(t, get(s, "/check?channel=voltage_a&meter=twelve").Body.String(), "That is not a number")
	form := url.Values{"token": {"0123456789"}, "channel": {"voltage_a"}, "meter": {"12.75 V"}, "use": {"gain"}}
	assert.Equal(t, http.StatusConflict, post(s, "/check/compare", form, session(s)).Code, "no visit")
	begin(t, s)
	assert.Contains(
		t, get(s, "/check?channel=voltage_a&meter=12,75").Body.String(), `name="meter" value="12.75"`,
		"what the page sends is what is taken",
	)
	form.Set("meter", "12.75")
	require.Equal(t, http.StatusSeeOther, post(s, "/check/compare", form, session(s)).Code)
	work := s.opts.Visits.Draft().Work
	require.Len(t, work, 1)
	assert.Contains(t, work[0].Note, "calibration: {gain: 1.00767}")
	assert.Empty(t, s.opts.Actions.(*deeds).all())
}

// The correction proposed takes the place of the one that the channel has: with it, the channel
// shows what the meter shows.
func TestTheCorrectionTakesThePlaceOfTheOldOne(t *testing.T) {
	const raw, mine = 12.40, 12.75
	for _, has := range []*snapshot.Calibration{nil, {Gain: 1}, {Offset: 0.05, Gain: 1.01}, {Offset: -0.3, Gain: 0.9}} {
		shown := raw
		if has != nil {
			shown = (raw + has.Offset) * has.Gain
		}
		v := visits.Compare(words.Readers[0], snapshot.Channel{Name: "x", Unit: "V", Value: &shown, Calibration: has}, "12.75")
		for _, line := range []string{v.Offset, v.Gain} {
			next := snapshot.Calibration{Gain: 1}
			for part := range strings.SplitSeq(line, ", ") {
				name, text, _ := strings.Cut(part, ": ")
				x, ok := visit.ParseNumber(text)
				require.True(t, ok, line)
				if name == "gain" {
					next.Gain = x
				} else {
					next.Offset = x
				}
			}
			assert.InDelta(t, mine, (raw+next.Offset)*next.Gain, 0.0005, "%+v: %s", has, line)
		}
	}
}

func TestHistoryIsAskedWithinBounds(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	for query, want := range map[string]int{
		"": 200, "?span=365d": 200, "?span=10m&points=10": 200,
		"?from=2026-03-01T00:00:00Z&to=2026-03-02T00:00:00Z": 200,
		"?span=2y": 400, "?points=0": 400, "?points=5000": 400, "?points=x": 400, "?from=yesterday": 400,
		"?from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z": 400,
		"?from=0001-01-01T00:00:00Z":                         400,
		"?to=9999-01-01T00:00:00Z":                           400, "?from=2001-01-01T00:00:00Z": 400,
	} {
		assert.Equal(t, want, get(s, "/api/v1/history"+query).Code, query)
		assert.Equal(t, want, get(s, "/history"+query).Code, query)
	}
	var w history.Window
	require.NoError(t, json.Unmarshal(get(s, "/api/v1/history?span=7d&points=50").Body.Bytes(), &w))
	assert.LessOrEqual(t, len(w.TimesS), 50)
	page := get(s, "/history?span=7d").Body.String()
	assert.Equal(t, 5, strings.Count(page, `<svg class="lines"`), "four figures, and what flows in")
	assert.Equal(t, 2+2, strings.Count(page, `<svg class="bar"`), "runs, charging, two findings")
	assert.NotContains(t, page, "NaN")

	s, _, _ = unit(t, sample(t, "healthy"), full(t), brokenHistory)
	assert.Equal(t, 500, get(s, "/api/v1/history").Code)
	assert.Contains(t, get(s, "/history").Body.String(), "can’t be read now")
	s, _, _ = unit(t, sample(t, "healthy"))
	assert.Equal(t, 503, get(s, "/api/v1/history").Code)
	assert.Contains(t, get(s, "/history").Body.String(), "keeps no history")
}

func TestUnitsAndLanguage(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	spanish := func(r *http.Request) { r.Header.Set("Accept-Language", "fr;q=0.9, es-MX;q=0.8, en;q=0.5") }
	page := get(s, "/", spanish).Body.String()
	assert.Contains(t, page, `<html lang="es">`)
	assert.Contains(t, page, "No se encontró nada mal")
	assert.Contains(t, page, ">15<")
	w := post(s, "/choices", url.Values{"temp": {"f"}, "lang": {"en"}, "back": {"/check"}})
	assert.Equal(t, "/check", w.Header().Get("Location"))
	page = get(s, "/", spanish, func(r *http.Request) {
		for _, c := range w.Result().Cookies() {
			r.AddCookie(c)
		}
	}).Body.String()
	assert.Contains(t, page, `<html lang="en">`)
	assert.Contains(t, page, ">58<", "14.5 °C")
	assert.Contains(t, page, "Temperature, °F")
	w = post(s, "/choices", url.Values{"temp": {"k"}, "lang": {hostile}, "back": {"//evil.example"}})
	assert.Empty(t, w.Result().Cookies())
	assert.Equal(t, "/", w.Header().Get("Location"))
}
