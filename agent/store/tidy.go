package store

import (
	"context"
	"fmt"
	"time"

	"liftbank/agent/store/file"
	"liftbank/agent/store/past"
)

// tidyEvery is how often the store deletes what is too old, too much or done.
const tidyEvery = time.Hour

// tidy deletes what need not be stored, a limited number of rows at a time, and measures the file.
func (c *card) tidy() {
	s := c.store
	if c.db == nil || c.isDown() {
		return
	}
	c.measure()
	if s.opts.Now().Sub(c.lastTidy) < tidyEvery && s.Health().SizeBytes <= s.opts.Limits.FileBytes {
		return
	}
	c.lastTidy = s.opts.Now()
	if err := c.tidyAll(); err != nil {
		c.fault(fmt.Errorf("store: tidy: %w", err))
	}
	c.measure()
}

func (c *card) tidyAll() error {
	s := c.store
	tx, err := c.db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after Commit
	if err := past.Tidy(tx, s.opts.Limits.keep()); err != nil {
		return err
	}
	lost, unconfirmed, err := s.outbox.Tidy(tx)
	s.mu.Lock()
	s.health.Lost += lost
	s.health.Unconfirmed += unconfirmed
	s.mu.Unlock()
	if err != nil {
		return err
	}
	if err := file.Shrink(tx, s.opts.Limits.FileBytes, "minutes", "details", "tens"); err != nil {
		return err
	}
	if _, err := tx.Exec(`DELETE FROM spans WHERE ord < (SELECT min(o) FROM (SELECT min(id) >> 40 AS o FROM minutes
		UNION ALL SELECT min(id) >> 40 FROM tens UNION ALL SELECT min(id) >> 40 FROM hours
		UNION ALL SELECT min(id) >> 40 FROM runs UNION ALL SELECT min(id) >> 40 FROM findings
		UNION ALL SELECT min(span) FROM outbox))`); err != nil {
		return err
	}
	if _, err := tx.Exec("DELETE FROM receipts WHERE session NOT IN (SELECT session FROM spans)"); err != nil {
		return err
	}
	if err := s.outbox.SaveRunTime(tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	_, err = c.db.Exec("PRAGMA incremental_vacuum(256)")
	return err
}

// measure notes the file's size and the number of records stored.
func (c *card) measure() {
	used, err := file.Used(c.db)
	if err != nil {
		return // the next commit tells
	}
	kept, err := c.store.outbox.Kept(c.db)
	if err != nil {
		return
	}
	c.store.mu.Lock()
	c.store.health.SizeBytes, c.store.health.Kept = used, kept
	c.store.mu.Unlock()
}
