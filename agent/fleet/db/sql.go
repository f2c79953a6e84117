package db

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// dialect is which database it is. Queries are written once, with parameters ?1, ?2.
type dialect uint8

const (
	sqlite dialect = iota
	postgres
)

var parameter = regexp.MustCompile(`\?(\d+)`)

// text returns a query in the dialect's form.
func (d *DB) text(query string) string {
	if d.dialect == sqlite {
		return query
	}
	d.textsMu.RLock()
	t, ok := d.texts[query]
	d.textsMu.RUnlock()
	if ok {
		return t
	}
	t = parameter.ReplaceAllString(query, "$$$1")
	d.textsMu.Lock()
	defer d.textsMu.Unlock()
	d.texts[query] = t
	return t
}

// query reads all rows of a query.
func (d *DB) query(ctx context.Context, query string, scan func(*sql.Rows) error, args ...any) error {
	rows, err := d.sql.QueryContext(ctx, d.text(query), args...)
	if err != nil {
		return fmt.Errorf("database: %w", err)
	}
	return each(rows, scan)
}

func each(rows *sql.Rows, scan func(*sql.Rows) error) error {
	defer rows.Close()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return fmt.Errorf("database: %w", err)
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("database: %w", err)
	}
	return nil
}

func (d *DB) row(ctx context.Context, query string, args ...any) *sql.Row {
	return d.sql.QueryRowContext(ctx, d.text(query), args...)
}

// tx is a transaction that writes.
type tx struct {
	d       *DB
	ctx     context.Context
	tx      *sql.Tx
	revised bool // the revision has grown
}

// lockKey is of the advisory lock that keeps the writers of a PostgreSQL database in a row, so that
// the IDs of records become visible in order: a cursor misses none.
const lockKey = 0x6c69667462616e6b

// write runs do in a transaction, one after the other.
func (d *DB) write(ctx context.Context, do func(*tx) error) (err error) {
	d.writing.Lock()
	defer d.writing.Unlock()
	t, err := d.sql.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("database: %w", err)
	}
	defer func() {
		if err != nil {
			_ = t.Rollback() // the first error is the one to know
			clear(d.months)
		}
	}()
	x := &tx{d: d, ctx: ctx, tx: t}
	if d.dialect == sqlite {
		// Its driver starts a goroutine for each statement that may be interrupted. The transaction ends with
		// ctx all the same, between two of them.
		x.ctx = context.WithoutCancel(ctx)
	}
	if d.dialect == postgres {
		if _, err := t.ExecContext(ctx, "SELECT pg_advisory_xact_lock($1)", int64(lockKey)); err != nil {
			return fmt.Errorf("database: %w", err)
		}
	}
	if err := do(x); err != nil {
		return err
	}
	if err := t.Commit(); err != nil {
		return fmt.Errorf("database: commit: %w", err)
	}
	return nil
}

func (x *tx) exec(query string, args ...any) (int64, error) {
	st, err := x.prepared(query)
	if err != nil {
		return 0, err
	}
	var r sql.Result
	if st != nil {
		r, err = st.ExecContext(x.ctx, args...)
	} else {
		r, err = x.tx.ExecContext(x.ctx, x.d.text(query), args...)
	}
	if err != nil {
		return 0, fmt.Errorf("database: %w", err)
	}
	return r.RowsAffected()
}

func (x *tx) query(query string, scan func(*sql.Rows) error, args ...any) error {
	st, err := x.prepared(query)
	if err != nil {
		return err
	}
	var rows *sql.Rows
	if st != nil {
		rows, err = st.QueryContext(x.ctx, args...)
	} else {
		rows, err = x.tx.QueryContext(x.ctx, x.d.text(query), args...)
	}
	if err != nil {
		return fmt.Errorf("database: %w", err)
	}
	return each(rows, scan)
}

func (x *tx) row(query string, args ...any) *sql.Row {
	if st, err := x.prepared(query); err == nil && st != nil {
		return st.QueryRowContext(x.ctx, args...)
	}
	return x.tx.QueryRowContext(x.ctx, x.d.text(query), args...)
}

// prepared returns a statement of SQLite, which would take longer to read it than to do it. They are
// few, and stay. That of PostgreSQL keeps them by itself.
func (x *tx) prepared(query string) (*sql.Stmt, error) {
	d := x.d
	if d.dialect != sqlite {
		return nil, nil
	}
	st := d.statements[query] // guarded by writing
	if st == nil {
		var err error
		if st, err = d.sql.PrepareContext(x.ctx, query); err != nil {
			return nil, fmt.Errorf("database: %w", err)
		}
		d.statements[query] = st
	}
	return x.tx.StmtContext(x.ctx, st), nil
}

// next returns the next free number of a table's IDs. Writers go one after the other.
func (x *tx) next(table string) (int64, error) {
	var id int64
	err := x.row("SELECT coalesce(max(id), 0) + 1 FROM " + table).Scan(&id)
	if err != nil {
		return 0, fmt.Errorf("database: %w", err)
	}
	return id, nil
}

// rows is many rows for one table, by column.
type rows struct {
	table   string
	columns []column
	keys    string // of a row that replaces another; "" where there is none
	set     string // what it replaces of it; "": all but the keys
	n       int
}

// column is the values of one column of rows; one of the lists is used.
type column struct {
	name   string
	ints   []int64
	texts  []string
	bytes  [][]byte
	floats []*float64
	kind   byte // i, t, b, f
	once   bool // set with the row, and not when it is replaced
}

// into returns an empty list of rows. Columns are "name:kind", with "!" behind it what never changes of
// a row: setting it to what it was has its indexes written.
func into(table, keys string, columns ...string) *rows {
	r := &rows{table: table, keys: keys, columns: make([]column, len(columns))}
	for i, c := range columns {
		name, kind, _ := strings.Cut(c, ":")
		once := strings.HasSuffix(kind, "!") || strings.Contains(","+keys+",", ","+name+",")
		r.columns[i] = column{name: name, kind: kind[0], once: once}
	}
	return r
}

// add adds a row: int64, string, []byte or *float64 by the kinds of the columns.
func (r *rows) add(values ...any) {
	for i, v := range values {
		c := &r.columns[i]
		switch v := v.(type) {
		case int64:
			c.ints = append(c.ints, v)
		case string:
			c.texts = append(c.texts, v)
		case []byte:
			if v == nil {
				v = []byte{}
			}
			c.bytes = append(c.bytes, v)
		case *float64:
			c.floats = append(c.floats, v)
		default:
			panic(fmt.Sprintf("bug: column %s of %T", c.name, v))
		}
	}
	r.n++
}

func (c *column) value(i int) any {
	switch c.kind {
	case 'i':
		return c.ints[i]
	case 't':
		return c.texts[i]
	case 'b':
		return c.bytes[i]
	}
	if c.floats[i] == nil {
		return nil
	}
	return *c.floats[i]
}

func (c *column) list() any {
	switch c.kind {
	case 'i':
		return c.ints
	case 't':
		return c.texts
	case 'b':
		return c.bytes
	}
	return c.floats
}

// put writes rows. A row with the keys of another replaces what it has of it.
func (x *tx) put(r *rows) error {
	if r.n == 0 {
		return nil
	}
	names := make([]string, len(r.columns))
	var set []string
	for i := range r.columns {
		c := &r.columns[i]
		if names[i] = c.name; !c.once {
			set = append(set, c.name+" = excluded."+c.name)
		}
	}
	insert, conflict := "INSERT INTO "+r.table+"("+strings.Join(names, ", ")+") ", ""
	if r.keys != "" {
		conflict = " ON CONFLICT (" + r.keys + ") DO UPDATE SET " + cmp.Or(r.set, strings.Join(set, ", "))
	}
	if x.d.dialect == postgres {
		types := map[byte]string{'i': "bigint", 't': "text", 'b': "bytea", 'f': "float8"}
		args := make([]any, len(r.columns))
		params := make([]string, len(r.columns))
		for i := range r.columns {
			args[i] = r.columns[i].list()
			params[i] = "$" + strconv.Itoa(i+1) + "::" + types[r.columns[i].kind] + "[]"
		}
		_, err := x.exec(insert+"SELECT * FROM unnest("+strings.Join(params, ", ")+")"+conflict, args...)
		return err
	}
	group := "(" + strings.TrimSuffix(strings.Repeat("?,", len(r.columns)), ",") + "),"
	args := make([]any, 0, mostAtOnce*len(r.columns))
	for at := 0; at < r.n; {
		n := atOnce(r.n - at)
		args = args[:0]
		for i := at; i < at+n; i++ {
			for k := range r.columns {
				args = append(args, r.columns[k].value(i))
			}
		}
		if _, err := x.exec(insert+"VALUES "+strings.TrimSuffix(strings.Repeat(group, n), ",")+conflict, args...); err != nil {
			return err
		}
		at += n
	}
	return nil
}

// mostAtOnce is of rows in a statement of SQLite: a longer one saves nothing.
const mostAtOnce = 32

// atOnce returns how many of n rows go into a statement: few different numbers, as each is a statement
// that stays prepared.
func atOnce(n int) int {
	at := mostAtOnce
	for at > n {
		at /= 2
	}
	return at
}

// ms is a time as it is stored: milliseconds since 1970, 0 of the zero time.
func ms(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

// when is the time of a stored number.
func when(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.UnixMilli(n).UTC()
}

func number(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// streams are the kinds of records as they are stored: the rare ones first.
var streams = []string{"findings", "visits", "runs", "readings"}

func kindOf(stream string) (int64, bool) {
	for i, s := range streams {
		if s == stream {
			return int64(i), true
		}
	}
	return 0, false
}
