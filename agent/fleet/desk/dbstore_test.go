package desk

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// onDatabase is a desk on a real database.
type onDatabase struct {
	*fixture
	db     *db.DB
	parser *wire.Parser
	first  []byte // an agent's own snapshot
	seq    uint64
}

func newOnDatabase(t testing.TB) *onDatabase {
	t.Helper()
	f := newFixture(t)
	o := &onDatabase{fixture: f}
	now := func() time.Time { return f.now }
	var err error
	o.db, err = db.Open(t.Context(), "sqlite://"+filepath.Join(t.TempDir(), "fleet.db"), db.Options{Now: now})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, o.db.Close()) })
	o.parser, err = wire.NewParser("liftbank")
	require.NoError(t, err)
	o.first, err = os.ReadFile(filepath.Join("..", "wire", "testdata", "snapshot.json"))
	require.NoError(t, err)
	store := Stored(o.db, now)
	for _, r := range Roles {
		require.NoError(t, store.SetAccount(t.Context(), "", f.now, Account{Name: "the " + string(r), Role: r, Hash: testHash()}))
	}
	f.desk, err = New(Options{Store: store, Now: now, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	return o
}

func (o *onDatabase) as(r Role) *client {
	o.Helper()
	c := o.client()
	token := newToken()
	require.NoError(o, o.desk.opts.Store.AddLogin(o.Context(), Login{Hash: hashToken(token), Account: "the " + string(r), Until: o.now.Add(sessionLife)}))
	c.cookies[sessionCookie] = token
	return c
}

func (o *onDatabase) message(unit, leaf string, m any) wire.Message {
	o.Helper()
	body, err := json.Marshal(m)
	require.NoError(o, err)
	out, err := o.parser.Parse("liftbank/v1/"+unit+"/"+leaf, body)
	require.NoError(o, err, "%s", body)
	return out
}

func (o *onDatabase) head(unit, stream, schema string, seq uint64, at time.Time) records.Head {
	return records.Head{Schema: schema, Unit: unit, Session: "s1", Stream: stream, First: 1, Seq: seq, At: at, ClockTrusted: true, MonoS: at.Sub(t0).Seconds() + 1e6}
}

// unit sends a snapshot with findings, and a run.
func (o *onDatabase) unit(id string, findings ...snapshot.Finding) []wire.Message {
	o.Helper()
	o.seq++
	var s snapshot.Snapshot
	require.NoError(o, json.Unmarshal(o.first, &s))
	s.Unit, s.Session, s.Seq, s.At, s.ClockTrusted, s.UptimeS = id, "s1", o.seq, o.now, true, o.now.Sub(t0).Seconds()+1e6
	s.Findings = append([]snapshot.Finding{}, findings...)
	return []wire.Message{o.message(id, "snapshot", s), o.run(id)}
}

func (o *onDatabase) run(id string) wire.Message {
	o.Helper()
	o.seq++
	return o.message(id, "runs", records.Run{
		Head: o.head(id, "runs", records.RunSchema, o.seq, o.now), Run: snapshot.Run{Number: o.seq, Start: o.now, DurationS: 9.4},
	})
}

func (o *onDatabase) commit(batch ...wire.Message) {
	o.Helper()
	_, err := o.db.Commit(o.Context(), o.now, batch)
	require.NoError(o, err)
}

// sent is a finding as a unit sends it.
func sent(name, subject, severity string, age time.Duration) snapshot.Finding {
	f := fnd(name, subject, severity, age)
	f.Causes, f.Seq, f.Times = []snapshot.Cause{}, 1, 1
	return f
}

func TestOnADatabase(t *testing.T) {
	o := newOnDatabase(t)
	o.commit(o.unit("4017", sent("battery-tired", "a", "repair", 42*24*time.Hour))...)
	o.commit(o.unit("4031", sent("series-wired", "", "urgent", time.Hour), sent("bank-low", "", "repair", time.Hour))...)
	o.commit(o.unit("4025", sent("service-due", "", "note", time.Hour))...)
	o.commit(o.unit("5000")...)
	o.now = o.now.Add(30 * time.Hour)
	for _, id := range []string{"4017", "4031", "4025", "5001"} { // 5000 is silent by now
		var findings []snapshot.Finding
		switch id {
		case "4017":
			findings = append(findings, sent("battery-tired", "a", "repair", 42*24*time.Hour))
		case "4031":
			findings = append(findings, sent("series-wired", "", "urgent", time.Hour), sent("bank-low", "", "repair", time.Hour))
		case "4025":
			findings = append(findings, sent("service-due", "", "note", time.Hour))
		}
		o.commit(o.unit(id, findings...)...)
	}
	c := o.as(RoleDesk)
	code, body := upload(t, c, "unit,place,group\n4017,Quarry Lane,South\n4031,Old Mill,North\n9001,Far,North\n")
	require.Equal(t, http.StatusSeeOther, code, body)
	code, body = c.get("/")
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, body, "3 of 6 units need work")
	at := -1
	for _, want := range []string{"/units/4031", "/units/4017", "/units/4025", ">Silent<", "/units/5000", "Well: 1", "/units/5001"} {
		i := strings.Index(body, want)
		assert.Greater(t, i, at, want)
		at = i
	}
	for _, want := range []string{"Old Mill", "1 finding not judged", "Oil, one filling", "never heard"} {
		assert.Contains(t, body, want)
	}
	_, body = c.get("/?group=North&show=urgent&q=mill")
	assert.Contains(t, body, "/units/4031")
	assert.NotContains(t, body, "/units/4017")
	_, body = c.get("/parts")
	assert.Contains(t, body, "Filter")
	assert.Contains(t, body, "/units/4025")

	code, body = c.get("/units/4017")
	require.Equal(t, http.StatusOK, code)
	for _, want := range []string{"Battery a is weak", "Quarry Lane", "<svg"} {
		assert.Contains(t, body, want)
	}
	rev, err := o.db.Revision(t.Context())
	require.NoError(t, err)
	code, body = c.post("/units/4017/work", "finding", "battery-tired", "subject", "a", "state", "planned", "date", "2026-03-16", "who", "R. Vale")
	require.Equal(t, http.StatusSeeOther, code, body)
	_, body = c.get("/")
	assert.Contains(t, body, "planned 2026-03-16, R. Vale")
	now, err := o.db.Revision(t.Context())
	require.NoError(t, err)
	assert.Greater(t, now, rev)

	// A visit's record closes it by itself; a finding raised anew opens it again.
	o.now = o.now.Add(time.Hour)
	v := visit.Visit{
		Schema: visit.Schema, ID: "20260311-1", Unit: "4017", By: "R. Vale", Begun: o.now.Add(-30 * time.Minute), Finished: o.now, ClockTrusted: true,
		Areas: []visit.CheckedArea{}, Readings: []visit.Reading{}, Tests: []visit.Test{},
		Work:     []visit.Work{{ID: "w", Kind: visit.BatteryReplaced, Subject: "a", At: o.now.Add(-10 * time.Minute), Acted: true}},
		Findings: []visit.Remaining{{Name: "battery-tired", Subject: "a", Severity: "repair", State: "acknowledged", NextCheck: []string{}}},
		Before:   visit.Figures{Batteries: []visit.BatteryFigures{}, Links: []visit.LinkFigures{}}, After: visit.Figures{Batteries: []visit.BatteryFigures{}, Links: []visit.LinkFigures{}},
	}
	o.commit(o.message("4017", "visits", records.Visit{Head: o.head("4017", "visits", records.VisitSchema, 1, o.now), Visit: v}))
	_, body = c.get("/")
	assert.NotContains(t, body, `href="/units/4017"`)
	_, body = c.get("/units/4017")
	assert.Contains(t, body, "a visit’s record covers it")
	_, body = c.get("/visits")
	assert.Contains(t, body, "Battery replaced: a")
	o.now = o.now.Add(time.Hour)
	again := sent("battery-tired", "a", "repair", 0)
	again.Since, again.RaisedAt, again.Seq, again.Times, again.Change = o.now, &o.now, 9, 2, "raised"
	o.commit(o.message("4017", "findings", records.Finding{Head: o.head("4017", "findings", records.FindingSchema, 1, o.now), Finding: again}))
	_, body = c.get("/")
	assert.Contains(t, body, `href="/units/4017"`)
	_, body = c.get("/units/4017/records")
	assert.Contains(t, body, "battery-tired")
	assert.Contains(t, body, "visits 1")

	admin := o.as(RoleAdmin)
	_, body = admin.get("/audit?unit=4017")
	assert.Contains(t, body, "planned; 2026-03-16; R. Vale")
	assert.Contains(t, body, "place=Quarry Lane")
	code, body = admin.post("/accounts", "do", "set", "name", "new", "role", "desk", "password", testPassword)
	require.Equal(t, http.StatusSeeOther, code, body)
	code, to := o.client().post("/login", "name", "new", "password", testPassword)
	assert.Equal(t, http.StatusSeeOther, code, to)
	code, _ = admin.post("/accounts", "do", "remove", "name", "new")
	assert.Equal(t, http.StatusSeeOther, code)
	code, _ = o.client().post("/login", "name", "new", "password", testPassword)
	assert.Equal(t, http.StatusUnauthorized, code)

	for _, path := range []string{"/api/v1/worklist", "/api/v1/units", "/api/v1/units/4017"} {
		code, body := c.get(path)
		assert.Equal(t, http.StatusOK, code, path)
		assert.True(t, json.Valid([]byte(body)), path)
	}
	code, _ = c.get("/units/none")
	assert.Equal(t, http.StatusNotFound, code)
	code, _ = c.get("/units/4017/visits/999")
	assert.Equal(t, http.StatusNotFound, code)
}

// Both stores answer alike: what is tested with one holds for the other.
func TestStoresAgree(t *testing.T) {
	o := newOnDatabase(t)
	names := []string{"bank-low", "feed-lost", "service-due", "battery-tired"}
	for i := range 30 {
		id := fmt.Sprintf("u-%02d", i)
		var findings []snapshot.Finding
		if i%3 > 0 {
			name := names[i%4]
			findings = append(findings, sent(name, map[bool]string{true: "a"}[name == "battery-tired"], []string{"note", "repair", "urgent"}[i%3], time.Duration(i)*time.Hour))
		}
		o.commit(o.unit(id, findings...)...)
		d := Data{Unit: id, Place: fmt.Sprint("Place ", i%7), Group: string(rune('A' + i%2))}
		require.NoError(t, o.desk.opts.Store.SetData(t.Context(), "x", o.now, []Data{d}))
		u, err := o.desk.opts.Store.Unit(t.Context(), id)
		require.NoError(t, err)
		o.store.units[id] = u
	}
	real := o.desk.opts.Store
	for _, q := range []RowsQuery{
		{}, {Limit: 7}, {Lists: []string{"work"}}, {Lists: []string{"well", "work"}, Group: "B"}, {Severities: []string{"urgent", "note"}}, {Search: "PLACE 3"}, {Search: "u-1", Limit: 3},
		{Finding: "bank-low"}, {Lists: []string{"silent"}}, {Search: "%"}, {Search: `\`},
	} {
		q.Now = o.now
		if q.Limit == 0 {
			q.Limit = 1000
		}
		for range 10 {
			want, more, err := o.store.Rows(t.Context(), q)
			require.NoError(t, err)
			got, gotMore, err := real.Rows(t.Context(), q)
			require.NoError(t, err)
			assert.Equal(t, more, gotMore)
			require.Equal(t, len(want), len(got), "%+v", q)
			for i := range want {
				assert.Equal(t, want[i].Unit, got[i].Unit, "%+v", q)
				assert.Equal(t, want[i].Rank, got[i].Rank)
				assert.Equal(t, want[i].List, got[i].List)
				assert.Equal(t, want[i].Place, got[i].Place)
			}
			wantParts, err := o.store.Parts(t.Context(), q)
			require.NoError(t, err)
			gotParts, err := real.Parts(t.Context(), q)
			require.NoError(t, err)
			assert.Equal(t, wantParts, gotParts, "%+v", q)
			if !more {
				break
			}
			q.After = &Cursor{want[len(want)-1].Rank, want[len(want)-1].Unit}
		}
		q.After = nil
		wantCounts, err := o.store.Counts(t.Context(), q)
		require.NoError(t, err)
		gotCounts, err := real.Counts(t.Context(), q)
		require.NoError(t, err)
		assert.Equal(t, wantCounts, gotCounts, "%+v", q)
	}
	var a, b bytes.Buffer
	require.NoError(t, WriteCSV(&a, func(y func(Data) error) error { return o.store.AllData(t.Context(), y) }))
	require.NoError(t, WriteCSV(&b, func(y func(Data) error) error { return real.AllData(t.Context(), y) }))
	assert.Equal(t, a.String(), b.String())
	_, err := Import(t.Context(), real, "x", o.now, strings.NewReader("unit,place\nu-01,New\nu-02,"+strings.Repeat("x", 500)))
	require.Error(t, err)
	u, err := real.Unit(t.Context(), "u-01")
	require.NoError(t, err)
	assert.Equal(t, "Place 1", u.Place, "nothing half imported")
}

// BenchmarkWorklist100k asks for pages of a worklist of 100,000 units, a tenth with something to do.
func BenchmarkWorklist100k(b *testing.B) {
	o := newOnDatabase(b)
	const units, batch = 100_000, 500
	names := []string{"bank-low", "feed-lost", "service-due", "battery-tired", "link-resistive"}
	for from := 0; from < units; from += batch {
		var messages []wire.Message
		var data []Data
		for i := from; i < from+batch; i++ {
			id := fmt.Sprintf("u-%06d", i)
			var findings []snapshot.Finding
			if i%10 == 0 {
				findings = append(findings, sent(names[i/10%5], "", []string{"note", "repair", "urgent"}[i/10%3], time.Duration(i%1000)*time.Hour))
			}
			if len(findings) == 0 { // without its snapshot: reading 90,000 takes minutes
				messages = append(messages, o.run(id))
			} else {
				messages = append(messages, o.unit(id, findings...)...)
			}
			data = append(data, Data{Unit: id, Place: fmt.Sprint("Place ", i%997), Group: fmt.Sprint("Region ", i%12)})
		}
		o.commit(messages...)
		require.NoError(b, o.desk.opts.Store.SetData(context.Background(), "x", o.now, data))
	}
	c := o.as(RoleRead)
	for _, path := range []string{"/", "/?q=place+77", "/?group=Region+3", "/?show=silent", "/?show=well", "/units", "/parts", "/api/v1/worklist?limit=1000"} {
		b.Run(strings.NewReplacer("/", "_", "?", "_").Replace(path), func(b *testing.B) {
			for b.Loop() {
				if code, body := c.get(path); code != http.StatusOK {
					b.Fatal(code, body)
				}
			}
		})
	}
}

func (o *onDatabase) runsOf(n int, at time.Time) (out []wire.Message) {
	o.Helper()
	for i := range n {
		o.seq++
		when := at.Add(-time.Duration(n-i) * time.Minute)
		out = append(out, o.message("4017", "runs", records.Run{
			Head: o.head("4017", "runs", records.RunSchema, o.seq, when), Run: snapshot.Run{Number: o.seq, Start: when, DurationS: 9.4},
		}))
	}
	return out
}
