package desk

import (
	"cmp"
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/worklist"
)

// memory is a store in memory.
type memory struct {
	mu       sync.Mutex
	now      func() time.Time
	units    map[string]*Unit
	records  []Record
	audit    []AuditEntry
	accounts map[string]Account
	logins   map[string]Login
	revision int64
	past     map[string]*Past
	broken   error // that every call returns
}

func newMemory(now func() time.Time) *memory {
	return &memory{now: now, units: map[string]*Unit{}, accounts: map[string]Account{}, logins: map[string]Login{}}
}

// put adds a unit or changes it, and makes its row.
func (m *memory) put(u worklist.Unit, d Data) {
	m.mu.Lock()
	defer m.mu.Unlock()
	d.Unit = u.ID
	m.units[u.ID] = &Unit{Data: d, Snapshot: u.Snapshot, Findings: u.Findings, Work: u.Work, ReceivedAt: u.HeardAt}
	m.units[u.ID].Row.Visit = u.Visit
	m.units[u.ID].Row.HeardAt = u.HeardAt
	m.remake(m.units[u.ID])
}

func (m *memory) remake(u *Unit) {
	w := worklist.Unit{
		ID: u.Unit, Snapshot: u.Snapshot, Findings: u.Findings, Work: u.Work, HeardAt: u.Row.HeardAt, QuietUntil: u.parkedTo(m.now()),
		Visit: u.Row.Visit,
	}
	u.Row = rowWith(worklist.Of(w, m.now()), u.Data, m.now())
	m.revision++
}

func (m *memory) passes(u *Unit, q RowsQuery, kinds bool) bool {
	find := strings.ToLower(q.Search)
	switch {
	case q.Group != "" && u.Group != q.Group:
	case find != "" && !strings.Contains(strings.ToLower(u.Unit), find) && !strings.Contains(strings.ToLower(u.Place), find):
	case kinds && len(q.Lists) > 0 && !slices.Contains(q.Lists, u.Row.List):
	case kinds && len(q.Severities) > 0 && !slices.Contains(q.Severities, u.Row.Severity):
	case kinds && q.Finding != "" && !slices.ContainsFunc(u.Findings, func(f findingOf) bool { return f.Active && f.Name == q.Finding }):
	default:
		return true
	}
	return false
}

func (m *memory) Rows(_ context.Context, q RowsQuery) (rows []Row, more bool, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, u := range m.units {
		if m.passes(u, q, true) {
			rows = append(rows, u.Row)
		}
	}
	slices.SortFunc(rows, func(a, b Row) int { return cmp.Or(cmp.Compare(a.Rank, b.Rank), cmp.Compare(a.Unit, b.Unit)) })
	if c := q.After; c != nil {
		rows = slices.DeleteFunc(rows, func(r Row) bool {
			return cmp.Or(cmp.Compare(r.Rank, c.Rank), cmp.Compare(r.Unit, c.Unit)) <= 0
		})
	}
	if q.Limit > 0 && len(rows) > q.Limit {
		return rows[:q.Limit], true, m.broken
	}
	return rows, false, m.broken
}

func (m *memory) Counts(_ context.Context, q RowsQuery) (Counts, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	c := Counts{Lists: map[string]int{}, Severity: map[string]int{}}
	for _, u := range m.units {
		if !m.passes(u, q, false) {
			continue
		}
		c.All++
		c.Lists[u.Row.List]++
		if u.Row.List == worklist.ListWork {
			c.Severity[u.Row.Severity]++
		}
	}
	return c, m.broken
}

func (m *memory) Parts(_ context.Context, q RowsQuery) ([]worklist.Part, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var all []worklist.Part
	for _, u := range m.units {
		if m.passes(u, q, true) {
			all = append(all, u.Row.Parts...)
		}
	}
	return worklist.Sum(all), m.broken
}

func (m *memory) Groups(_ context.Context, most int) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	groups := map[string]bool{}
	for _, u := range m.units {
		if u.Group != "" {
			groups[u.Group] = true
		}
	}
	all := slices.Sorted(maps.Keys(groups))
	return all[:min(len(all), most)], m.broken
}

func (m *memory) Unit(_ context.Context, id string) (*Unit, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	u := m.units[id]
	if u == nil {
		return nil, cmp.Or(m.broken, ErrUnknown)
	}
	c := *u
	return &c, m.broken
}

func (m *memory) Records(_ context.Context, unit, stream string, before int64, most int) (out []Record, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, r := range slices.Backward(m.records) {
		if (unit == "" || r.Unit == unit) && (stream == "" || r.Stream == stream) && (before == 0 || r.ID < before) && len(out) < most {
			out = append(out, r)
		}
	}
	return out, m.broken
}

func (m *memory) Record(_ context.Context, id int64) (*Record, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if id < 1 || id > int64(len(m.records)) {
		return nil, cmp.Or(m.broken, ErrUnknown)
	}
	return &m.records[id-1], m.broken
}

func (m *memory) addRecord(r Record, message any) {
	body, err := json.Marshal(message)
	if err != nil {
		panic(err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	r.ID, r.Body = int64(len(m.records)+1), body
	m.records = append(m.records, r)
}

func (m *memory) AllData(_ context.Context, yield func(Data) error) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, id := range slices.Sorted(maps.Keys(m.units)) {
		if err := yield(m.units[id].Data); err != nil {
			return err
		}
	}
	return m.broken
}

func (m *memory) note(e AuditEntry) {
	e.ID = int64(len(m.audit) + 1)
	m.audit = append(m.audit, e)
}

func (m *memory) SetData(_ context.Context, by string, at time.Time, units []Data) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.broken != nil {
		return m.broken
	}
	for _, d := range units {
		u := m.units[d.Unit]
		if u == nil {
			u = &Unit{}
			m.units[d.Unit] = u
		}
		before, after := Difference(u.Data, d)
		m.note(AuditEntry{At: at, Who: by, Action: ActionData, Unit: d.Unit, Before: before, After: after})
		if u.ParkedFrom != d.ParkedFrom || u.ParkedUntil != d.ParkedUntil || u.ParkedReason != d.ParkedReason {
			u.ParkedBy, u.ParkedAt = by, at
		}
		u.Data = d
		m.remake(u)
	}
	return nil
}

func (m *memory) SetWork(_ context.Context, by string, at time.Time, unit string, w worklist.Work) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	u := m.units[unit]
	if u == nil {
		return cmp.Or(m.broken, ErrUnknown)
	}
	before := worklist.Work{Key: w.Key, State: worklist.Open}
	i := slices.IndexFunc(u.Work, func(x worklist.Work) bool { return x.Key == w.Key })
	u.Work = slices.Clone(u.Work)
	if i >= 0 {
		before, u.Work[i] = u.Work[i], w
	} else {
		u.Work = append(u.Work, w)
	}
	m.note(WorkEntry(by, at, unit, before, w))
	m.remake(u)
	return m.broken
}

func (m *memory) Revision(context.Context) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.revision, m.broken
}

func (m *memory) Audit(_ context.Context, unit string, before int64, most int) (out []AuditEntry, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, e := range slices.Backward(m.audit) {
		if (unit == "" || e.Unit == unit) && (before == 0 || e.ID < before) && len(out) < most {
			out = append(out, e)
		}
	}
	return out, m.broken
}

func (m *memory) Note(_ context.Context, e AuditEntry) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.note(e)
	return m.broken
}

func (m *memory) Account(_ context.Context, name string) (*Account, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	a, ok := m.accounts[name]
	if !ok {
		return nil, cmp.Or(m.broken, ErrUnknown)
	}
	return &a, m.broken
}

func (m *memory) Accounts(context.Context) (all []Account, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, name := range slices.Sorted(maps.Keys(m.accounts)) {
		all = append(all, m.accounts[name])
	}
	return all, m.broken
}

func (m *memory) endLogins(name string) {
	maps.DeleteFunc(m.logins, func(_ string, l Login) bool { return l.Account == name })
}

func (m *memory) SetAccount(_ context.Context, by string, at time.Time, a Account) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	old := m.accounts[a.Name]
	m.note(AccountEntry(by, at, a.Name, &old, &a))
	m.accounts[a.Name] = a
	m.endLogins(a.Name)
	return m.broken
}

func (m *memory) RemoveAccount(_ context.Context, by string, at time.Time, name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	old := m.accounts[name]
	m.note(AccountEntry(by, at, name, &old, nil))
	delete(m.accounts, name)
	m.endLogins(name)
	return m.broken
}

func (m *memory) AddLogin(_ context.Context, l Login) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.logins[l.Hash] = l
	return m.broken
}

func (m *memory) Login(_ context.Context, hash string) (*Login, *Account, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	l, ok := m.logins[hash]
	a, has := m.accounts[l.Account]
	if !ok || !has {
		return nil, nil, cmp.Or(m.broken, ErrUnknown)
	}
	return &l, &a, m.broken
}

func (m *memory) EndLogin(_ context.Context, hash string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.logins, hash)
	return m.broken
}

func (m *memory) Past(_ context.Context, unit string, from, to time.Time) (*Past, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	p := &Past{}
	if all := m.past[unit]; all != nil {
		*p = *all
		p.Days = slices.DeleteFunc(slices.Clone(all.Days), func(d db.Day) bool { return d.Day.Before(from.Add(-2 * dayLong)) })
		if to.Sub(from) > hoursKept*time.Hour {
			p.Hours = nil
		}
	}
	return p, m.broken
}
