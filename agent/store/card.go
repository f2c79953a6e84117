package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"path/filepath"
	"time"

	"liftbank/agent/store/file"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/past"
	"liftbank/agent/store/queue"
)

// card is the file on the card and the one goroutine that reads and writes it.
type card struct {
	store *Store
	wake  chan struct{} // commit at once; cap 1
	asks  chan question
	ended chan struct{} // closed when run has returned

	// Of the goroutine of run:
	db       *sql.DB // nil while there is no file
	rows     past.Rows
	lastTidy time.Time
	lost     []*outbox.Entry  // gaps for what a file that was in use may have taken with it
	damaged  string           // file to copy from once there is a new one; empty: none
	scrubbed map[string]int64 // key up to which each table was looked at in this round
}

// question is one to the file.
type question struct {
	do   func() error
	done chan error
}

var errStopped = errors.New("store: stopped")

func newCard(s *Store) *card {
	return &card{
		store: s, wake: make(chan struct{}, 1), asks: make(chan question), ended: make(chan struct{}),
		lastTidy: s.opts.Now(), scrubbed: map[string]int64{},
	}
}

func (c *card) open() {
	if err := c.attach(); err != nil {
		c.fault(err)
		return
	}
	c.measure()
}

func (c *card) run(ctx context.Context) {
	defer close(c.ended)
	opts := &c.store.opts
	timer := opts.After(opts.Limits.CommitEvery)
	for {
		select {
		case <-ctx.Done():
			c.commit()
			c.finish()
			return
		case <-c.wake:
			if !c.isDown() { // a card that can't be written is tried again on time, not with each run
				c.commit()
			}
		case <-timer:
			c.commit()
			c.tidy()
			timer = opts.After(opts.Limits.CommitEvery)
		case q := <-c.asks:
			q.done <- q.do()
		}
	}
}

// wakeUp has what waits written at once.
func (c *card) wakeUp() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// ask has the goroutine of run answer a question.
func (c *card) ask(ctx context.Context, do func() error) error {
	q := question{do, make(chan error, 1)}
	select {
	case c.asks <- q:
	case <-c.ended:
		return errStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	return <-q.done
}

// Ask has the goroutine of run call do. There may be no file, and the card may take nothing.
func (c *card) Ask(ctx context.Context, do func(db *sql.DB, down bool) error) error {
	return c.ask(ctx, func() error { return do(c.db, c.isDown()) })
}

// Query has the goroutine of run read from the file, after writing what waits. Without a file there
// is nothing to read.
func (c *card) Query(ctx context.Context, do func(db *sql.DB) error) error {
	return c.ask(ctx, func() error {
		c.commit()
		if c.db == nil {
			return nil
		}
		return do(c.db)
	})
}

// Waiting returns the records that are in memory only. The caller holds the store's lock.
func (c *card) Waiting() iter.Seq[*outbox.Entry] { return c.store.queue.Entries() }

func (c *card) isDown() bool {
	c.store.mu.Lock()
	defer c.store.mu.Unlock()
	return c.store.down
}

// attach opens the file and reads what a start needs. It renames a damaged file and starts a new
// one.
func (c *card) attach() error {
	dir := c.store.opts.Dir
	db, err := file.Open(dir)
	if err != nil && file.IsDamage(err) && dir != "" {
		var damaged string
		if damaged, err = c.setAside(err); err == nil {
			c.damaged = damaged
			db, err = file.Open(dir)
		}
	}
	if err != nil {
		return err
	}
	salvaged := c.damaged != ""
	if salvaged {
		c.salvage(db)
	}
	err = c.rows.Load(db, c.store.opts.Layout)
	if err == nil {
		err = c.store.spans.Load(db)
	}
	if err == nil {
		err = c.store.outbox.Load(db)
	}
	if err == nil {
		err = c.nameHoles(db, salvaged)
	}
	if err != nil {
		return errors.Join(err, db.Close())
	}
	c.db, c.damaged = db, ""
	return nil
}

// setAside renames a damaged file, so that a new one can be started.
func (c *card) setAside(why error) (to string, err error) {
	s := c.store
	to = file.DamagedName(s.opts.Now(), s.opts.Session)
	s.opts.Log.Error("store damaged: renamed, starting with a new file and what can be read of this one",
		"file", filepath.Join(s.opts.Dir, file.Name), "renamed to", filepath.Join(s.opts.Dir, to), "err", why)
	if err := file.SetAside(s.opts.Dir, to); err != nil {
		return "", err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.health.SetAside = file.Damaged(s.opts.Dir)
	return to, nil
}

// salvageLimit is the time that a start takes for a damaged file; the service manager waits longer.
const salvageLimit = 40 * time.Second

// salvage fills a new file with what can be read of the damaged one.
func (c *card) salvage(db *sql.DB) {
	s := c.store
	path := filepath.Join(s.opts.Dir, c.damaged)
	ctx, cancel := context.WithTimeout(context.Background(), salvageLimit)
	defer cancel()
	got, err := file.Salvage(ctx, db, path)
	rows := 0
	for _, n := range got.Rows {
		rows += n
	}
	s.opts.Log.Warn("store: rows of the damaged file copied", "rows", rows, "some lost", got.Lost || err != nil, "err", err)
}

// nameHoles has gaps stand for the records that a damaged file has taken with it, and for those in
// this file that are not as they were written.
func (c *card) nameHoles(db *sql.DB, salvaged bool) error {
	s := c.store
	tx, err := db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after Commit
	bad, err := s.outbox.Scrub(tx)
	if err != nil {
		return fmt.Errorf("store: outbox: %w", err)
	}
	if bad == 0 && !salvaged {
		return nil
	}
	left, err := s.outbox.NameHoles(tx, c.lost)
	if err != nil {
		return fmt.Errorf("store: salvage: %w", err)
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue.Prepend(left)
	s.health.Damaged += uint64(bad)
	c.lost = nil
	return nil
}

// fault notes that the card can't be written, and why.
func (c *card) fault(err error) {
	s := c.store
	problem := file.Problem(err)
	s.mu.Lock()
	fresh := s.health.Problem != problem
	if fresh {
		s.health.Problem, s.health.Since = problem, s.opts.Now()
	}
	s.health.Detail = err.Error()
	s.health.Failed++
	s.down = true
	s.mu.Unlock()
	if fresh {
		s.opts.Log.Error("store can't be written: measuring continues, records are held in memory",
			"dir", s.opts.Dir, "problem", problem, "err", err)
	}
	s.outbox.Notify()
}

// commit writes what waits in one transaction. What can't be written keeps waiting.
func (c *card) commit() {
	s := c.store
	s.mu.Lock()
	idle := s.queue.Len() == 0 && !s.outbox.Changed() && !s.spans.Changed() && !s.down
	s.mu.Unlock()
	if idle && c.db != nil {
		return
	}
	if c.db == nil || c.isDown() {
		if err := c.reopen(); err != nil {
			c.fault(err)
			return
		}
	}
	if err := c.write(); err != nil {
		if file.IsDamage(err) {
			c.abandon(err)
		}
		c.fault(err)
		return
	}
	s.outbox.Notify()
}

// write does one transaction with everything that waits.
func (c *card) write() error {
	s := c.store
	s.mu.Lock()
	// The numbers of what is in ops, none of a record that comes meanwhile.
	ops, given := s.queue.Begin(), s.outbox.Begin()
	s.mu.Unlock()
	minute := c.rows.Last()
	revertSpans, err := c.transact(ops, given)
	if err == nil {
		c.committed()
		return nil
	}
	revertSpans()
	c.rows.Revert(minute)
	s.mu.Lock()
	s.outbox.Revert(given)
	s.queue.Fail()
	s.mu.Unlock()
	return fmt.Errorf("store: write: %w", err)
}

func (c *card) transact(ops []queue.Op, given outbox.Numbers) (revertSpans func(), err error) {
	revertSpans = func() {}
	tx, err := c.db.BeginTx(context.Background(), nil)
	if err != nil {
		return revertSpans, err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after Commit; the first error is the one that matters
	revertSpans, err = c.store.spans.Write(tx)
	if err != nil {
		return revertSpans, err
	}
	for i := range ops {
		if err := ops[i].Apply(tx); err != nil {
			return revertSpans, err
		}
	}
	if err := c.store.outbox.Write(tx, given); err != nil {
		return revertSpans, err
	}
	return revertSpans, tx.Commit()
}

// committed notes that the card has what the transaction wrote.
func (c *card) committed() {
	s := c.store
	s.mu.Lock()
	s.queue.Done()
	s.health.Commits++
	was := s.health.Problem
	s.down = false
	if was != "" {
		s.health.Problem, s.health.Detail, s.health.Since = "", "", s.opts.Now()
	}
	s.mu.Unlock()
	if was != "" {
		s.opts.Log.Info("store can be written again", "dir", s.opts.Dir, "was", was)
	}
}

// reopen opens the file again after it could not be written.
func (c *card) reopen() error {
	if c.db != nil {
		if c.store.opts.Dir == "" {
			return nil
		}
		_ = c.db.Close() // it is no use, whatever it says
		c.db = nil
	}
	return c.attach()
}

// abandon closes a file that turned out to be damaged while it was used; the next attempt opens a
// new one. Records that were not sent are lost with it, and gaps in the outbox say so.
func (c *card) abandon(err error) {
	s := c.store
	_ = c.db.Close() // see reopen
	c.db = nil
	if s.opts.Dir == "" {
		return
	}
	damaged, err := c.setAside(err)
	if err != nil {
		s.opts.Log.Error("damaged store can't be renamed", "err", err)
	}
	c.damaged = damaged
	s.mu.Lock()
	defer s.mu.Unlock()
	c.lost = s.outbox.Abandon(s.spans.Last())
	s.spans.Forget()
	c.rows.Forget()
}

// finish closes the file at the end.
func (c *card) finish() {
	if c.db == nil {
		return
	}
	log := c.store.opts.Log
	if !c.isDown() {
		if err := c.store.outbox.SaveRunTime(c.db); err != nil {
			log.Warn("store: save running time", "err", err)
		}
	}
	if err := c.db.Close(); err != nil {
		log.Warn("store: close", "err", err)
	}
	c.db = nil
}
