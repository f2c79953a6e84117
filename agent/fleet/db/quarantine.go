package db

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"

	"liftbank/agent/fleet/wire"
)

// flagsUnit reports whether what was refused is told of the unit too.
func flagsUnit(why wire.Reason) bool { return why == wire.UnitLies || why == wire.UnknownSchema }

// refuse puts a message into the quarantine. If its number is known it counts as one that will not
// come, until the quarantine is replayed: else the unit would send it for ever.
func (c *commit) refuse(u *unitRow, m *wire.Message) error {
	c.out.Refused = append(c.out.Refused, m.Refused.Reason)
	if u != nil {
		switch m.Refused.Reason {
		case wire.UnitLies:
			c.flag(u, UnitLies, m.Refused.Detail)
		case wire.UnknownSchema:
			c.flag(u, SchemaUnknown, m.Refused.Detail)
		}
	}
	if m.Numbered {
		s, err := c.stream(u, m)
		if err != nil {
			return err
		}
		if s.have.Covers(m.From, m.Head.Seq) {
			return nil // it is in the quarantine, or the record came otherwise
		}
		if _, err := c.gap(s, m.From, m.Head.Seq, "in quarantine: "+string(m.Refused.Reason)); err != nil {
			return err
		}
	}
	c.refused.add(int64(0), c.now, cut(m.Topic), m.Unit, string(m.Refused.Reason), m.Refused.Detail, number(m.Retained),
		int64(len(m.Body)), m.Body)
	return nil
}

// cut bounds a topic, which may have any 64 KiB, and leaves out what a database's text can't have.
func cut(topic string) string {
	const most = 300
	if len(topic) > most {
		topic = topic[:most]
	}
	return strings.ReplaceAll(strings.ToValidUTF8(topic, "\uFFFD"), "\x00", "\uFFFD")
}

func (c *commit) saveRefused() error { return c.tx.quarantine(c.refused) }

// quarantine writes refused messages and drops the oldest of those that are too many.
func (x *tx) quarantine(r *rows) error {
	if r.n == 0 {
		return nil
	}
	id, err := x.next("quarantine")
	if err != nil {
		return err
	}
	for i := range r.n {
		r.columns[0].ints[i] = id + int64(i)
	}
	if err := x.put(r); err != nil {
		return err
	}
	var count, bytes int64
	if err := x.row("SELECT count(*), coalesce(sum(bytes), 0) FROM quarantine").Scan(&count, &bytes); err != nil {
		return fmt.Errorf("database: %w", err)
	}
	if count <= int64(x.d.opts.QuarantineRows) && bytes <= x.d.opts.QuarantineBytes {
		return nil
	}
	// The newest that fit stay.
	_, err = x.exec(`DELETE FROM quarantine WHERE id <= (SELECT coalesce(max(id), 0) FROM (
		SELECT id, row_number() OVER (ORDER BY id DESC) AS n, sum(bytes) OVER (ORDER BY id DESC) AS held FROM quarantine) AS q
		WHERE n > ?1 OR held > ?2)`, int64(x.d.opts.QuarantineRows), x.d.opts.QuarantineBytes)
	return err
}

// Quarantine puts a message aside by hand.
func (d *DB) Quarantine(ctx context.Context, at time.Time, topic string, payload []byte, why wire.Refused) error {
	_, err := d.Commit(ctx, at, []wire.Message{{Topic: topic, Body: payload, Refused: &why}})
	return err
}

// Quarantined returns refused messages, oldest first.
func (d *DB) Quarantined(ctx context.Context, q QuarantineQuery) (out []Quarantined, err error) {
	if q.Limit <= 0 {
		q.Limit = 1000
	}
	payload := "''"
	if q.Full {
		payload = "payload"
	}
	where, args := []string{"id > ?1"}, []any{q.After}
	if q.IDs != nil {
		list, arg := d.list("id", q.IDs)
		args = append(args, arg)
		where = append(where, strings.Replace(list, "?1", fmt.Sprintf("?%d", len(args)), 1))
	}
	if q.Unit != "" {
		args = append(args, q.Unit)
		where = append(where, fmt.Sprintf("unit = ?%d", len(args)))
	}
	if q.Reason != "" {
		args = append(args, string(q.Reason))
		where = append(where, fmt.Sprintf("reason = ?%d", len(args)))
	}
	args = append(args, q.Limit)
	err = d.query(ctx, "SELECT id, at, topic, unit, reason, detail, retained, bytes, "+payload+" FROM quarantine WHERE "+
		strings.Join(where, " AND ")+fmt.Sprintf(" ORDER BY id LIMIT ?%d", len(args)), func(r *sql.Rows) error {
		var m Quarantined
		var at, retained int64
		if err := r.Scan(&m.ID, &at, &m.Topic, &m.Unit, &m.Reason, &m.Detail, &retained, &m.Bytes, &m.Payload); err != nil {
			return err
		}
		if !q.Full {
			m.Payload = nil
		}
		m.At, m.Retained = when(at), retained != 0
		out = append(out, m)
		return nil
	}, args...)
	return out, err
}

// DropQuarantined deletes refused messages.
func (d *DB) DropQuarantined(ctx context.Context, ids []int64) (n int64, err error) {
	where, arg := d.list("id", ids)
	err = d.write(ctx, func(x *tx) error {
		n, err = x.exec("DELETE FROM quarantine WHERE "+where, arg)
		return err
	})
	return n, err
}
