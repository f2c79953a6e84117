package db

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"
)

// pieces is how many records are deleted in one transaction, so that commits needn't wait for long.
const pieces = 5000

// Retain deletes what is older than it is to be kept. What is known of the numbers stays: a record
// that is deleted is not asked for again.
func (d *DB) Retain(ctx context.Context, now time.Time, r Retention) (out Deleted, err error) {
	for _, stream := range streams {
		if keep := r.Streams[stream]; keep > 0 {
			kind, _ := kindOf(stream)
			n, err := d.deleteOld(ctx, "record", "kind = ?1 AND received < ?2", kind, ms(now.Add(-keep)))
			out.Records += n
			if err != nil {
				return out, err
			}
		}
	}
	if err := d.dropMonths(ctx, now, r); err != nil {
		return out, err
	}
	for _, t := range []struct {
		keep         time.Duration
		table, where string
		to           *int64
	}{
		{r.Alarms, "alarm", "?1 = 0 AND ended > 0 AND ended < ?2", &out.Alarms},
		{r.Audit, "audit", "?1 = 0 AND at < ?2", &out.Audit},
		{r.Quarantine, "quarantine", "?1 = 0 AND at < ?2", &out.Quarantined},
	} {
		if t.keep <= 0 {
			continue
		}
		if *t.to, err = d.deleteOld(ctx, t.table, t.where, 0, ms(now.Add(-t.keep))); err != nil {
			return out, err
		}
	}
	if r.Days > 0 {
		if out.Days, err = d.retainDays(ctx, now.Add(-r.Days)); err != nil {
			return out, err
		}
	}
	if r.Units > 0 {
		out.Units, err = d.deleteUnits(ctx, ms(now.Add(-r.Units)))
	}
	return out, err
}

// deleteOld deletes the rows of a table that a condition on ?1 and ?2 holds for, a piece at a time.
func (d *DB) deleteOld(ctx context.Context, table, where string, a, b int64) (all int64, err error) {
	for {
		var n int64
		err := d.write(ctx, func(x *tx) error {
			n, err = x.exec("DELETE FROM "+table+" WHERE id IN (SELECT id FROM "+table+" WHERE "+where+" ORDER BY id LIMIT ?3)",
				a, b, pieces)
			return err
		})
		all += n
		if err != nil || n < pieces {
			return all, err
		}
	}
}

// dropMonths drops partitions that retention has emptied.
func (d *DB) dropMonths(ctx context.Context, now time.Time, r Retention) error {
	if d.dialect != postgres || len(r.Streams) == 0 {
		return nil
	}
	var names []string
	err := d.query(ctx, "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'record'::regclass ORDER BY 1",
		func(row *sql.Rows) error {
			var name string
			err := row.Scan(&name)
			names = append(names, name)
			return err
		})
	if err != nil {
		return err
	}
	current := "record_" + now.UTC().Format("2006_01")
	for _, name := range names {
		if name >= current {
			continue
		}
		err := d.write(ctx, func(x *tx) error {
			var some bool
			if err := x.row("SELECT EXISTS (SELECT 1 FROM " + name + ")").Scan(&some); err != nil || some {
				return err
			}
			clear(d.months)
			_, err := x.exec("DROP TABLE " + name)
			return err
		})
		if err != nil {
			return fmt.Errorf("partition %s: %w", name, err)
		}
	}
	return nil
}

// deleteUnits deletes all of the units that were taken out of use before a time.
func (d *DB) deleteUnits(ctx context.Context, before int64) (n int64, err error) {
	var ids []int64
	err = d.query(ctx, "SELECT id FROM unit WHERE decommissioned > 0 AND decommissioned < ?1", func(r *sql.Rows) error {
		var id int64
		err := r.Scan(&id)
		ids = append(ids, id)
		return err
	}, before)
	if err != nil {
		return 0, err
	}
	slices.Sort(ids)
	for _, id := range ids {
		if _, err := d.deleteOld(ctx, "record", "unit = ?1 AND ?2 = 0", id, 0); err != nil {
			return n, err
		}
		err := d.write(ctx, func(x *tx) error {
			for _, table := range []string{"stream", "gap", "standing", "alarm", "flag", "work", "part", "state", "daily"} {
				if _, err := x.exec("DELETE FROM "+table+" WHERE unit = ?1", id); err != nil {
					return err
				}
			}
			_, err := x.exec("DELETE FROM unit WHERE id = ?1", id)
			return err
		})
		if err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}
