package outbox

import (
	"context"
	"database/sql"
	"time"

	"liftbank/agent/store/tables"
)

// Outlet is one consumer of the outbox, with a cursor in each stream. A record leaves the outbox
// once every outlet of [Options] is done with it, or earlier by age or for lack of space. An outlet
// is done with a record when its receiver has confirmed it ([Outlet.Confirm]) or, where none
// confirms, some time after it was sent (Grace).
//
// An outlet that is new to the file starts at the oldest record there. What the cursor of an outlet
// says stays in the file while the outlet is not configured.
type Outlet struct {
	outbox  *Outbox
	name    string
	news    chan struct{}
	cursors [Streams]cursor        // under the outbox's lock
	lastAck [Streams]time.Duration // of the goroutine that owns the file

	// claims are what was confirmed since the last commit. They belong to the goroutine that owns the
	// file; claimed, that there are some which no transaction has written, is under the lock.
	claims  map[claimKey]uint64
	claimed bool

	// Under the outbox's lock:
	waits     time.Duration // running time since which sent records wait for a receipt; -1: none do
	waitsFrom time.Duration // what waits becomes when something is sent; -1: that moment
}

// cursor is how far an outlet is in one stream.
type cursor struct {
	sent      int64         // n up to which everything was sent, and taken by the next hop
	sentSeq   uint64        // the number at sent; 0 when not of this session
	handed    int64         // n up to which everything was handed to the next hop, since the start
	done      int64         // n up to which the outlet is done by the age of what it sent
	confirmed time.Duration // running time of the last receipt; -1: none ever
	written   time.Duration // confirmed, as it is on the card
	changed   bool
}

func newOutlet(b *Outbox, name string) *Outlet {
	o := &Outlet{
		outbox: b, name: name, news: make(chan struct{}, 1), claims: map[claimKey]uint64{}, waits: -1, waitsFrom: -1,
	}
	for i := range o.cursors {
		o.cursors[i].confirmed, o.cursors[i].written = -1, -1
	}
	return o
}

// Name returns the outlet's name, which its cursors have in the file.
func (o *Outlet) Name() string { return o.name }

// News returns a channel that has a value in it when there are records that were not there before.
func (o *Outlet) News() <-chan struct{} { return o.news }

// After returns up to n records of a stream behind a place, oldest first. While the card takes
// nothing, those in memory are among them.
func (o *Outlet) After(ctx context.Context, of Stream, place int64, n int) ([]Record, error) {
	return o.outbox.After(ctx, of, place, n)
}

// Resume returns the place up to which the outlet has sent a stream.
func (o *Outlet) Resume(of Stream) int64 {
	o.outbox.opts.Lock.Lock()
	defer o.outbox.opts.Lock.Unlock()
	return tables.RecordKey(of, o.cursors[of].sent)
}

// Handing notes that a record is about to be handed to the next hop, with all of its stream before
// it. A receiver can have no other.
func (o *Outlet) Handing(r Record) {
	o.outbox.opts.Lock.Lock()
	defer o.outbox.opts.Lock.Unlock()
	c := &o.cursors[r.Stream]
	c.handed = max(c.handed, tables.RecordNumber(r.ID))
}

// handedKey returns the place up to which a stream was handed to the next hop. The caller holds the
// outbox's lock.
func (o *Outlet) handedKey(of Stream) int64 {
	return tables.RecordKey(of, max(o.cursors[of].handed, o.cursors[of].sent))
}

// Sent notes that the next hop has taken a record and all of its stream before it. That reaches the
// card with the next commit: after a crash a record may be sent again, with its number.
func (o *Outlet) Sent(r Record) {
	b := o.outbox
	b.opts.Lock.Lock()
	defer b.opts.Lock.Unlock()
	c := &o.cursors[r.Stream]
	if n := tables.RecordNumber(r.ID); n > c.sent {
		c.sent, c.changed = n, true
		if o.waits < 0 {
			o.waits = o.waitsFrom
			if o.waits < 0 {
				o.waits = b.runTime()
			}
		}
		if r.Session == b.opts.Session {
			c.sentSeq = r.Seq
		}
	}
}

// heard notes a receipt. When it came need not be known better than to the hour on the card. The
// caller holds the outbox's lock.
func (o *Outlet) heard(of Stream) {
	const known = time.Hour
	c := &o.cursors[of]
	c.confirmed = o.outbox.runTime()
	c.changed = c.changed || c.written < 0 || c.confirmed-c.written >= known
	o.waits, o.waitsFrom = -1, -1
}

// Collected reports whether a receiver confirms records, so that sending one is not the last word.
// One that was heard on any stream is one for all: it may have got nothing of another yet.
func (o *Outlet) Collected() bool {
	o.outbox.opts.Lock.Lock()
	defer o.outbox.opts.Lock.Unlock()
	last := o.lastReceipt()
	return last >= 0 && o.outbox.runTime()-last < o.outbox.opts.Collector
}

// lastReceipt returns the running time of the last receipt, -1 if there was none. The caller holds
// the outbox's lock.
func (o *Outlet) lastReceipt() (last time.Duration) {
	last = -1
	for i := range o.cursors {
		last = max(last, o.cursors[i].confirmed)
	}
	return last
}

// Silent returns for how long a receiver that confirms records has said nothing of what was sent;
// 0 where none confirms.
func (o *Outlet) Silent() time.Duration {
	if !o.Collected() {
		return 0
	}
	o.outbox.opts.Lock.Lock()
	defer o.outbox.opts.Lock.Unlock()
	return o.Unheard()
}

// Unheard returns for how long sent records have waited for a receipt; 0 while none do. The caller
// holds the outbox's lock.
func (o *Outlet) Unheard() time.Duration {
	if o.waits < 0 {
		return 0
	}
	return o.outbox.runTime() - o.waits
}

// Unconfirmed returns the oldest records of a stream that were sent and that no receiver has
// confirmed, up to n.
func (o *Outlet) Unconfirmed(ctx context.Context, of Stream, n int) (out []Record, err error) {
	b := o.outbox
	err = b.opts.Card.Query(ctx, func(db *sql.DB) error {
		b.opts.Lock.Lock()
		sent, done := o.cursors[of].sent, o.cursors[of].done
		b.opts.Lock.Unlock()
		out, err = stored(db, of, "o.id > ? AND o.id <= ? AND NOT "+confirmedBy+" ORDER BY o.id LIMIT ?",
			tables.RecordKey(of, done), tables.RecordKey(of, sent), o.name, of, n)
		return err
	})
	return out, err
}

// age takes an outlet's records of a stream for done that were sent more than the grace ago, unless
// a receiver confirms them.
func (o *Outlet) age(tx *sql.Tx, of Stream) error {
	b := o.outbox
	b.opts.Lock.Lock()
	now := b.runTime()
	before := (now - b.opts.Grace).Milliseconds()
	sentNow := o.cursors[of].sent
	b.opts.Lock.Unlock()
	// What was sent within the hour after the last note has none yet.
	if _, err := tx.Exec(`INSERT OR REPLACE INTO acks SELECT ?1, ?2, ?3, ?4
		WHERE ?4 > (SELECT coalesce(max(id), 0) FROM acks WHERE outlet = ?1 AND stream = ?2)`,
		o.name, of, now.Milliseconds(), sentNow); err != nil {
		return err
	}
	var sent sql.NullInt64
	row := tx.QueryRow("SELECT max(id) FROM acks WHERE outlet = ? AND stream = ? AND ran_ms <= ?", o.name, of, before)
	if err := row.Scan(&sent); err != nil {
		return err
	}
	if !sent.Valid {
		return nil
	}
	if !o.Collected() {
		b.opts.Lock.Lock()
		if c := &o.cursors[of]; sent.Int64 > c.done {
			c.done, c.changed = sent.Int64, true
		}
		b.opts.Lock.Unlock()
	}
	_, err := tx.Exec(`DELETE FROM acks WHERE outlet = ?1 AND stream = ?2
		AND ran_ms < (SELECT max(ran_ms) FROM acks WHERE outlet = ?1 AND stream = ?2 AND ran_ms <= ?3)`,
		o.name, of, before)
	return err
}

// Waiting returns how many records of each stream the outlet has not sent. The caller holds the
// outbox's lock.
func (o *Outlet) Waiting() (n [Streams]int64) {
	for i := range n {
		n[i] = max(o.outbox.streams[i].nextN-1-o.cursors[i].sent, 0)
	}
	return n
}

// write writes the cursors that moved, and now and then how far each was at that time.
func (o *Outlet) write(tx *sql.Tx) error {
	lock := o.outbox.opts.Lock
	lock.Lock()
	now := o.outbox.runTime()
	lock.Unlock()
	for i := range o.cursors {
		lock.Lock()
		c := o.cursors[i]
		if c.changed { // should the commit fail, Revert sets it again
			o.cursors[i].changed, o.cursors[i].written = false, c.confirmed
		}
		lock.Unlock()
		if !c.changed {
			continue
		}
		var confirmed any
		if c.confirmed >= 0 {
			confirmed = c.confirmed.Milliseconds()
		}
		if _, err := tx.Exec(`INSERT OR REPLACE INTO cursors(outlet, stream, sent, done, confirmed_ms)
			VALUES(?, ?, ?, ?, ?)`, o.name, i, c.sent, c.done, confirmed); err != nil {
			return err
		}
		const ackEvery = time.Hour // the grace is exact to the hour
		if o.lastAck[i] == 0 || now-o.lastAck[i] >= ackEvery {
			if _, err := tx.Exec("INSERT OR REPLACE INTO acks(outlet, stream, ran_ms, id) VALUES(?, ?, ?, ?)",
				o.name, i, now.Milliseconds(), c.sent); err != nil {
				return err
			}
			o.lastAck[i] = now
		}
	}
	return nil
}
