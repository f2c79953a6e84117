package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"liftbank/agent/store/file"
	"liftbank/agent/store/past"
	"liftbank/agent/store/tables"
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
	damaged, err := c.scrub(tx)
	if err != nil {
		return err
	}
	lost, unconfirmed, err := s.outbox.Tidy(tx)
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
	s.mu.Lock()
	s.health.Damaged += uint64(damaged)
	s.health.Lost += lost
	s.health.Unconfirmed += unconfirmed
	s.mu.Unlock()
	_, err = c.db.Exec("PRAGMA incremental_vacuum(256)")
	return err
}

// scrubRows bounds what one tidy looks at in a table: a month of minutes is looked at in a day.
const scrubRows = 2000

// scrub looks at some rows of each table and deletes those that are not as they were written.
func (c *card) scrub(tx *sql.Tx) (damaged int64, err error) {
	for _, t := range tables.Checked {
		if len(t.Keys) > 1 {
			continue // a few rows, all of them in memory
		}
		bad, last, err := t.Scrub(tx, c.scrubbed[t.Name], scrubRows)
		if err != nil {
			return damaged, fmt.Errorf("%s: %w", t.Name, err)
		}
		c.scrubbed[t.Name] = last
		if bad > 0 && t.Name == "outbox" {
			if _, err := c.store.outbox.NameHoles(tx, nil); err != nil {
				return damaged, err
			}
		}
		if damaged += bad; bad > 0 {
			c.store.opts.Log.Warn("store: damaged rows deleted", "table", t.Name, "rows", bad)
		}
	}
	return damaged, nil
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
