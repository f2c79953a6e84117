package db

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"liftbank/agent/fleet/ranges"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/snapshot"
)

// Commit stores a batch in one transaction: records and which numbers are there, the units' state,
// what stands, what was refused. Repeated records change nothing.
func (d *DB) Commit(ctx context.Context, at time.Time, batch []wire.Message) (out Outcome, err error) {
	if len(batch) == 0 {
		return out, nil
	}
	err = d.write(ctx, func(x *tx) error {
		c := &commit{
			tx: x, at: at.UTC(), now: ms(at), units: map[string]*unitRow{}, streams: map[streamID]*streamRow{}, out: &out,
		}
		out = Outcome{New: make([]bool, len(batch))}
		if err := c.load(batch); err != nil {
			return err
		}
		for i := range batch {
			fresh, err := c.take(&batch[i])
			if err != nil {
				return err
			}
			out.New[i] = fresh
		}
		return c.save()
	})
	if err != nil {
		return Outcome{}, err
	}
	return out, nil
}

// commit is one batch on its way into the database.
type commit struct {
	*tx
	at  time.Time
	now int64

	units   map[string]*unitRow
	streams map[streamID]*streamRow
	out     *Outcome

	lastID   int64 // of records
	records  *rows
	gaps     *rows
	gapID    int64 // the next one; 0: not known
	streamID int64 // the same
	refused  *rows
	touched  []*streamRow // in the order of the batch
	book     dayBook
}

// unitRow is a unit in memory during a commit.
type unitRow struct {
	id                                int64
	name                              string
	firstHeard, lastHeard, lastRecord int64
	status, session                   string
	statusAt, flags, asleepUntil      int64
	changed                           bool
	state                             *stateRow                // nil: not read
	standing                          map[findingKey]*standRow // nil: not read, as works
	works                             []Work
	snapshot                          *snapshot.Snapshot // the last one, where it is of this batch
	rowDue                            bool               // the worklist's columns are to be made anew
	flagged                           map[Flag]string    // seen in this batch, with the detail
	clockRight                        bool               // a trusted time was right, last in this batch
	row                               *rowInput          // what the worklist's columns were made from
}

// stateRow is what is wide of a unit.
type stateRow struct {
	sessions        []seenSession
	snapshot        []byte // nil: not read, or not changed
	schema, session string
	seq             uint64
	at              time.Time
	mono            int64
	trusted         bool
	clockOff        *float64
	changed         bool
}

// streamID is a stream's key with the unit's number.
type streamID struct {
	unit, kind int64
	session    string
}

// streamRow is a stream of a session in memory during a commit.
type streamRow struct {
	id  int64
	key StreamKey
	streamID
	first, last uint64 // first 0: not known yet; last: that there must be, by a later session
	have, gone  ranges.Set
	heard       int64
	asked       int64 // times that the missing numbers were asked for
	askedAt     int64
	askNext     int64
	changed     bool
	touched     bool
	fresh       bool // made by this batch
	hurry       bool
	missing     uint64
}

// load reads the units of a batch and their streams.
func (c *commit) load(batch []wire.Message) error {
	c.records = into("record", "", "id:i", "unit:i", "kind:i", "stream:i", "seq:i", "at:i", "mono:i", "trusted:i",
		"received:i", "body:t")
	c.gaps = into("gap", "", "id:i", "unit:i", "kind:i", "session:t", "from_seq:i", "to_seq:i", "because:t", "received:i")
	c.refused = into("quarantine", "", "id:i", "at:i", "topic:t", "unit:t", "reason:t", "detail:t", "retained:i", "bytes:i",
		"payload:b")
	var names, wide, standing []string
	for i := range batch {
		m := &batch[i]
		if m.Unit == "" || m.Refused != nil && !m.Numbered && !flagsUnit(m.Refused.Reason) {
			continue
		}
		if c.units[m.Unit] == nil {
			c.units[m.Unit] = &unitRow{name: m.Unit, flagged: map[Flag]string{}}
			names = append(names, m.Unit)
		}
		if m.Status != nil || m.Snapshot != nil {
			wide = append(wide, m.Unit)
		}
		if m.Snapshot != nil || m.Finding != nil {
			wide = append(wide, m.Unit)
		}
		if m.Snapshot != nil || m.Finding != nil || m.Visit != nil {
			standing = append(standing, m.Unit)
		}
	}
	if err := c.row("SELECT value FROM counter WHERE name = 'record'").Scan(&c.lastID); err != nil {
		return fmt.Errorf("database: %w", err)
	}
	if err := c.loadUnits(names); err != nil {
		return err
	}
	if err := c.loadStates(wide); err != nil {
		return err
	}
	if err := c.loadStanding(standing); err != nil {
		return err
	}
	return c.loadStreams(batch)
}

// list returns a condition that a column is one of a list, ?1, and its argument.
func (d *DB) list(column string, values any) (where string, arg any) {
	if d.dialect == postgres {
		kind := "bigint"
		if _, texts := values.([]string); texts {
			kind = "text"
		}
		return column + " = ANY(?1::" + kind + "[])", values
	}
	text, err := json.Marshal(values)
	if err != nil {
		panic("bug: a list of texts or numbers: " + err.Error())
	}
	return column + " IN (SELECT value FROM json_each(?1))", string(text)
}

func unique(names []string) []string {
	slices.Sort(names)
	return slices.Compact(names)
}

func (c *commit) loadUnits(names []string) error {
	if len(names) == 0 {
		return nil
	}
	names = unique(names)
	where, arg := c.d.list("name", names)
	err := c.query(`SELECT id, name, first_heard, last_heard, last_record, status, status_at, session, flags, asleep_until FROM unit WHERE `+
		where, func(r *sql.Rows) error {
		var u unitRow
		if err := r.Scan(&u.id, &u.name, &u.firstHeard, &u.lastHeard, &u.lastRecord, &u.status, &u.statusAt, &u.session,
			&u.flags, &u.asleepUntil); err != nil {
			return err
		}
		u.flagged = map[Flag]string{}
		c.units[u.name] = &u
		return nil
	}, arg)
	if err != nil {
		return err
	}
	next := int64(0)
	fresh := into("unit", "", "id:i", "name:t", "search:t")
	for _, name := range names {
		u := c.units[name]
		if u.id != 0 {
			continue
		}
		if next == 0 {
			if next, err = c.next("unit"); err != nil {
				return err
			}
		}
		u.id = next
		next++
		fresh.add(u.id, name, name)
	}
	return c.put(fresh)
}

// byID returns units' numbers and themselves by number.
func (c *commit) byID(names []string) (ids []int64, by map[int64]*unitRow) {
	by = map[int64]*unitRow{}
	for _, name := range unique(names) {
		u := c.units[name]
		ids = append(ids, u.id)
		by[u.id] = u
	}
	return ids, by
}

func (c *commit) loadStates(names []string) error {
	if len(names) == 0 {
		return nil
	}
	ids, by := c.byID(names)
	for _, u := range by {
		u.state = &stateRow{}
	}
	where, arg := c.d.list("unit", ids)
	return c.query(`SELECT unit, sessions, snapshot_schema, snapshot_session, snapshot_seq, snapshot_at, snapshot_mono,
		snapshot_trusted, clock_off FROM state WHERE `+where, func(r *sql.Rows) error {
		var id, seq, at, trusted int64
		var sessions string
		s := &stateRow{}
		if err := r.Scan(&id, &sessions, &s.schema, &s.session, &seq, &at, &s.mono, &trusted, &s.clockOff); err != nil {
			return err
		}
		s.seq, s.at, s.trusted = uint64(seq), when(at), trusted != 0
		if sessions != "" {
			if err := json.Unmarshal([]byte(sessions), &s.sessions); err != nil {
				return err
			}
		}
		by[id].state = s
		return nil
	}, arg)
}

const streamColumns = "id, unit, kind, session, first, last, have, gone, heard, asked, asked_at, ask_next"

func scanStream(r interface{ Scan(...any) error }) (*streamRow, error) {
	s := &streamRow{}
	var first, last int64
	var have, gone []byte
	err := r.Scan(&s.id, &s.unit, &s.kind, &s.session, &first, &last, &have, &gone, &s.heard, &s.asked, &s.askedAt, &s.askNext)
	if err != nil {
		return nil, err
	}
	if s.have, err = ranges.Parse(have); err != nil {
		return nil, err
	}
	if s.gone, err = ranges.Parse(gone); err != nil {
		return nil, err
	}
	if s.kind < 0 || int(s.kind) >= len(streams) {
		return nil, fmt.Errorf("stream %d: not known", s.kind)
	}
	s.first, s.last = uint64(first), uint64(last)
	s.key = StreamKey{Stream: streams[s.kind], Session: s.session}
	return s, nil
}

// loadStreams reads the streams of a batch that are known.
func (c *commit) loadStreams(batch []wire.Message) error {
	var keys []streamID
	names := map[int64]string{}
	for i := range batch {
		m := &batch[i]
		if !m.Numbered {
			continue
		}
		kind, ok := kindOf(m.Leaf)
		if !ok {
			return fmt.Errorf("database: stream %q: not known", m.Leaf)
		}
		u := c.units[m.Unit]
		names[u.id] = u.name
		k := streamID{u.id, kind, m.Head.Session}
		if _, there := c.streams[k]; !there {
			c.streams[k] = nil
			keys = append(keys, k)
		}
	}
	take := func(s *streamRow) {
		s.key.Unit = names[s.unit]
		c.streams[s.streamID] = s
	}
	return c.readStreams(keys, take)
}

// readStreams reads the streams of some keys, those that are known.
func (x *tx) readStreams(keys []streamID, take func(*streamRow)) error {
	if len(keys) == 0 {
		return nil
	}
	scan := func(r *sql.Rows) error {
		s, err := scanStream(r)
		if err == nil {
			take(s)
		}
		return err
	}
	if x.d.dialect == postgres {
		var units, kinds []int64
		var sessions []string
		for _, k := range keys {
			units, kinds, sessions = append(units, k.unit), append(kinds, k.kind), append(sessions, k.session)
		}
		return x.query("SELECT "+streamColumns+` FROM stream JOIN unnest(?1::bigint[], ?2::smallint[], ?3::text[])
			AS k(unit, kind, session) USING (unit, kind, session)`, scan, units, kinds, sessions)
	}
	for len(keys) > 0 {
		list := keys[:atOnce(len(keys))]
		keys = keys[len(list):]
		args := make([]any, 0, 3*len(list))
		for _, k := range list {
			args = append(args, k.unit, k.kind, k.session)
		}
		// CROSS JOIN keeps the order: for each key a look into the index.
		if err := x.query("SELECT "+streamColumns+" FROM (VALUES "+strings.TrimSuffix(strings.Repeat("(?,?,?),", len(list)), ",")+
			") AS k CROSS JOIN stream ON unit = k.column1 AND kind = k.column2 AND session = k.column3", scan, args...); err != nil {
			return err
		}
	}
	return nil
}

// heardEvery is how exactly it is kept when a unit was heard: a row less to write for most records.
const heardEvery = time.Minute

// take takes one message. fresh says that it was not known before.
func (c *commit) take(m *wire.Message) (fresh bool, err error) {
	u := c.units[m.Unit]
	if u != nil {
		c.heard(u, m)
	}
	switch {
	case m.Refused != nil:
		return true, c.refuse(u, m)
	case m.Status != nil:
		return c.status(u, m), nil
	case m.Snapshot != nil:
		return c.snapshot(u, m)
	case m.IsRecord() && m.Numbered:
		return c.record(u, m)
	}
	return false, fmt.Errorf("database: a message of neither kind: %q", m.Topic)
}

func (c *commit) heard(u *unitRow, m *wire.Message) {
	if m.Retained { // the broker speaks, not the unit
		return
	}
	if u.firstHeard == 0 {
		u.firstHeard, u.changed = c.now, true
	}
	if c.now-u.lastHeard >= heardEvery.Milliseconds() {
		u.lastHeard, u.changed = c.now, true
	}
	if m.Numbered && m.Refused == nil && c.now-u.lastRecord >= heardEvery.Milliseconds() {
		u.lastRecord, u.changed = c.now, true
	}
}

// mostRanges bounds what is kept of one stream's numbers: a unit that skips every other number is
// broken or hostile.
const mostRanges = 4096

// record takes a record of a stream, or a gap.
func (c *commit) record(u *unitRow, m *wire.Message) (fresh bool, err error) {
	s, err := c.stream(u, m)
	if err != nil {
		return false, err
	}
	if len(s.have) >= mostRanges && !s.have.Covers(m.From, m.Head.Seq) && !s.have.Has(m.From-1) && !s.have.Has(m.Head.Seq+1) {
		m.Refused = &wire.Refused{Reason: wire.BadNumbers, Detail: fmt.Sprintf("more than %d holes in the numbers", mostRanges)}
		m.Numbered = false
		return true, c.refuse(u, m)
	}
	c.clock(u, m)
	if m.Gap != nil {
		return c.gap(s, max(m.From, m.Head.First), m.Head.Seq, m.Gap.Because)
	}
	filled := m.Head.Seq < s.have.Max()
	switch {
	case s.gone.Has(m.Head.Seq): // it was said to be lost
		s.gone.Remove(m.Head.Seq, m.Head.Seq)
	case s.have.Add(m.Head.Seq, m.Head.Seq) == 0:
		s.hurry = true // repeated because it waits for a receipt
		return false, nil
	case filled:
		s.hurry, s.asked, s.askNext = true, 0, 0
	}
	s.changed = true
	c.lastID++
	c.records.add(c.lastID, u.id, s.kind, s.id, int64(m.Head.Seq), ms(m.Head.At), int64(m.Head.MonoS*1000),
		number(m.Head.ClockTrusted), c.now, text(m.Body))
	switch {
	case m.Leaf == wire.Runs:
		c.noteRun(u, m)
	case m.Finding != nil:
		err = c.finding(u, m)
	case m.Visit != nil:
		err = c.visit(u, m)
	}
	return true, err
}

// gap notes that numbers will not come, those of them that are not there.
func (c *commit) gap(s *streamRow, from, to uint64, because string) (fresh bool, err error) {
	holes := s.have.Missing(from, to, mostRanges)
	if len(holes) == 0 {
		s.hurry = true
		return false, nil
	}
	if from < s.have.Max() {
		s.hurry, s.asked, s.askNext = true, 0, 0
	}
	if c.gapID == 0 {
		if c.gapID, err = c.next("gap"); err != nil {
			return false, err
		}
	}
	for _, h := range holes {
		s.gone.Add(h.From, h.To)
		c.gaps.add(c.gapID, s.unit, s.kind, s.session, int64(h.From), int64(h.To), because, c.now)
		c.gapID++
	}
	s.have.Add(from, to)
	s.changed = true
	return true, nil
}

// stream returns the stream of a record, and notes what it says of where its session begins.
func (c *commit) stream(u *unitRow, m *wire.Message) (*streamRow, error) {
	kind, _ := kindOf(m.Leaf)
	k := streamID{u.id, kind, m.Head.Session}
	s := c.streams[k]
	if s == nil {
		s = &streamRow{streamID: k, key: StreamKey{u.name, m.Leaf, k.session}, changed: true}
		c.streams[k] = s
		if err := c.begin(u, s, m); err != nil {
			return nil, err
		}
	}
	if f := m.Head.First; f != 0 && (s.first == 0 || f < s.first) {
		s.first, s.changed = f, true
	}
	if !s.touched {
		s.touched = true
		c.touched = append(c.touched, s)
	}
	if c.now-s.heard >= heardEvery.Milliseconds() {
		s.heard, s.changed = c.now, true
	}
	return s, nil
}

// begin makes the row of a session that is new, and looks what its first number says of the sessions
// before: numbers go on over all of them, so that the one before has no more than up to that.
func (c *commit) begin(u *unitRow, s *streamRow, m *wire.Message) (err error) {
	if c.streamID == 0 {
		if c.streamID, err = c.next("stream"); err != nil {
			return err
		}
	}
	s.id, s.fresh = c.streamID, true
	c.streamID++
	first := m.Head.First
	if first <= 1 { // a new store, or not known
		return nil
	}
	const enough = 50 // sessions back
	var before []*streamRow
	for _, o := range slices.Backward(c.touched) {
		if o.fresh && o.unit == s.unit && o.kind == s.kind {
			before = append(before, o)
		}
	}
	err = c.query("SELECT "+streamColumns+" FROM stream WHERE unit = ?1 AND kind = ?2 AND session <> ?3 ORDER BY heard DESC, id DESC LIMIT ?4",
		func(r *sql.Rows) error {
			o, err := scanStream(r)
			if err != nil {
				return err
			}
			if now := c.streams[o.streamID]; now != nil {
				o = now // as this batch has left it
			}
			o.key.Unit = u.name
			before = append(before, o)
			return nil
		}, s.unit, s.kind, s.session, enough)
	if err != nil {
		return err
	}
	// One that was heard later may not have been written yet.
	slices.SortStableFunc(before, func(a, b *streamRow) int { return cmp.Compare(b.heard, a.heard) })
	for i, o := range before {
		end := o.have.Max()
		if i == 0 && o.first != 0 && first >= o.first && first <= end {
			c.flag(u, NumbersBack, fmt.Sprintf("session %s begins %s with %d; session %s had up to %d", s.session, m.Leaf, first,
				o.session, end))
		}
		switch {
		case end < first && first <= o.last: // this one lies between
			c.keep(o)
			o.last, o.changed = first-1, true
		case end < first-1 && o.last == 0 && !slices.ContainsFunc(before[:i], func(p *streamRow) bool { return p.have.Max() < first }):
			c.keep(o)
			o.last, o.changed = first-1, true
		}
	}
	return nil
}

func (c *commit) keep(s *streamRow) { c.streams[s.streamID] = s }

// count works out what is missing of a stream.
func (s *streamRow) count() {
	s.missing = 0
	if end := max(s.have.Max(), s.last); end > 0 {
		// Of a first number that is not known, all below may be missing.
		from := max(s.first, 1)
		have := uint64(0)
		for _, r := range s.have {
			if r.To >= from {
				have += r.To - max(r.From, from) + 1
			}
		}
		if all := end - from + 1; end >= from && all > have {
			s.missing = all - have
		}
	}
}

// through is the number up to which everything is there or will not come.
func (s *streamRow) through() uint64 {
	if s.first == 0 {
		return 0
	}
	return s.have.Through(s.first)
}

func streamRows() *rows {
	return into("stream", "id", "id:i", "unit:i!", "kind:i!", "session:t!", "first:i", "through:i", "last:i", "have:b", "gone:b",
		"heard:i", "missing:i", "gone_count:i", "asked:i", "asked_at:i", "ask_next:i")
}

func (s *streamRow) addTo(r *rows) error {
	s.count()
	have, err := s.have.AppendBinary([]byte{})
	if err != nil {
		return err
	}
	gone, err := s.gone.AppendBinary([]byte{})
	if err != nil {
		return err
	}
	r.add(s.id, s.unit, s.kind, s.session, int64(s.first), int64(s.through()), int64(s.last), have, gone, s.heard,
		int64(min(s.missing, maxCount)), int64(min(s.gone.Count(), maxCount)), s.asked, s.askedAt, s.askNext)
	return nil
}

const maxCount = 1 << 62

// save writes what the batch has changed.
func (c *commit) save() error {
	if c.records.n > 0 {
		if err := c.d.partition(c.tx, c.at); err != nil {
			return err
		}
		if err := c.put(c.records); err != nil {
			return err
		}
		if _, err := c.exec("UPDATE counter SET value = ?1 WHERE name = 'record'", c.lastID); err != nil {
			return err
		}
	}
	changed := streamRows()
	for _, s := range inOrder(c.streams) {
		if s.changed {
			if err := s.addTo(changed); err != nil {
				return err
			}
		}
	}
	if err := c.put(changed); err != nil {
		return err
	}
	for _, s := range c.touched {
		c.out.Touched = append(c.out.Touched, s.key)
		c.out.Hurry = append(c.out.Hurry, s.hurry)
	}
	if err := c.put(c.gaps); err != nil {
		return err
	}
	if err := c.saveUnits(); err != nil {
		return err
	}
	if err := c.saveDays(); err != nil {
		return err
	}
	if err := c.saveParked(); err != nil {
		return err
	}
	return c.saveRefused()
}

// inOrder returns streams in the order of their IDs: databases lock rows in it.
func inOrder(m map[streamID]*streamRow) []*streamRow {
	out := make([]*streamRow, 0, len(m))
	for _, s := range m {
		if s != nil {
			out = append(out, s)
		}
	}
	slices.SortFunc(out, func(a, b *streamRow) int { return cmp.Compare(a.id, b.id) })
	return out
}

// saveUnits writes what is kept of the units, each table at once.
func (c *commit) saveUnits() error {
	all := make([]*unitRow, 0, len(c.units))
	for _, u := range c.units {
		all = append(all, u)
	}
	slices.SortFunc(all, func(a, b *unitRow) int { return cmp.Compare(a.id, b.id) })
	if err := c.saveFlags(all); err != nil {
		return err
	}
	if err := c.saveStanding(all); err != nil {
		return err
	}
	units := into("unit", "id", "id:i", "name:t!", "first_heard:i", "last_heard:i", "last_record:i", "status:t", "status_at:i",
		"session:t", "flags:i", "asleep_until:i")
	var due []*rowInput
	for _, u := range all {
		if u.changed {
			units.add(u.id, u.name, u.firstHeard, u.lastHeard, u.lastRecord, u.status, u.statusAt, u.session, u.flags,
				u.asleepUntil)
		}
		if u.rowDue {
			u.row = &rowInput{id: u.id, unit: u.name, snapshot: u.snapshot, findings: u.stand(), work: u.works, known: true}
			due = append(due, u.row)
		}
	}
	if err := c.put(units); err != nil {
		return err
	}
	if err := c.makeRows(due); err != nil {
		return err
	}
	return c.saveStates(all)
}

// partition makes the partition of the month that records come in.
func (d *DB) partition(x *tx, at time.Time) error {
	month := time.Date(at.Year(), at.Month(), 1, 0, 0, 0, 0, time.UTC)
	if d.dialect != postgres || d.months[month] {
		return nil
	}
	_, err := x.exec(fmt.Sprintf("CREATE TABLE IF NOT EXISTS record_%s PARTITION OF record FOR VALUES FROM (%d) TO (%d)",
		month.Format("2006_01"), month.UnixMilli(), month.AddDate(0, 1, 0).UnixMilli()))
	if err == nil {
		d.months[month] = true // write forgets it should the commit fail
	}
	return err
}
