package desk

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	"liftbank/rules/detect"
)

type findingOf = snapshot.Finding

var t0 = time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)

const testPassword = "correct horse 7"

// testHash is one for all tests: a hash takes 20 ms.
var testHash = sync.OnceValue(func() string { return HashPassword(testPassword) })

type fixture struct {
	testing.TB
	store *memory
	desk  *Desk
	now   time.Time
}

func newFixture(t testing.TB, change ...func(*Options)) *fixture {
	t.Helper()
	f := &fixture{TB: t, now: t0}
	f.store = newMemory(func() time.Time { return f.now })
	for _, r := range Roles {
		f.store.accounts["the "+string(r)] = Account{Name: "the " + string(r), Role: r, Hash: testHash()}
	}
	o := Options{Store: f.store, Now: func() time.Time { return f.now }, Log: slog.New(slog.DiscardHandler)}
	for _, c := range change {
		c(&o)
	}
	var err error
	f.desk, err = New(o)
	require.NoError(t, err)
	return f
}

// client is a browser with a cookie.
type client struct {
	*fixture
	cookies map[string]string
	from    string
	head    map[string]string
}

func (f *fixture) client() *client {
	return &client{f, map[string]string{}, "192.0.2.7:4711", map[string]string{}}
}

// as is a browser that is signed in.
func (f *fixture) as(r Role) *client {
	c := f.client()
	token := newToken()
	require.NoError(f, f.store.AddLogin(f.Context(), Login{Hash: hashToken(token), Account: "the " + string(r), Until: f.now.Add(sessionLife)}))
	c.cookies[sessionCookie] = token
	return c
}

func (c *client) do(method, path, contentType string, body io.Reader) *http.Response {
	c.Helper()
	r := httptest.NewRequest(method, "http://127.0.0.1"+path, body)
	r.RemoteAddr = c.from
	for name, value := range c.cookies {
		r.AddCookie(&http.Cookie{Name: name, Value: value})
	}
	if contentType != "" {
		r.Header.Set("Content-Type", contentType)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	for k, v := range c.head {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	c.desk.Handler().ServeHTTP(w, r)
	res := w.Result()
	for _, ck := range res.Cookies() {
		if ck.MaxAge < 0 {
			delete(c.cookies, ck.Name)
		} else {
			c.cookies[ck.Name] = ck.Value
		}
	}
	return res
}

func (c *client) get(path string) (int, string) {
	c.Helper()
	res := c.do("GET", path, "", nil)
	b, err := io.ReadAll(res.Body)
	require.NoError(c, err)
	return res.StatusCode, string(b)
}

func (c *client) post(path string, pairs ...string) (int, string) {
	c.Helper()
	form := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		form.Add(pairs[i], pairs[i+1])
	}
	res := c.do("POST", path, "application/x-www-form-urlencoded", strings.NewReader(form.Encode()))
	b, err := io.ReadAll(res.Body)
	require.NoError(c, err)
	if l := res.Header.Get("Location"); l != "" {
		return res.StatusCode, l
	}
	return res.StatusCode, string(b)
}

func ptr[T any](v T) *T { return &v }

// sample is a unit's snapshot, as the unit's pages are tested with.
func sample(t testing.TB) *snapshot.Snapshot {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "snapshot", "testdata", "healthy.json"))
	require.NoError(t, err)
	s := &snapshot.Snapshot{}
	require.NoError(t, json.Unmarshal(data, s))
	return s
}

func fnd(name, subject, severity string, age time.Duration) snapshot.Finding {
	at := t0.Add(-age)
	f := snapshot.Finding{
		Name: name, Subject: subject, Severity: severity, State: "unacknowledged", Active: true, Since: at, RaisedAt: &at, Title: name,
		Causes: []snapshot.Cause{}, NextCheck: []string{}, Evidence: []snapshot.Evidence{
			{What: snapshot.Text{ID: "evidence.charge", English: "state of charge"}, Value: 61, Unit: "%", At: at},
		},
	}
	if d := detect.Lookup(name); d != nil {
		f.Title, f.Summary, f.NextCheck, f.Clears = d.TitleOf(subject), d.SummaryOf(subject), d.NextCheck, d.Clears
	}
	return f
}

// fill adds a fleet with something of everything.
func (f *fixture) fill() {
	snap := func(charge, lifts float64) *snapshot.Snapshot {
		s := sample(f)
		s.Bank.SoCPct = snapshot.Estimate{Value: &charge, Sigma: ptr(2.0)}
		s.Bank.LiftsLeft = snapshot.Estimate{Value: &lifts, Sigma: ptr(lifts / 6)}
		return s
	}
	put := func(id, place, group string, charge, lifts float64, findings ...snapshot.Finding) {
		f.store.put(worklist.Unit{ID: id, Snapshot: snap(charge, lifts), Findings: findings, HeardAt: f.now.Add(-12 * time.Minute)},
			Data{Place: place, Group: group, Model: "Series 4", Contact: "gate 3"})
	}
	put("4031", "Old Mill", "North", 71, 55, fnd("series-wired", "", "urgent", 35*time.Minute), fnd("bank-low", "", "repair", time.Hour))
	put("4056", "Canal Street", "North", 71, 55, fnd("feed-lost", "", "urgent", 2*time.Hour))
	put("4093", "Weir House", "South", 64, 33, fnd("battery-failed", "b", "urgent", 24*time.Hour))
	tired := fnd("battery-tired", "b", "repair", 42*24*time.Hour)
	put("4017", "Quarry Lane", "South", 96, 140, tired)
	put("4108", "Gasworks Siding", "South", 66, 190, fnd("link-resistive", "positive link a-b", "repair", 48*time.Hour))
	weak := fnd("feed-weak", "", "repair", 6*24*time.Hour)
	flat := fnd("balance-negative", "", "repair", 4*24*time.Hour)
	flat.CausedBy = "feed-weak"
	put("4042", "Mason’s Wharf", "North", 78, 85, weak, flat)
	ack := fnd("balance-negative", "", "repair", 4*24*time.Hour)
	ack.State, ack.AckBy, ack.AckAt = "acknowledged", "R. Vale", ptr(t0.Add(-time.Hour))
	put("4077", "North Pit", "North", 69, 70, ack)
	shelved := fnd("motor-drop", "", "repair", 12*24*time.Hour)
	shelved.State, shelved.ShelvedBy, shelved.ShelvedUntil = "shelved", "Ines K.", ptr(t0.Add(10*24*time.Hour))
	put("4060", "Tannery Road", "South", 93, 125, shelved)
	put("4025", "Ferry Road", "South", 97, 165, fnd("service-due", "", "note", 24*time.Hour))
	put("4071", "Brick Field", "North", 91, 140, fnd("clock-unsure", "", "note", 20*24*time.Hour))
	for i := range 35 {
		put(fmt.Sprintf("5%03d", i), "", "North", 95, 150)
	}
	f.store.put(worklist.Unit{ID: "4049", Snapshot: snap(92, 140), HeardAt: f.now.Add(-40 * time.Hour)}, Data{Place: "Harbor Gate"})
	f.store.put(worklist.Unit{ID: "4066", HeardAt: f.now.Add(-9 * 24 * time.Hour)}, Data{Place: "Kiln Lane", ParkedFrom: "2026-03-01", ParkedUntil: "2026-04-01", ParkedReason: "season"})
	f.store.put(worklist.Unit{
		ID: "4088", Snapshot: snap(90, 120), HeardAt: f.now, Visit: &worklist.OpenVisit{By: "Ines K.", Since: f.now.Add(-2 * time.Hour)},
	}, Data{Place: "Mill Race"})
	f.store.units["4017"].Snapshot.Batteries[1].Passport = &snapshot.Passport{
		Serial: "M2-77105", DateCode: "H5", Place: "street side", Make: "group 31", Installed: "2025-10-16",
	}
	f.store.past = map[string]*Past{"4017": pastFor(f.now, 365)}
	u := f.store.units["4017"]
	u.Streams = []Stream{{Stream: "runs", Session: "k7", First: 1, Through: 4120, Missing: 3, Gone: 2, HeardAt: t0}}
	u.Status, u.StatusAt = "online", t0.Add(-time.Hour)
	head := func(stream string, age time.Duration) Record {
		return Record{Unit: "4017", Stream: stream, Session: "k7", Seq: 9, At: t0.Add(-age), ReceivedAt: t0.Add(-age), Trusted: true}
	}
	for i := range 5 {
		f.store.addRecord(head("runs", time.Duration(9-i)*time.Hour), records.Run{Run: snapshot.Run{
			Number: uint64(400 + i), Start: t0.Add(-time.Duration(9-i) * time.Hour), DurationS: 9.4, MeanA: 118.3, PeakA: 171, MinBankV: 11.21,
		}})
	}
	raised := tired
	raised.Change = "raised"
	f.store.addRecord(head("findings", 42*24*time.Hour), records.Finding{Finding: raised})
	f.store.addRecord(head("visits", 300*24*time.Hour), records.Visit{Visit: visit.Visit{
		Schema: visit.Schema, ID: "v1", Unit: "4017", By: "R. Vale", Place: "Quarry Lane", Begun: t0.Add(-300 * 24 * time.Hour), Finished: t0.Add(-299 * 24 * time.Hour),
		ClockTrusted: true,
		Work:         []visit.Work{{Kind: visit.BatteryReplaced, Subject: "a", At: t0.Add(-300 * 24 * time.Hour), By: "R. Vale"}},
		Areas:        []visit.CheckedArea{{Title: "Battery box", Items: []visit.CheckedItem{{Text: "Posts and lugs clean and tight", State: "attention", Note: "green"}, {State: "ok"}}}},
		Before:       visit.Figures{Batteries: []visit.BatteryFigures{{ID: "a", VoltageV: ptr(12.1), Verdict: "failed"}}, Links: []visit.LinkFigures{}},
		After:        visit.Figures{Batteries: []visit.BatteryFigures{{ID: "a", VoltageV: ptr(12.7), Verdict: "fit"}}, Links: []visit.LinkFigures{}},
		Readings:     []visit.Reading{{Subject: "a", Figure: "voltage_v", Value: 12.71, Unit: "V", Agent: ptr(12.7)}},
		Tests:        []visit.Test{{Battery: "a", Method: "tester", CrankingA: ptr(905.0)}},
		Findings:     []visit.Remaining{{Name: "share-uneven", Subject: "a", Severity: "note", State: "acknowledged", NextCheck: []string{}}},
	}})
}

// pastFor makes a year of a unit whose battery b gets weak, and was replaced before that.
func pastFor(to time.Time, days int) *Past {
	p := &Past{}
	e := func(v, sigma float64) db.DayEstimate { return db.DayEstimate{&v, &sigma} }
	first := to.Truncate(dayLong).AddDate(0, 0, 1-days)
	for i := range days {
		day := first.AddDate(0, 0, i)
		x := float64(i) / float64(days)
		charge, full := 82+12*math.Sin(float64(i)/9), float64(i%11+1)*dayLong.Seconds()
		d := db.Day{Day: day, At: day.Add(18 * time.Hour), LowPct: ptr(charge - 14), SinceFullS: &full}
		d.SoCPct = e(math.Round(charge), 2)
		d.Counted = db.DayCounts{Lifts: uint64(8 * i), Runs: uint64(31*i + i%7*4), FeedS: float64(i) * 10800, ChargedAh: 21.5 * float64(i), DrawnAh: 20 * float64(i)}
		for k, id := range []string{"a", "b"} {
			lost := 0.0
			if k == 1 && x > 0.3 {
				lost = 420 * (x - 0.3) * (x - 0.3) / 0.49 * 0.87
			}
			if k == 1 && x < 0.1 {
				lost = 350
			}
			b := db.DayBattery{ID: id, RatedCCA: 950, SoCPct: e(math.Round(charge), 2), CrankingA: e(math.Round(925-lost-20*x), 24)}
			b.ResistanceMohm = e(math.Round((3.2+lost/130)*100)/100, 0.08)
			if i%3 == 0 {
				b.RestedV = e(math.Round((12.4+charge/350)*1000)/1000, 0.012)
			}
			if i > 120 && i < 140 {
				b.CrankingA, b.ResistanceMohm = db.DayEstimate{}, db.DayEstimate{}
			}
			d.Batteries = append(d.Batteries, b)
		}
		p.Days = append(p.Days, d)
	}
	for i := range 30 * 24 {
		at := to.Truncate(time.Hour).Add(-time.Duration(i) * time.Hour)
		mean := 84 + 10*math.Sin(float64(i)/24)
		p.Hours = append(p.Hours, Hour{at, mean, mean - 3, mean + 3})
	}
	slices.Reverse(p.Hours)
	for i := range 40 {
		p.Runs = append(p.Runs, to.Add(-time.Duration(40-i)*4*time.Hour))
	}
	p.Alarms = []db.Alarm{
		{Finding: "bank-undercharged", Severity: "repair", Raised: to.AddDate(0, 0, -80), Ended: to.AddDate(0, 0, -71)},
		{Finding: "battery-tired", Subject: "b", Severity: "repair", Raised: to.AddDate(0, 0, -42)},
		{Finding: "feed-lost", Severity: "urgent", Raised: to.AddDate(0, 0, -20), Ended: to.AddDate(0, 0, -19)},
		{Finding: "bank-undercharged", Severity: "repair", Raised: to.AddDate(0, 0, -12), Ended: to.AddDate(0, 0, -9)},
	}
	return p
}

func TestWorklistPage(t *testing.T) {
	f := newFixture(t)
	f.fill()
	code, body := f.as(RoleRead).get("/")
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, body, "10 of 48 units need work")
	order := []string{"4031", "4093", "4056", "4042", "4108"}
	at := -1
	for _, id := range order {
		i := strings.Index(body, `href="/units/`+id+`"`)
		assert.Greater(t, i, at, "%s in its place", id)
		at = i
	}
	for _, want := range []string{
		"Bank wired in series", "Old Mill", "From the converter back to the plug", "Battery b has failed", "shelved to 2026-03-20", "acknowledged",
		"explains 1 finding", "1 finding not judged", "Not heard", "parked until 2026‑04‑01 (season)", "Ines K. at work since", "35–75", "Parts for these 10", "Well: 35",
	} {
		assert.Contains(t, strings.ToLower(body), strings.ToLower(want))
	}
	row := body[strings.Index(body, `/units/4031"`):strings.Index(body, `/units/4056"`)]
	assert.NotContains(t, row, "71", "no charge under series wiring")

	c := f.as(RoleRead)
	c.cookies["liftbank_lang"] = "es"
	code, body = c.get("/")
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, body, "10 de 48 unidades necesitan trabajo")
	assert.Contains(t, body, `lang="es"`)
}

func TestFilters(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleRead)
	tests := map[string]struct{ has, hasNot []string }{
		"/?show=urgent":            {[]string{"4031", "4093"}, []string{"4017", "4025"}},
		"/?show=note&group=North":  {[]string{"4071"}, []string{"4025", "4031"}},
		"/?q=MASON":                {[]string{"4042"}, []string{"4031", "4017"}},
		"/?q=403":                  {[]string{"4031"}, []string{"4042"}},
		"/?show=silent":            {[]string{"4049", "4066"}, []string{"4031", "4088"}},
		"/?show=visit":             {[]string{"4088"}, []string{"4049"}},
		"/?show=nonsense&after=x.": {[]string{"4031"}, nil},
		"/?q=%25":                  {nil, []string{"4031"}},
	}
	for path, want := range tests {
		code, body := c.get(path)
		assert.Equal(t, http.StatusOK, code, path)
		for _, id := range want.has {
			assert.Contains(t, body, `"/units/`+id+`"`, path)
		}
		for _, id := range want.hasNot {
			assert.NotContains(t, body, `"/units/`+id+`"`, path)
		}
	}
}

// Page after page shows each unit once, and the last has no next.
func TestPagesHoldEveryUnitOnce(t *testing.T) {
	f := newFixture(t)
	for i := range 3*pageRows + 7 {
		id := fmt.Sprintf("u-%03d", i)
		f.store.put(worklist.Unit{ID: id, HeardAt: t0, Findings: []snapshot.Finding{fnd("bank-low", "", "repair", time.Duration(i%5)*time.Hour)}}, Data{})
	}
	c := f.as(RoleRead)
	link := regexp.MustCompile(`href="/units/(u-[0-9]+)"`)
	next := regexp.MustCompile(`href="(/\?[^"]*after=[^"]*)"`)
	seen := map[string]int{}
	path := "/"
	for pages := 0; path != ""; pages++ {
		require.Less(t, pages, 5)
		_, body := c.get(path)
		for _, m := range link.FindAllStringSubmatch(body, -1) {
			seen[m[1]]++
		}
		path = ""
		if m := next.FindStringSubmatch(body); m != nil {
			path = strings.ReplaceAll(m[1], "&amp;", "&")
		}
	}
	assert.Len(t, seen, 3*pageRows+7)
	for id, n := range seen {
		assert.Equal(t, 1, n, id)
	}
}

func TestUnitPage(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleDesk)
	code, body := c.get("/units/4017")
	require.Equal(t, http.StatusOK, code)
	for _, want := range []string{
		"Battery b is weak", "Check next", "state of charge", "Visit, R. Vale", "Battery replaced: a", "Quarry Lane", "gate 3", "171", "4120",
		"<svg", "2025-05-14", "90–190", `action="/units/4017/work"`, `value="Series 4"`, "online", "raised",
	} {
		assert.Contains(t, body, want)
	}
	code, body = f.as(RoleRead).get("/units/4017")
	require.Equal(t, http.StatusOK, code)
	assert.NotContains(t, body, "<form method=\"post\" action=\"/units/")
	_, body = c.get("/units/4031")
	assert.Contains(t, body, "not to be believed")
	assert.Contains(t, body, "not judged")
	assert.NotContains(t, body, "71&nbsp;%")
	_, body = c.get("/units/4042")
	assert.Contains(t, body, "Explained by: Feed is weak")
	_, body = c.get("/units/4060")
	assert.Contains(t, body, "Shelved by Ines K.")
	code, body = c.get("/units/4017/visits/7")
	require.Equal(t, http.StatusOK, code)
	for _, want := range []string{"R. Vale", "green", "12.7", "Battery a works harder", "905", "1/2", "2/2"}[:5] {
		assert.Contains(t, body, want)
	}
	code, _ = c.get("/units/4031/visits/7")
	assert.Equal(t, http.StatusNotFound, code, "of another unit")
	code, _ = c.get("/units/4017/visits/1")
	assert.Equal(t, http.StatusNotFound, code, "a run is no visit")
	code, body = c.get("/units/4017/records?stream=runs")
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, body, "peak_a")
	assert.NotContains(t, body, "battery-tired")
	for _, path := range []string{"/units/nope", "/units/nope/records", "/units/4017/visits/99", "/units/4017/visits/x", "/no-such-page"} {
		code, _ := c.get(path)
		assert.Equal(t, http.StatusNotFound, code, path)
	}
	for _, path := range []string{"/parts", "/visits", "/units", "/account", "/import"} {
		code, _ := c.get(path)
		assert.Equal(t, http.StatusOK, code, path)
	}
	_, body = c.get("/parts")
	assert.Contains(t, body, "Ferry Road", "a service that is due")
}

func TestWorkForm(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleDesk)
	key := []string{"finding", "battery-tired", "subject", "b"}
	form := func(more ...string) (int, string) { return c.post("/units/4017/work", append(key[:4:4], more...)...) }
	code, _ := form("state", "planned", "date", "2026-03-16", "who", "R. Vale")
	assert.Equal(t, http.StatusSeeOther, code)
	_, body := c.get("/")
	assert.Contains(t, body, "planned 2026-03-16, R. Vale")
	for _, bad := range []struct{ state, want string }{
		{"planned", "Enter a date"}, {"assigned", "Enter who"}, {"dismissed", "Enter a reason"}, {"x", "Choose a state"},
	} {
		code, body = form("state", bad.state)
		assert.Equal(t, http.StatusBadRequest, code)
		assert.Contains(t, body, bad.want)
	}
	code, body = c.post("/units/4017/work", "finding", "bank-flat", "state", "done")
	assert.Equal(t, http.StatusBadRequest, code)
	assert.Contains(t, body, "not active")
	code, _ = form("state", "dismissed", "reason", "unit is sold")
	assert.Equal(t, http.StatusSeeOther, code)
	_, body = c.get("/")
	assert.NotContains(t, body, `/units/4017"`)
	assert.Contains(t, body, "9 of 48")
	_, body = c.get("/?show=settled")
	assert.Contains(t, body, `/units/4017"`)
	_, body = f.as(RoleAdmin).get("/audit?unit=4017")
	assert.Contains(t, body, "dismissed; unit is sold")
	assert.Contains(t, body, "planned; 2026-03-16; R. Vale")
}

func TestDataForm(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleDesk)
	code, _ := c.post("/units/4017/data", "place", "New Lane", "parked_until", "")
	assert.Equal(t, http.StatusSeeOther, code)
	u, err := f.store.Unit(t.Context(), "4017")
	require.NoError(t, err)
	assert.Equal(t, "New Lane", u.Place)
	assert.Equal(t, "Series 4", u.Model, "what the form has not stays")
	code, body := c.post("/units/4017/data", "place", strings.Repeat("x", 121))
	assert.Equal(t, http.StatusBadRequest, code)
	assert.Contains(t, body, "at most 120")
	code, _ = c.post("/units/4017/data", "parked_until", "tomorrow")
	assert.Equal(t, http.StatusBadRequest, code)
	for _, bad := range [][]string{{"parked_from", "2026-03-01"}, {"parked_reason", "season"}, {"parked_from", "2026-03-20", "parked_until", "2026-03-19"}} {
		code, _ = c.post("/units/4017/data", bad...)
		assert.Equal(t, http.StatusBadRequest, code, bad)
	}
	last := f.store.audit[len(f.store.audit)-1]
	assert.Equal(t, "place=Quarry Lane", last.Before)
	assert.Equal(t, "place=New Lane", last.After)
	assert.Equal(t, "the desk", last.Who)
	n := len(f.store.audit)
	c.post("/units/4017/data", "place", "New Lane")
	assert.Len(t, f.store.audit, n, "nothing changed, nothing to write")

	code, _ = c.post("/units/4017/data", "parked_from", "2026-03-09", "parked_until", "2026-03-30", "parked_reason", "winter")
	assert.Equal(t, http.StatusSeeOther, code)
	last = f.store.audit[len(f.store.audit)-1]
	assert.Equal(t, "parked_from=2026-03-09; parked_until=2026-03-30; parked_reason=winter", last.After)
	_, body = c.get("/units/4017")
	assert.Contains(t, body, "Parked until 2026-03-30: its silence is no alarm. A motor run ends it. winter. (the desk, 12:00")
	_, body = c.get("/")
	assert.Contains(t, body, "parked until 2026‑03‑30 (winter)")
	_, body = c.get("/units.csv")
	assert.Contains(t, body, "4017,New Lane,South,Series 4,gate 3,2026-03-09,2026-03-30,winter,")
	_, body = c.get("/api/v1/units/4017")
	assert.Contains(t, body, `"parked_by":"the desk"`)
	c.post("/units/4017/data", "parked_from", "2026-03-20")
	_, body = c.get("/units/4017")
	assert.Contains(t, body, "Will be parked from 2026-03-20 until 2026-03-30")
	_, body = c.get("/")
	assert.NotContains(t, body, "2026‑03‑30")
}

func upload(t *testing.T, c *client, text string) (int, string) {
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	part, err := m.CreateFormFile("file", "units.csv")
	require.NoError(t, err)
	_, err = io.WriteString(part, text)
	require.NoError(t, err)
	require.NoError(t, m.Close())
	res := c.do("POST", "/import", m.FormDataContentType(), &b)
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return res.StatusCode, string(body)
}

func TestImport(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleDesk)
	code, _ := upload(t, c, "\ufeffUnit, place,group\r\n4017,\"Quarry, Lane\",West\r\n\r\n9001,New,'=1+1\r\n")
	assert.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, "Quarry, Lane", f.store.units["4017"].Place)
	assert.Equal(t, "Series 4", f.store.units["4017"].Model, "a column that is not there changes nothing")
	assert.Equal(t, "=1+1", f.store.units["9001"].Group)
	res := c.do("GET", "/units.csv", "", nil)
	exported, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	assert.Contains(t, string(exported), "'=1+1", "a spreadsheet calculates nothing")
	before := len(f.store.audit)
	code, _ = upload(t, c, string(exported))
	assert.Equal(t, http.StatusSeeOther, code)
	assert.Len(t, f.store.audit, before, "what was exported changes nothing")

	tests := map[string]struct {
		file string
		want []string
	}{
		"empty":           {" ", []string{"the file is empty", "unit,place"}},
		"unknown column":  {"unit,city\nx,y", []string{"Line 1, column 6:", "city", "unit, place, group, model, contact"}},
		"no unit":         {"place\nx", []string{"no column unit"}},
		"column twice":    {"unit,place,place\nx,y,z", []string{"is there twice"}},
		"unit":            {"unit,place\nok,y\nB AD,z", []string{"Line 3, column 1:", "B AD", "1 to 64"}},
		"too long":        {"unit,place\nok," + strings.Repeat("x", 121), []string{"Line 2, column 4:", "at most 120"}},
		"twice":           {"unit,place\nok,y\nok,z", []string{"Line 3", "in line 2 already"}},
		"cells":           {"unit,place\nok,y,z", []string{"Line 2", "3 cells: want 2"}},
		"quote":           {"unit,place\nok,\"y", []string{"quote"}},
		"date":            {"unit,parked_until\nok,1.4.", []string{"YYYY-MM-DD"}},
		"several at once": {"unit,place\nA,y\nB,z", []string{"Line 2", "Line 3"}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			n := len(f.store.units)
			code, body := upload(t, c, test.file)
			assert.Equal(t, http.StatusBadRequest, code)
			for _, want := range test.want {
				assert.Contains(t, body, want)
			}
			assert.Len(t, f.store.units, n, "nothing half imported")
			assert.NotContains(t, f.store.units, "ok")
		})
	}
	code, _ = c.post("/import", "text", "unit,place\n9002,x")
	assert.Equal(t, http.StatusSeeOther, code, "pasted text")
}

// FuzzImport: no file panics, and one that is taken comes back from the export as it was.
func FuzzImport(f *testing.F) {
	for _, s := range []string{"unit,place\na,b\n", "unit,note\na,\"'=x\"\n", "\ufeffunit\nx\n", "unit,parked_until\na,2026-01-01", "a,b\n\"", "unit,place\r\na,\"b\nc\""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, file string) {
		none := func(string) (Data, error) { return Data{}, nil }
		units, err := ReadCSV(strings.NewReader(file), none)
		if err != nil {
			if len(csvErrors(err)) == 0 {
				t.Fatalf("an error without a place: %v", err)
			}
			return
		}
		var b bytes.Buffer
		require.NoError(t, WriteCSV(&b, func(yield func(Data) error) error {
			for _, u := range units {
				if err := yield(u); err != nil {
					return err
				}
			}
			return nil
		}))
		again, err := ReadCSV(&b, none)
		require.NoError(t, err)
		require.Equal(t, units, again)
	})
}

func TestRoles(t *testing.T) {
	f := newFixture(t)
	f.fill()
	type ask struct{ method, path string }
	needed := map[ask]Role{
		{"GET", "/"}: RoleRead, {"GET", "/units"}: RoleRead, {"GET", "/units/4017"}: RoleRead, {"GET", "/parts"}: RoleRead, {"GET", "/visits"}: RoleRead,
		{"GET", "/units.csv"}: RoleRead, {"GET", "/api/v1/worklist"}: RoleRead, {"GET", "/api/v1/units"}: RoleRead, {"GET", "/api/v1/units/4017"}: RoleRead,
		{"GET", "/account"}: RoleRead, {"GET", "/units/4017/records"}: RoleRead,
		{"GET", "/import"}: RoleDesk, {"POST", "/import"}: RoleDesk, {"POST", "/units/4017/data"}: RoleDesk, {"POST", "/units/4017/work"}: RoleDesk,
		{"GET", "/audit"}: RoleAdmin, {"GET", "/accounts"}: RoleAdmin, {"POST", "/accounts"}: RoleAdmin,
	}
	for a, need := range needed {
		for _, role := range append([]Role{""}, Roles...) {
			c := f.client()
			if role != "" {
				c = f.as(role)
			}
			code := c.do(a.method, a.path, map[string]string{"POST": "application/x-www-form-urlencoded"}[a.method], strings.NewReader("")).StatusCode
			switch {
			case role == "" && a.method == "GET" && !strings.HasPrefix(a.path, "/api/"):
				assert.Equal(t, http.StatusSeeOther, code, "%v: to sign in", a)
			case role == "":
				assert.Equal(t, http.StatusUnauthorized, code, a)
			case role.May(need):
				assert.NotContains(t, []int{401, 403, 500, 503}, code, "%v as %s", a, role)
			default:
				assert.Equal(t, http.StatusForbidden, code, "%v as %s", a, role)
			}
		}
	}
	assert.False(t, Role("").May(RoleRead))
	assert.False(t, RoleAdmin.May("x"))
}

func TestSignIn(t *testing.T) {
	f := newFixture(t)
	c := f.client()
	res := c.do("GET", "/units?q=1", "", nil)
	assert.Equal(t, "/login?next=%2Funits%3Fq%3D1", res.Header.Get("Location"))
	code, body := c.post("/login", "name", "the desk", "password", "wrong", "next", "/units")
	assert.Equal(t, http.StatusUnauthorized, code)
	assert.Contains(t, body, "wrong")
	code, body = c.post("/login", "name", "nobody", "password", "wrong")
	assert.Equal(t, http.StatusUnauthorized, code)
	assert.Contains(t, body, "Name or password is wrong")
	code, to := c.post("/login", "name", "the desk", "password", testPassword, "next", "//elsewhere")
	assert.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, "/", to, "nowhere else")
	code, _ = c.get("/")
	assert.Equal(t, http.StatusOK, code)
	token := c.cookies[sessionCookie]
	for hash := range f.store.logins {
		assert.NotContains(t, hash, token, "the database can't sign in")
	}
	code, _ = c.post("/logout")
	assert.Equal(t, http.StatusSeeOther, code)
	c.cookies[sessionCookie] = token
	code, _ = c.get("/api/v1/units")
	assert.Equal(t, http.StatusUnauthorized, code, "ended here, too")

	c = f.as(RoleRead)
	f.now = f.now.Add(sessionLife)
	code, _ = c.get("/api/v1/units")
	assert.Equal(t, http.StatusUnauthorized, code, "a session ends")

	var actions []string
	for _, e := range f.store.audit {
		actions = append(actions, e.Action)
		assert.NotContains(t, fmt.Sprint(e), testPassword)
	}
	assert.Equal(t, []string{ActionRefused, ActionRefused, ActionSignIn, ActionSignOut}, actions)
}

func TestTriesAreLimited(t *testing.T) {
	f := newFixture(t)
	c := f.client()
	for range triesOfOne {
		f.store.accounts["the read"] = Account{Name: "the read", Role: RoleRead, Hash: "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA"}
		code, _ := c.post("/login", "name", "the read", "password", "wrong")
		assert.Equal(t, http.StatusUnauthorized, code)
	}
	code, body := c.post("/login", "name", "the desk", "password", testPassword)
	assert.Equal(t, http.StatusTooManyRequests, code)
	assert.Contains(t, body, "Wait")
	c.from = "198.51.100.9:1"
	code, _ = c.post("/login", "name", "the desk", "password", testPassword)
	assert.Equal(t, http.StatusSeeOther, code, "another address")
	c.from, f.now = "192.0.2.7:4711", f.now.Add(tryEvery)
	code, _ = c.post("/login", "name", "the desk", "password", testPassword)
	assert.Equal(t, http.StatusSeeOther, code, "after a while")
}

func TestPrograms(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.client()
	r := httptest.NewRequest("GET", "http://127.0.0.1/api/v1/worklist", nil)
	r.SetBasicAuth("the read", testPassword)
	w := httptest.NewRecorder()
	c.desk.Handler().ServeHTTP(w, r)
	assert.Equal(t, http.StatusOK, w.Code)
	r = httptest.NewRequest("GET", "http://127.0.0.1/", nil)
	r.SetBasicAuth("the read", testPassword)
	w = httptest.NewRecorder()
	c.desk.Handler().ServeHTTP(w, r)
	assert.Equal(t, http.StatusSeeOther, w.Code, "pages want a session")
	code, body := c.get("/api/v1/worklist")
	assert.Equal(t, http.StatusUnauthorized, code)
	assert.JSONEq(t, `{"error":"Sign in first."}`, body)
}

func TestForeignFormsAreRefused(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleDesk)
	c.head["Sec-Fetch-Site"] = "cross-site"
	code, _ := c.post("/units/4017/data", "place", "x")
	assert.Equal(t, http.StatusForbidden, code)
	c.head["Sec-Fetch-Site"] = ""
	c.head["Origin"] = "http://elsewhere.example"
	code, _ = c.post("/units/4017/data", "place", "x")
	assert.Equal(t, http.StatusForbidden, code)
	assert.Equal(t, "Quarry Lane", f.store.units["4017"].Place)
	r := httptest.NewRequest("GET", "http://rebound.example/", nil)
	w := httptest.NewRecorder()
	f.desk.Handler().ServeHTTP(w, r)
	assert.Equal(t, http.StatusMisdirectedRequest, w.Code)
}

func TestProxy(t *testing.T) {
	for name, test := range map[string]struct {
		from   string
		header []string
		role   Role
		want   int
	}{
		"an account":                {"10.1.2.3:99", []string{"the read"}, "", 200},
		"an account over IPv6":      {"[::ffff:10.1.2.3]:99", []string{"the read"}, "", 200},
		"nobody's name":             {"10.1.2.3:99", []string{"stranger"}, "", 401},
		"nobody's name with a role": {"10.1.2.3:99", []string{"stranger"}, RoleRead, 200},
		"from elsewhere":            {"192.0.2.7:99", []string{"the read"}, RoleRead, 401},
		"twice":                     {"10.1.2.3:99", []string{"the read", "the admin"}, RoleRead, 401},
		"empty":                     {"10.1.2.3:99", []string{""}, RoleRead, 401},
		"none":                      {"10.1.2.3:99", nil, RoleRead, 401},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t, func(o *Options) {
				o.Proxy = Proxy{From: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")}, Header: "X-Forwarded-User", Role: test.role}
			})
			r := httptest.NewRequest("GET", "http://127.0.0.1/api/v1/units", nil)
			r.RemoteAddr = test.from
			for _, h := range test.header {
				r.Header.Add("X-Forwarded-User", h)
			}
			w := httptest.NewRecorder()
			f.desk.Handler().ServeHTTP(w, r)
			assert.Equal(t, test.want, w.Code)
		})
	}
	_, err := New(Options{Store: newMemory(time.Now), Now: time.Now, Log: slog.Default(), Proxy: Proxy{From: []netip.Prefix{{}}}})
	assert.ErrorContains(t, err, "want the header")
}

func TestAccounts(t *testing.T) {
	f := newFixture(t)
	c := f.as(RoleAdmin)
	code, body := c.post("/accounts", "do", "set", "name", "new one", "role", "desk", "password", "short")
	assert.Equal(t, http.StatusBadRequest, code)
	assert.Contains(t, body, "12 to 256")
	for _, bad := range [][2]string{{"", "desk"}, {"a\u202eb", "desk"}, {"x", "root"}} {
		code, _ = c.post("/accounts", "do", "set", "name", bad[0], "role", bad[1], "password", testPassword)
		assert.Equal(t, http.StatusBadRequest, code, bad)
	}
	code, _ = c.post("/accounts", "do", "set", "name", "new one", "role", "desk", "password", testPassword)
	assert.Equal(t, http.StatusSeeOther, code)
	assert.True(t, verify(f.store.accounts["new one"].Hash, testPassword))
	code, body = c.post("/accounts", "do", "remove", "name", "the admin")
	assert.Equal(t, http.StatusBadRequest, code)
	assert.Contains(t, body, "last admin")
	code, _ = c.post("/accounts", "do", "set", "name", "the admin", "role", "read")
	assert.Equal(t, http.StatusBadRequest, code)
	reader := f.as(RoleRead)
	code, _ = c.post("/accounts", "do", "remove", "name", "the read")
	assert.Equal(t, http.StatusSeeOther, code)
	code, _ = reader.get("/api/v1/units")
	assert.Equal(t, http.StatusUnauthorized, code, "who is removed is out at once")

	d := f.as(RoleDesk)
	code, _ = d.post("/password", "old", "wrong wrong wrong", "new", "another horse 8")
	assert.Equal(t, http.StatusBadRequest, code)
	code, _ = d.post("/password", "old", testPassword, "new", "another horse 8")
	assert.Equal(t, http.StatusOK, code)
	code, _ = d.get("/")
	assert.Equal(t, http.StatusOK, code, "still signed in here")
	assert.True(t, verify(f.store.accounts["the desk"].Hash, "another horse 8"))
}

func TestPasswords(t *testing.T) {
	h := HashPassword(testPassword)
	assert.True(t, strings.HasPrefix(h, "$argon2id$v=19$m=19456,t=2,p=1$"), h) // OWASP Password Storage Cheat Sheet
	assert.True(t, verify(h, testPassword))
	assert.False(t, verify(h, testPassword+"x"))
	assert.NotEqual(t, h, HashPassword(testPassword), "salted")
	for _, bad := range []string{
		"", "x", "$argon2id$v=19$m=4294967295,t=2,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA", "$argon2id$v=19$m=8,t=0,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA",
		"$argon2id$v=19$m=8,t=1,p=0$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA", "$argon2id$v=19$m=8,t=1,p=1$!$!", "$argon2i$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA",
	} {
		assert.False(t, verify(bad, ""), bad)
	}
	for _, bad := range []string{"", "short", "aaaaaaaaaaaaaaaa", strings.Repeat("ab", 200)} {
		assert.Error(t, CheckPassword(bad))
	}
	assert.NoError(t, CheckPassword(testPassword))
}

// Whatever a unit or a person writes is text on the page, never markup.
func TestHostileStrings(t *testing.T) {
	for _, evil := range []string{
		`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `'; DROP TABLE unit; --`, "{{.}}", "\u202eevil\x00\x1b[31m", strings.Repeat("Ж", 5000), `javascript:alert(1)`, `</textarea></style>`,
	} {
		f := newFixture(t)
		s := sample(t)
		s.Unit, s.Feed.Status = evil, evil
		for i := range s.Batteries {
			s.Batteries[i].ID, s.Batteries[i].Chemistry, s.Batteries[i].Verdict = evil, evil, evil
		}
		x := fnd(evil, evil, evil, time.Hour)
		x.Title, x.Summary, x.Clears, x.AckBy, x.State = evil, evil, evil, evil, "acknowledged"
		x.NextCheck = []string{evil}
		x.Evidence = []snapshot.Evidence{{What: snapshot.Text{English: evil}, Unit: evil, Battery: evil}}
		x.Causes = []snapshot.Cause{{Cause: snapshot.Text{English: evil}, Reason: &snapshot.Text{English: evil}}}
		x.Remarks = []snapshot.Remark{{By: evil, Text: evil}}
		y := fnd("battery-failed", evil, "urgent", time.Hour)
		y.Because = &snapshot.Text{English: evil}
		s.NotJudged = []snapshot.NotJudged{{Name: evil, Subject: evil, Because: snapshot.Text{English: evil}}}
		s.Troubles = []snapshot.Trouble{{Part: evil, Problem: evil}}
		f.store.put(worklist.Unit{
			ID: "u1", Snapshot: s, Findings: []snapshot.Finding{x, y}, HeardAt: t0, Work: []worklist.Work{{Key: worklist.KeyOf(&x), State: worklist.Assigned, Who: evil, By: evil, At: t0}},
		}, Data{Place: evil, Group: evil, Model: evil, Contact: evil, Note: evil})
		f.store.put(worklist.Unit{ID: "u2", Visit: &worklist.OpenVisit{By: evil, Since: t0}, HeardAt: t0}, Data{Place: evil})
		f.store.units["u1"].Status = evil
		f.store.units["u1"].Streams = []Stream{{Stream: evil, Session: evil}}
		f.store.addRecord(Record{Unit: "u1", Stream: "visits", Session: evil, At: t0}, records.Visit{Visit: visit.Visit{
			By: evil, Place: evil, Note: evil, Work: []visit.Work{{Kind: evil, Subject: evil, Note: evil}}, Findings: []visit.Remaining{{Name: evil, Subject: evil, Severity: evil, State: evil}},
			Areas: []visit.CheckedArea{{Title: evil, Items: []visit.CheckedItem{{Text: evil, State: "attention", Note: evil}}}}, Readings: []visit.Reading{{Subject: evil, Figure: evil, Unit: evil}},
			Tests: []visit.Test{{Battery: evil, Method: evil}}, Before: visit.Figures{Batteries: []visit.BatteryFigures{{ID: evil, Verdict: evil}}},
		}})
		f.store.addRecord(Record{Unit: "u1", Stream: "findings", At: t0}, records.Finding{Finding: x})
		f.store.note(AuditEntry{Who: evil, Action: evil, Unit: evil, What: evil, Before: evil, After: evil})
		f.store.accounts[evil] = Account{Name: evil, Role: Role(evil)}
		c := f.as(RoleAdmin)
		q := url.QueryEscape(evil)
		for _, path := range []string{
			"/", "/units", "/units/u1", "/units/u1/records", "/units/u1/visits/1", "/parts", "/visits", "/audit", "/accounts", "/?q=" + q + "&group=" + q, "/login?next=" + q,
			"/units?q=" + q, "/audit?unit=" + q, "/parts?group=" + q, "/units/" + url.PathEscape(evil),
		} {
			res := c.do("GET", path, "", nil)
			b, err := io.ReadAll(res.Body)
			require.NoError(t, err)
			assert.Contains(t, []int{200, 404, 400}, res.StatusCode, path)
			body := string(b)
			for _, markup := range []string{"<script>alert", "<img src=x", "</textarea></style>", `href="javascript:`, "\x1b", "\u202e"} {
				assert.NotContains(t, body, markup, path)
			}
			assert.Contains(t, res.Header.Get("Content-Security-Policy"), "default-src 'none'")
		}
		for _, path := range []string{"/api/v1/worklist", "/api/v1/units", "/api/v1/units/u1"} {
			code, body := c.get(path)
			assert.Equal(t, 200, code, path)
			assert.True(t, json.Valid([]byte(body)))
		}
		code, _ := c.post("/units/u1/work", "finding", evil, "subject", evil, "state", evil, "who", evil, "date", evil)
		assert.Contains(t, []int{400, 413}, code)
		code, _ = f.client().post("/login", "name", evil, "password", evil, "next", evil)
		assert.Contains(t, []int{401, 413}, code)
	}
}

func TestBrokenStore(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleAdmin)
	f.store.broken = errors.New("disk gone: secret path")
	for _, path := range []string{"/", "/units", "/units/4017", "/parts", "/visits", "/audit", "/accounts", "/api/v1/worklist", "/api/v1/units", "/api/v1/units/4017", "/login"} {
		code, body := c.get(path)
		assert.Equal(t, http.StatusServiceUnavailable, code, path)
		assert.NotContains(t, body, "secret")
	}
}

func TestTextsAreTheSameInBothLanguages(t *testing.T) {
	holes := regexp.MustCompile(`\{[a-z]+\}`)
	for key, en := range texts["en"] {
		es, ok := texts["es"][key]
		assert.True(t, ok, key)
		assert.ElementsMatch(t, holes.FindAllString(en, -1), holes.FindAllString(es, -1), key)
	}
	assert.Len(t, texts["es"], len(texts["en"]))
	// Every text that a template or the code asks for is there, and every one is asked for.
	source := ""
	for _, pattern := range []string{"*.go", "assets/*.html"} {
		names, err := filepath.Glob(pattern)
		require.NoError(t, err)
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			b, err := os.ReadFile(name)
			require.NoError(t, err)
			source += string(b)
		}
	}
	for _, m := range regexp.MustCompile(`\.[TN] "([A-Za-z.]+)"|\.[TN]\("([A-Za-z.]+)"|\btext\((?:v\.To|to|words\.Of\(r\)), "([A-Za-z.]+)"`).FindAllStringSubmatch(source, -1) {
		key := m[1] + m[2] + m[3]
		if !strings.HasSuffix(key, ".") {
			assert.Contains(t, texts["en"], key)
		}
	}
	for key := range texts["en"] {
		base := strings.TrimSuffix(key, ".one")
		group, _, grouped := strings.Cut(base, ".")
		assert.True(t, strings.Contains(source, `"`+base+`"`) || grouped && strings.Contains(source, `"`+group+`.`), "%s is not used", key)
	}
}

func TestLive(t *testing.T) {
	f := newFixture(t)
	f.fill()
	l := f.desk.live
	l.note(1)
	_, known, changed := l.state()
	assert.True(t, known)
	l.note(1)
	select {
	case <-changed:
		t.Fatal("nothing has changed")
	default:
	}
	l.note(2)
	<-changed
}

func BenchmarkWorklistPage(b *testing.B) {
	f := newFixture(b)
	f.fill()
	c := f.as(RoleRead)
	for b.Loop() {
		if code, _ := c.get("/"); code != 200 {
			b.Fatal(code)
		}
	}
}
