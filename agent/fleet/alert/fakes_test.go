package alert_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/db"
	"liftbank/agent/snapshot"
)

// store is a database in memory with what alerts ask of it.
type store struct {
	mu       sync.Mutex
	standing []db.Standing
	work     []db.Work
	flags    []db.Flagged
	gaps     []db.Gap
	alarms   []db.Alarm
	units    []db.Unit
	parked   map[string]db.Parked
	fails    error
}

func (s *store) change(f func(*store)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f(s)
}

func read[T any](s *store, from *[]T) ([]T, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(*from), s.fails
}

func (s *store) Standing(context.Context) ([]db.Standing, error) { return read(s, &s.standing) }
func (s *store) StandingOf(_ context.Context, unit string) (out []db.Standing, err error) {
	all, err := read(s, &s.standing)
	for _, x := range all {
		if x.Unit == unit {
			out = append(out, x)
		}
	}
	return out, err
}

func (s *store) SettledWork(context.Context) ([]db.Work, error) { return read(s, &s.work) }
func (s *store) ParkedUnits(context.Context) (map[string]db.Parked, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.parked), s.fails
}

func (s *store) Flags(context.Context) ([]db.Flagged, error) { return read(s, &s.flags) }

func (s *store) RecentGaps(_ context.Context, since time.Time, most int) (out []db.Gap, err error) {
	all, err := read(s, &s.gaps)
	for _, g := range all {
		if !g.ReceivedAt.Before(since) && len(out) < most {
			out = append(out, g)
		}
	}
	return out, err
}

func (s *store) Alarms(_ context.Context, from, to time.Time, most int) (out []db.Alarm, err error) {
	all, err := read(s, &s.alarms)
	for _, a := range all {
		if a.Raised.Before(to) && (a.Ended.IsZero() || !a.Ended.Before(from)) && len(out) < most {
			out = append(out, a)
		}
	}
	return out, err
}

func (s *store) Units(_ context.Context, after string, most int) (out []db.Unit, err error) {
	all, err := read(s, &s.units)
	for _, u := range all {
		if u.ID > after && len(out) < most {
			u.Snapshot = nil
			out = append(out, u)
		}
	}
	return out, err
}

func (s *store) Unit(_ context.Context, id string) (db.Unit, error) {
	all, err := read(s, &s.units)
	for _, u := range all {
		if u.ID == id {
			return u, err
		}
	}
	return db.Unit{}, db.ErrUnknown
}

// manager is an Alertmanager behind a client: what it was told last of each alert.
type manager struct {
	t        testing.TB
	mu       sync.Mutex
	down     error
	code     int // 0: 200
	alerts   map[string]alert.Alert
	requests []request
}

type request struct {
	at     time.Time
	alerts []alert.Alert
}

func (m *manager) target() alert.Target {
	return alert.Target{URL: "http://alertmanager:9093/", Client: &http.Client{Transport: m}}
}

func (m *manager) RoundTrip(req *http.Request) (*http.Response, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	var list []alert.Alert
	assert.NoError(m.t, json.Unmarshal(body, &list))
	assert.Equal(m.t, "http://alertmanager:9093/api/v2/alerts", req.URL.String())
	m.requests = append(m.requests, request{time.Now(), list})
	if m.down != nil {
		return nil, m.down
	}
	code := 200
	if m.code != 0 {
		code = m.code
	}
	if code == 200 {
		if m.alerts == nil {
			m.alerts = map[string]alert.Alert{}
		}
		for _, a := range list {
			assert.True(m.t, a.EndsAt.After(a.StartsAt), "Alertmanager refuses others: %v", a)
			assert.NotEmpty(m.t, a.Labels["alertname"])
			m.alerts[labels(a)] = a
		}
	}
	return &http.Response{StatusCode: code, Status: fmt.Sprint(code), Body: http.NoBody, Header: http.Header{}}, nil
}

// labels writes an alert's labels but for those that all of a unit have.
func labels(a alert.Alert) string {
	var parts []string
	for _, name := range []string{"severity", "unit", "group", "subject"} {
		if v := a.Labels[name]; v != "" {
			parts = append(parts, v)
		}
	}
	return strings.Join(append([]string{a.Labels["alertname"]}, parts...), " ")
}

// standing returns what the manager takes as standing now, and what as ended.
func (m *manager) standing() []string {
	return m.those(func(a alert.Alert) bool { return a.EndsAt.After(time.Now()) })
}
func (m *manager) ended() []string {
	return m.those(func(a alert.Alert) bool { return !a.EndsAt.After(time.Now()) })
}

func (m *manager) those(are func(alert.Alert) bool) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := []string{}
	for name, a := range m.alerts {
		if are(a) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

func (m *manager) get(name string) alert.Alert {
	m.mu.Lock()
	defer m.mu.Unlock()
	a, known := m.alerts[name]
	assert.True(m.t, known, name)
	return a
}

func (m *manager) count() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.requests)
}

// longest is the longest time between two requests.
func (m *manager) longest() (longest time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := 1; i < len(m.requests); i++ {
		longest = max(longest, m.requests[i].at.Sub(m.requests[i-1].at))
	}
	return longest
}

func (m *manager) change(f func()) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f()
}

var t0 = time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)

// started runs a notifier in a bubble until the test or stop ends it.
func started(t *testing.T, o alert.Options) (n *alert.Notifier, stop func()) {
	t.Helper()
	n, err := alert.New(o)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		assert.NoError(t, n.Run(ctx))
	}()
	stop = func() { cancel(); <-done }
	t.Cleanup(stop)
	return n, stop
}

// until makes the bubble's clock (it begins in the year 2000) a time.
func until(when time.Time) { time.Sleep(time.Until(when)) }

func undercharged(unit string, raised time.Time) db.Standing {
	return db.Standing{Unit: unit, At: raised, Heard: raised, Finding: snapshot.Finding{
		Name: "bank-undercharged", Severity: "repair", State: "unacknowledged", Active: true, Since: raised, RaisedAt: &raised,
		Title: "Bank not fully charged for days", Summary: "The bank has not been full for 6 days.",
		Evidence:  []snapshot.Evidence{{What: snapshot.Text{English: "charge"}, Value: 52.1, Unit: "%"}},
		NextCheck: []string{"Compare hours of feed with lifts a day."},
	}}
}

// heard is a unit that is well.
func heard(id string, at time.Time) db.Unit {
	return db.Unit{ID: id, About: db.About{Group: "east", Place: "yard 3"}, FirstHeardAt: t0.Add(-1000 * time.Hour), LastHeardAt: at, LastRecordAt: at}
}
