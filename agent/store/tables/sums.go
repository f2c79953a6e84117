package tables

import (
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
	"strings"

	"modernc.org/sqlite"
)

// Table is a table whose rows carry a checksum of all their columns.
type Table struct {
	Name string
	Keys []string // the primary key
	Data []string
}

// Checked are those tables, in the order that a damaged file is read in: first what says what the
// rest means. Tables that are missing here hold notes that others would miss only for a while.
var Checked = []Table{
	{"spans", []string{"ord"}, []string{"session", "from_ms", "off_ms", "trusted"}},
	{"layouts", []string{"id"}, []string{"series"}},
	{"streams", []string{"stream"}, []string{"next_seq", "next_id"}},
	{"cursors", []string{"outlet", "stream"}, []string{"sent", "done", "confirmed_ms"}},
	{"outbox", []string{"id"}, []string{"span", "first_seq", "from_seq", "seq", "mono_ms", "gap", "body"}},
	{"findings", []string{"id"}, []string{"name", "subject", "severity", "ended"}},
	{"runs", []string{"id"}, []string{"duration_ms", "mean_a", "peak_a"}},
	{"hours", []string{"id"}, []string{"layout", "data"}},
	{"tens", []string{"id"}, []string{"layout", "data"}},
	{"minutes", []string{"id"}, []string{"layout", "data"}},
	{"details", []string{"id"}, []string{"data"}},
}

// Columns returns all columns but the checksum.
func (t Table) Columns() []string { return append(append([]string{}, t.Keys...), t.Data...) }

// Sound returns the condition that a row is as it was written. One of before there were checksums
// has none.
func (t Table) Sound() string {
	return "(crc IS NULL OR crc = row_crc(" + strings.Join(t.Columns(), ", ") + "))"
}

// withSums gives rows a checksum, which triggers keep, and each table a view of the rows that are as
// they were written.
func withSums(tx *sql.Tx) error {
	for _, t := range Checked {
		var same, fresh []string
		for _, k := range t.Keys {
			same = append(same, k+" = new."+k)
		}
		for _, c := range t.Columns() {
			fresh = append(fresh, "new."+c)
		}
		set := fmt.Sprintf("BEGIN UPDATE %s SET crc = row_crc(%s) WHERE %s; END", t.Name, strings.Join(fresh, ", "),
			strings.Join(same, " AND "))
		for _, statement := range []string{
			"ALTER TABLE " + t.Name + " ADD COLUMN crc INTEGER",
			fmt.Sprintf("CREATE TRIGGER %[1]s_added AFTER INSERT ON %[1]s %s", t.Name, set),
			fmt.Sprintf("CREATE TRIGGER %[1]s_changed AFTER UPDATE OF %[2]s ON %[1]s %[3]s", t.Name,
				strings.Join(t.Data, ", "), set),
			fmt.Sprintf("CREATE VIEW sound_%[1]s AS SELECT %[2]s FROM %[1]s WHERE %[3]s", t.Name,
				strings.Join(t.Columns(), ", "), t.Sound()),
		} {
			if _, err := tx.Exec(statement); err != nil {
				return fmt.Errorf("%s: %w", t.Name, err)
			}
		}
	}
	return nil
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func init() {
	sqlite.MustRegisterDeterministicScalarFunction("row_crc", -1,
		func(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) { return rowCRC(args) })
}

// rowCRC returns the CRC-32C of values, each with its type and length, so that no two rows read the
// same.
func rowCRC(values []driver.Value) (int64, error) {
	sum := crc32.New(castagnoli)
	var head [9]byte
	put := func(kind byte, n uint64, text []byte) {
		head[0] = kind
		binary.LittleEndian.PutUint64(head[1:], n)
		sum.Write(head[:])
		sum.Write(text)
	}
	for _, v := range values {
		switch x := v.(type) {
		case nil:
			put('n', 0, nil)
		case int64:
			put('i', uint64(x), nil)
		case float64:
			put('f', math.Float64bits(x), nil)
		case string:
			put('s', uint64(len(x)), []byte(x))
		case []byte:
			put('b', uint64(len(x)), x)
		default:
			return 0, fmt.Errorf("row_crc: a %T in a row", v)
		}
	}
	return int64(sum.Sum32()), nil
}

// Scrub looks at the n rows of a table behind a key and deletes those that are not as they were
// written. It returns how many those were, and the last key that it looked at, 0 at the end of the
// table. It is for tables with one key.
func (t Table) Scrub(tx *sql.Tx, after int64, n int) (bad, last int64, err error) {
	key := t.Keys[0]
	row := tx.QueryRow(fmt.Sprintf("SELECT coalesce(max(%[1]s), 0) FROM (SELECT %[1]s FROM %[2]s WHERE %[1]s > ?"+
		" ORDER BY %[1]s LIMIT ?)", key, t.Name), after, n)
	if err := row.Scan(&last); err != nil || last == 0 {
		return 0, 0, err
	}
	res, err := tx.Exec(fmt.Sprintf("DELETE FROM %s WHERE %[2]s > ? AND %[2]s <= ? AND NOT %[3]s", t.Name, key, t.Sound()),
		after, last)
	if err != nil {
		return 0, 0, err
	}
	bad, err = res.RowsAffected()
	return bad, last, err
}
