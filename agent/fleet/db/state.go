package db

import (
	"cmp"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"time"
	"unsafe"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

// seenSession is a session of a unit's agent that a status spoke of, the newest last.
type seenSession struct {
	Session    string    `json:"s"`
	Connection uint64    `json:"c"` // the last one heard of
	At         time.Time `json:"at"`
}

// mostSessions is how many are kept: two agents in turn are seen within three.
const mostSessions = 8

// longestSleep is the longest that a unit is taken to sleep by a timer; our choice: it can be set to 30 days.
const longestSleep = 31 * 24 * time.Hour

// clockLimit is how far a trusted clock may be from when its message came; our choice: a message takes
// seconds, and a clock set by radio or network is right to less.
const clockLimit = 5 * time.Minute

// text is bytes as a string without copying; what is stored of a message is not changed any more.
func text(b []byte) string { return unsafe.String(unsafe.SliceData(b), len(b)) }

// status takes whether a unit is there. It is state: replaced by what is newer.
func (c *commit) status(u *unitRow, m *wire.Message) bool {
	s, st := m.Status, u.state
	at := slices.IndexFunc(st.sessions, func(o seenSession) bool { return o.Session == s.Session })
	last := len(st.sessions) - 1
	switch {
	case s.Status == records.Lost:
		// The will may come after the start of the next connection. Nothing known: it is all there is.
		if last >= 0 && (at != last || st.sessions[last].Connection != s.Connection) {
			return false
		}
	case at < 0: // a new session
	case at == last:
		o := st.sessions[last]
		if s.Connection < o.Connection || s.Connection == o.Connection && (s.At.Before(o.At) || s.At.Equal(o.At) && s.Status == u.status) {
			return false
		}
	case s.Connection <= st.sessions[at].Connection: // late, of a session that is over
		return false
	default:
		// A start of the agent has a session of its own: one that is over and connects again is another
		// agent with the same name.
		c.flag(u, TwoIdentities, fmt.Sprintf("sessions %s and %s connect in turn", s.Session, st.sessions[last].Session))
	}
	when := s.At.UTC()
	if at >= 0 {
		if s.Status == records.Lost { // says when the connection was begun
			when = latest(when, st.sessions[at].At)
		}
		st.sessions = slices.Delete(st.sessions, at, at+1)
	}
	st.sessions = append(st.sessions, seenSession{s.Session, s.Connection, when})
	if n := len(st.sessions); n > mostSessions {
		st.sessions = slices.Delete(st.sessions, 0, n-mostSessions)
	}
	u.asleepUntil = 0
	if s.Status == records.Asleep {
		u.asleepUntil = ms(worklist.WokenByLine)
		if s.Until != nil { // by its own clock, which may not be set
			u.asleepUntil = c.now + min(max(s.Until.Sub(s.At), 0), longestSleep).Milliseconds()
		}
	}
	u.status, u.statusAt, u.session, u.changed, st.changed = s.Status, ms(when), s.Session, true, true
	return true
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// moment is when something was so, by the unit.
type moment struct {
	session string
	mono    int64 // ms
	at      time.Time
	trusted bool
}

// newer reports whether a is newer than b, or as new. Within a session its own timeline says so; over
// sessions that of the last status is the newest, and else the clock where it can be trusted.
func newer(a, b moment, current string) bool {
	switch {
	case b.session == "":
		return true
	case a.session == b.session:
		return a.mono >= b.mono
	case a.session == current:
		return true
	case b.session == current:
		return false
	case a.trusted && b.trusted:
		return !a.at.Before(b.at)
	}
	return true
}

func momentOf(m *wire.Message) moment {
	return moment{m.Head.Session, int64(m.Head.MonoS * 1000), m.Head.At, m.Head.ClockTrusted}
}

func (c *commit) snapshot(u *unitRow, m *wire.Message) (bool, error) {
	st := u.state
	now, before := momentOf(m), moment{st.session, st.mono, st.at, st.trusted}
	seq := m.Snapshot.Seq
	if now.session == before.session && seq <= st.seq || !newer(now, before, u.session) {
		return false, nil
	}
	c.clock(u, m)
	c.noteDay(u, m)
	st.snapshot, st.schema, st.session, st.seq, st.at, st.mono, st.trusted, st.changed =
		m.Body, m.Schema, now.session, seq, now.at, now.mono, now.trusted, true
	u.snapshot = m.Snapshot
	return true, c.wholeBook(u, m.Snapshot, now)
}

// clock judges a unit's clock by a message with a trusted time. A record may be old, but not of the
// future. A snapshot is sent as it is made: one that came at once says how far the clock is off.
func (c *commit) clock(u *unitRow, m *wire.Message) {
	if !m.Head.ClockTrusted {
		return
	}
	off := m.Head.At.Sub(c.at)
	atOnce := m.Snapshot != nil && !m.Retained && !m.Late
	switch {
	case off > clockLimit, atOnce && off < -clockLimit:
		how := "ahead"
		if off < 0 {
			how, off = "behind", -off
		}
		c.flag(u, ClockOff, fmt.Sprintf("%s %s, although it is said to be set", off.Round(time.Second), how))
		u.clockRight = false
	case atOnce:
		u.clockRight = true
	}
	if atOnce {
		s := m.Head.At.Sub(c.at).Seconds()
		u.state.clockOff, u.state.changed = &s, true
	}
}

func (c *commit) flag(u *unitRow, f Flag, detail string) { u.flagged[f] = detail }

// saveFlags writes what was seen of units. A clock that is right again is no matter any more.
func (c *commit) saveFlags(all []*unitRow) error {
	type times struct{ since, last int64 }
	had := map[int64]map[Flag]times{}
	var ids []int64
	for _, u := range all {
		if len(u.flagged) > 0 || u.clockRight && u.flags > 0 {
			ids, had[u.id] = append(ids, u.id), map[Flag]times{}
		}
	}
	if len(ids) == 0 {
		return nil
	}
	where, arg := c.d.list("unit", ids)
	err := c.query("SELECT unit, flag, since, last FROM flag WHERE "+where, func(r *sql.Rows) error {
		var id int64
		var f string
		var t times
		err := r.Scan(&id, &f, &t.since, &t.last)
		had[id][Flag(f)] = t
		return err
	}, arg)
	if err != nil {
		return err
	}
	seen := into("flag", "unit,flag", "unit:i", "flag:t", "since:i!", "last:i", "detail:t")
	for _, u := range all {
		flags := had[u.id]
		if flags == nil {
			continue
		}
		for _, f := range Flags {
			detail, is := u.flagged[f]
			if !is {
				continue
			}
			t, there := flags[f]
			switch {
			case !there:
				t.since = c.now
				c.out.Flags = append(c.out.Flags, FlagRaised{u.name, f})
			case c.now >= t.last && c.now-t.last < heardEvery.Milliseconds(): // said a moment ago
				continue
			}
			t.last = c.now
			flags[f] = t
			seen.add(u.id, string(f), t.since, t.last, detail)
		}
		_, off := u.flagged[ClockOff]
		if _, was := flags[ClockOff]; was && u.clockRight && !off {
			delete(flags, ClockOff)
			if _, err := c.exec("DELETE FROM flag WHERE unit = ?1 AND flag = ?2", u.id, string(ClockOff)); err != nil {
				return err
			}
		}
		if n := int64(len(flags)); n != u.flags {
			u.flags, u.changed = n, true
		}
	}
	return c.put(seen)
}

// saveStates writes what is wide of units, after the worklist's rows were made.
func (c *commit) saveStates(all []*unitRow) error {
	narrow := into("state", "unit", "unit:i", "sessions:t", "clock_off:f")
	wide := into("state", "unit", "unit:i", "sessions:t", "clock_off:f", "snapshot:t", "snapshot_schema:t", "snapshot_session:t",
		"snapshot_seq:i", "snapshot_at:i", "snapshot_mono:i", "snapshot_trusted:i", "worklist:t")
	var made []*rowInput
	for _, u := range all {
		st := u.state
		if u.row != nil && (st == nil || st.snapshot == nil) {
			made = append(made, u.row)
		}
		if st == nil || !st.changed {
			continue
		}
		sessions, err := json.Marshal(st.sessions)
		if err != nil {
			return err
		}
		if st.snapshot == nil {
			narrow.add(u.id, string(sessions), st.clockOff)
			continue
		}
		// A snapshot always has the row made anew.
		wide.add(u.id, string(sessions), st.clockOff, text(st.snapshot), st.schema, st.session, int64(st.seq), ms(st.at), st.mono,
			number(st.trusted), string(u.row.out.Row))
	}
	if err := c.put(narrow); err != nil {
		return err
	}
	if err := c.put(wide); err != nil {
		return err
	}
	return c.putRows(made)
}

// findingKey is a finding of a unit.
type findingKey struct{ name, subject string }

// standRow is a finding in memory during a commit. One that has cleared stays, so that an older
// message of it that comes late raises nothing.
type standRow struct {
	moment
	stands   bool
	severity string
	heard    int64
	finding  snapshot.Finding
	changed  bool
}

func (c *commit) loadStanding(names []string) error {
	if len(names) == 0 {
		return nil
	}
	ids, by := c.byID(names)
	for _, u := range by {
		u.standing = map[findingKey]*standRow{}
	}
	works, err := c.worksOf(ids)
	if err != nil {
		return err
	}
	for id, list := range works {
		by[id].works = list
	}
	where, arg := c.d.list("unit", ids)
	return c.query(`SELECT unit, finding, subject, stands, severity, session, mono, at, trusted, heard, body FROM standing WHERE `+
		where, func(r *sql.Rows) error {
		var id, stands, at, trusted int64
		var k findingKey
		var body []byte
		s := &standRow{}
		err := r.Scan(&id, &k.name, &k.subject, &stands, &s.severity, &s.session, &s.mono, &at, &trusted, &s.heard, &body)
		if err != nil {
			return err
		}
		s.stands, s.at, s.trusted = stands != 0, when(at), trusted != 0
		by[id].standing[k] = s
		return json.Unmarshal(body, &s.finding)
	}, arg)
}

// stands reports whether there is something for somebody to see.
func stands(f *snapshot.Finding) bool { return f.Active || f.State != "normal" }

// stand returns the findings that stand, in order.
func (u *unitRow) stand() (out []snapshot.Finding) {
	for _, s := range u.standing {
		if s.stands {
			out = append(out, s.finding)
		}
	}
	slices.SortFunc(out, func(a, b snapshot.Finding) int {
		return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.Subject, b.Subject))
	})
	return out
}

// finding takes a change of a finding.
func (c *commit) finding(u *unitRow, m *wire.Message) error {
	if err := c.alarm(u, m.Finding, m.Head.At); err != nil {
		return err
	}
	if err := c.standAt(u, *m.Finding, momentOf(m)); err != nil {
		return err
	}
	now := u.standing[findingKey{m.Finding.Name, m.Finding.Subject}]
	if !m.Finding.Active || now != nil && now.finding.Active {
		return nil
	}
	// An old message: what is newer says that it is over, and nothing says since when.
	over := *m.Finding
	over.Active, over.Since = false, u.state.at
	return c.alarm(u, &over, m.Head.At)
}

// standAt notes how a finding is at a moment, if nothing newer is known.
func (c *commit) standAt(u *unitRow, f snapshot.Finding, at moment) error {
	k := findingKey{f.Name, f.Subject}
	s := u.standing[k]
	book := moment{u.state.session, u.state.mono, u.state.at, u.state.trusted}
	if s == nil {
		// What the last snapshot doesn't have was over then.
		if at != book && !newer(at, book, u.session) {
			return nil
		}
		s = &standRow{}
		u.standing[k] = s
	} else if !newer(at, s.moment, u.session) {
		return nil
	}
	change := Altered
	before := s.finding
	if f.Seq == before.Seq && f.State == before.State {
		f.Muted = f.Muted || before.Muted // a snapshot doesn't say so
	}
	switch {
	case f.Active && (!before.Active || f.Times > before.Times && before.Times > 0):
		change = Raised
	case !f.Active && before.Active:
		change = Cleared
	case before.Seq == f.Seq && before.State == f.State && before.Severity == f.Severity && s.session != "":
		change = "" // figures only
	}
	s.moment, s.stands, s.severity, s.heard, s.finding, s.changed = at, stands(&f), f.Severity, c.now, f, true
	if change == Altered && !stands(&f) && !stands(&before) {
		change = ""
	}
	u.rowDue = true
	if change == "" {
		return nil
	}
	c.out.Changed = append(c.out.Changed, FindingChange{Unit: u.name, At: at.at, Change: change, Finding: f})
	return c.workAfter(u, &f)
}

// wholeBook takes all findings of a snapshot: what it doesn't have, doesn't stand any more.
func (c *commit) wholeBook(u *unitRow, s *snapshot.Snapshot, at moment) error {
	there := map[findingKey]bool{}
	u.rowDue = true
	for i := range s.Findings {
		f := s.Findings[i]
		k := findingKey{f.Name, f.Subject}
		there[k] = true
		// The list of alarms has it already, from the message before.
		if was := u.standing[k]; was == nil || !sameAlarm(&was.finding, &f) {
			if err := c.alarm(u, &f, at.at); err != nil {
				return err
			}
		}
		if err := c.standAt(u, f, at); err != nil {
			return err
		}
	}
	keys := make([]findingKey, 0, len(u.standing))
	for k := range u.standing {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b findingKey) int {
		return cmp.Or(cmp.Compare(a.name, b.name), cmp.Compare(a.subject, b.subject))
	})
	for _, k := range keys {
		was := u.standing[k]
		if there[k] || !was.stands {
			continue
		}
		f := was.finding
		f.Active, f.State, f.Since, f.Change = false, "normal", at.at, "cleared"
		if !newer(at, was.moment, u.session) {
			continue
		}
		if err := c.alarm(u, &f, at.at); err != nil {
			return err
		}
		if err := c.standAt(u, f, at); err != nil {
			return err
		}
	}
	return nil
}

func (c *commit) saveStanding(all []*unitRow) error {
	r := into("standing", "unit,finding,subject", "unit:i", "finding:t", "subject:t", "stands:i", "severity:t", "session:t",
		"mono:i", "at:i", "trusted:i", "heard:i", "body:t")
	for _, u := range all {
		for k, s := range u.standing {
			if !s.changed {
				continue
			}
			body, err := json.Marshal(s.finding)
			if err != nil {
				return err
			}
			r.add(u.id, k.name, k.subject, number(s.stands), s.severity, s.session, s.mono, ms(s.at), number(s.trusted), s.heard,
				string(body))
		}
	}
	return c.put(r)
}

// sameAlarm reports whether two messages of a finding say the same of its raise and end.
func sameAlarm(a, b *snapshot.Finding) bool {
	return a.Active == b.Active && raisedAt(a) == raisedAt(b) && raisedAt(a) != 0 && (a.Active || ms(a.Since) == ms(b.Since))
}

func raisedAt(f *snapshot.Finding) int64 {
	if f.RaisedAt != nil {
		return ms(*f.RaisedAt)
	}
	return ms(f.Since)
}

// alarm keeps the list of raises and ends, in whatever order they come: a raise is known by when it
// was.
func (c *commit) alarm(u *unitRow, f *snapshot.Finding, at time.Time) error {
	raised := f.Since
	if f.RaisedAt != nil {
		raised = *f.RaisedAt
	}
	if f.RaisedAt != nil || f.Active {
		var there, later int64
		if err := c.row(`SELECT count(CASE WHEN raised = ?4 THEN 1 END), count(CASE WHEN raised > ?4 THEN 1 END) FROM alarm
			WHERE unit = ?1 AND finding = ?2 AND subject = ?3 AND raised >= ?4`,
			u.id, f.Name, f.Subject, ms(raised)).Scan(&there, &later); err != nil {
			return fmt.Errorf("database: %w", err)
		}
		if there == 0 {
			// What stood before has ended at the latest now.
			if _, err := c.exec("UPDATE alarm SET ended = ?4 WHERE unit = ?1 AND finding = ?2 AND subject = ?3 AND ended = 0 AND raised < ?4",
				u.id, f.Name, f.Subject, ms(raised)); err != nil {
				return err
			}
			id, err := c.next("alarm")
			if err != nil {
				return err
			}
			end := int64(0)
			if later > 0 && f.Active { // an old message: how long it stood, another one says
				end = ms(raised)
			}
			if _, err := c.exec("INSERT INTO alarm(id, unit, finding, subject, severity, raised, ended) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7)",
				id, u.id, f.Name, f.Subject, f.Severity, ms(raised), end); err != nil {
				return err
			}
		}
	}
	if f.Active {
		return nil
	}
	ended := max(ms(f.Since), ms(raised))
	if ended == 0 {
		ended = max(ms(at), 1)
	}
	_, err := c.exec(`UPDATE alarm SET ended = ?4 WHERE unit = ?1 AND finding = ?2 AND subject = ?3
		AND (ended = 0 AND raised <= ?4 OR raised = ?5 AND ended = raised)`, u.id, f.Name, f.Subject, ended, ms(raised))
	return err
}
