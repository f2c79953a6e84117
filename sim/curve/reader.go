// Package curve reads recorded battery curves and writes simulated ones.
//
// A curve is CSV (RFC 4180) with a header line that names at least the columns
//
//	time_s,battery,voltage_v,current_a,temperature_c
//
// in any order; other columns are ignored. There is one row a battery and instant, rows of one
// instant follow one another, and time never goes back. Current into the battery is positive. An
// empty temperature keeps the battery's last one.
//
// Reading is strict: what can't be meant is an error that names file, line and field and says what
// is accepted.
package curve

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// Row is one battery at one instant.
type Row struct {
	Battery   string  // "a" to "d"
	VoltageV  float64 // at its posts
	CurrentA  float64 // positive into the battery
	TempC     float64 // the last one known; meaningful if TempKnown
	TempKnown bool    // false until the battery's first temperature
}

// Instant is all rows of one time.
type Instant struct {
	TimeS float64 // 0 to 9e9
	Rows  []Row   // at least one, in the order of the file; the reader's own, valid until its next call
}

// Columns that a curve must have, in the order of the usual header.
const (
	colTime = iota
	colBattery
	colVoltage
	colCurrent
	colTemp
	columns
)

const header = "time_s,battery,voltage_v,current_a,temperature_c"

// fields says what each column takes. The limits are wide for a 12 V battery, and narrow enough to
// refuse most curves in millivolts, milliamps or milliseconds. A time.Duration ends at 9.2e9 s.
var fields = [columns]struct {
	name, want string
	min, max   float64
}{
	colTime:    {"time_s", "a number from 0 to 9e9 s", 0, 9e9},
	colBattery: {"battery", "a, b, c or d", 0, 0},
	colVoltage: {"voltage_v", "a number from -100 to 100 V", -100, 100},
	colCurrent: {"current_a", "a number from -5000 to 5000 A", -5000, 5000},
	colTemp:    {"temperature_c", "a number from -100 to 200 °C, or nothing", -100, 200},
}

// ids are the batteries' names, one letter each.
const ids = "abcd"

// Reader reads a curve instant by instant. It keeps one instant, not the file.
type Reader struct {
	name string
	csv  *csv.Reader
	at   [columns]int // place of each column in a record
	err  error        // what Next gives from now on

	rows    []Row // of the instant handed out
	ahead   Row   // first row of the next instant
	aheadS  float64
	pending bool // ahead holds a row
	last    [len(ids)]lastRow
}

// lastRow is what is remembered of a battery's last row.
type lastRow struct {
	seen      bool
	timeS     float64
	tempC     float64
	tempKnown bool
}

// NewReader reads a curve from r. name stands for it in errors.
func NewReader(r io.Reader, name string) *Reader {
	c := csv.NewReader(r)
	c.ReuseRecord = true
	return &Reader{name: name, csv: c}
}

// Next returns the next instant, or io.EOF after the last one. An error stays: each later call
// gives it again.
func (r *Reader) Next() (Instant, error) {
	if r.err == nil && r.rows == nil {
		r.err = r.begin()
	}
	if r.err != nil {
		return Instant{}, r.err
	}
	now := Instant{TimeS: r.aheadS}
	r.rows = r.rows[:0]
	for r.pending && r.aheadS == now.TimeS {
		r.rows = append(r.rows, r.ahead)
		r.pending = false
		r.err = r.readRow()
	}
	if r.err != nil && r.err != io.EOF {
		return Instant{}, r.err
	}
	now.Rows = r.rows
	return now, nil
}

// begin reads the header and the first row, which must be there.
func (r *Reader) begin() error {
	record, err := r.csv.Read()
	if err == io.EOF {
		return fmt.Errorf("%s:1: header: file is empty: want %s", r.name, header)
	}
	if err != nil {
		return r.unreadable(err)
	}
	headerLine := r.line(0)
	if err := r.findColumns(record); err != nil {
		return fmt.Errorf("%s:%d: header: %w", r.name, headerLine, err)
	}
	r.rows = make([]Row, 0, len(ids))
	if err := r.readRow(); err != io.EOF {
		return err
	}
	return fmt.Errorf("%s:%d: no row after the header: want at least one", r.name, headerLine)
}

// findColumns notes where the header has each column.
func (r *Reader) findColumns(names []string) error {
	// Spreadsheets put a byte order mark first.
	names[0] = strings.TrimPrefix(names[0], "\uFEFF")
	if len(names) == 1 && strings.ContainsAny(names[0], ";\t") {
		return fmt.Errorf("columns are separated by something else than commas: want %s; in a spreadsheet, save as CSV "+
			"with commas and decimal points", header)
	}
	var missing []string
	for c, f := range fields {
		r.at[c] = slices.Index(names, f.name)
		switch {
		case r.at[c] < 0:
			missing = append(missing, f.name)
		case slices.Contains(names[r.at[c]+1:], f.name):
			return fmt.Errorf("%s twice: want each column once", f.name)
		}
	}
	if missing != nil {
		return fmt.Errorf("no %s: want %s, in any order", strings.Join(missing, ", "), header)
	}
	return nil
}

// readRow reads one row into ahead; io.EOF at the end of the file.
func (r *Reader) readRow() error {
	record, err := r.csv.Read()
	if err == io.EOF {
		return err
	}
	if err != nil {
		return r.unreadable(err)
	}
	timeS, ok := r.number(record, colTime)
	if !ok {
		return r.refuse(record, colTime)
	}
	if timeS < r.aheadS {
		return fmt.Errorf("%s:%d: time_s: %q: after %s in the row before: want time never to go back",
			r.name, r.line(r.at[colTime]), record[r.at[colTime]], strconv.FormatFloat(r.aheadS, 'f', -1, 64))
	}
	row, err := r.battery(record, timeS)
	if err != nil {
		return err
	}
	r.ahead, r.aheadS, r.pending = row, timeS, true
	return nil
}

// battery takes the columns that belong to one battery.
func (r *Reader) battery(record []string, timeS float64) (row Row, err error) {
	id := record[r.at[colBattery]]
	index := strings.Index(ids, id)
	if len(id) != 1 || index < 0 {
		return row, r.refuse(record, colBattery)
	}
	last := &r.last[index]
	if last.seen && last.timeS == timeS {
		return row, fmt.Errorf("%s:%d: battery: %q: a second row at time_s %s: want one row a battery and instant",
			r.name, r.line(r.at[colBattery]), id, record[r.at[colTime]])
	}
	row.Battery = ids[index : index+1] // not the record's, which would keep the whole line
	var ok bool
	if row.VoltageV, ok = r.number(record, colVoltage); !ok {
		return row, r.refuse(record, colVoltage)
	}
	if row.CurrentA, ok = r.number(record, colCurrent); !ok {
		return row, r.refuse(record, colCurrent)
	}
	if record[r.at[colTemp]] != "" {
		if last.tempC, ok = r.number(record, colTemp); !ok {
			return row, r.refuse(record, colTemp)
		}
		last.tempKnown = true
	}
	row.TempC, row.TempKnown = last.tempC, last.tempKnown
	last.seen, last.timeS = true, timeS
	return row, nil
}

// number parses a column; false unless it is a decimal number within the column's limits.
func (r *Reader) number(record []string, column int) (float64, bool) {
	s := record[r.at[column]]
	for i := range len(s) {
		switch c := s[i]; {
		case c >= '0' && c <= '9', c == '.', c == '-', c == '+', c == 'e', c == 'E':
		default:
			return 0, false // NaN, infinities and hexadecimal among them
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil && v >= fields[column].min && v <= fields[column].max
}

// refuse is the error of a field that isn't what its column takes.
func (r *Reader) refuse(record []string, column int) error {
	got := record[r.at[column]]
	if len(got) > 40 {
		got = got[:40] + "..."
	}
	return fmt.Errorf("%s:%d: %s: %q: want %s%s", r.name, r.line(r.at[column]), fields[column].name, got,
		fields[column].want, hint(got, column))
}

// hint says what a field was probably meant to be.
func hint(got string, column int) string {
	switch {
	case column == colBattery:
	case column == colTime && (strings.Contains(got, ":") || strings.Count(got, "-") == 2):
		return "; this is a time of day: want seconds since the first row"
	case strings.Contains(got, ","):
		return "; is there a decimal comma? want a point"
	}
	return ""
}

// unreadable is the error of a line that is no CSV, or of the file itself.
func (r *Reader) unreadable(err error) error {
	parse, ok := errors.AsType[*csv.ParseError](err)
	switch {
	case !ok:
		return fmt.Errorf("%s: read: %w", r.name, err)
	case parse.Err == csv.ErrFieldCount:
		return fmt.Errorf("%s:%d: other number of fields than the header: want %d (decimals want a point, not a comma)",
			r.name, parse.Line, r.csv.FieldsPerRecord)
	}
	return fmt.Errorf("%s:%d: character %d: %w: want comma-separated values as in RFC 4180", r.name, parse.Line,
		parse.Column, parse.Err)
}

// line returns the line of a field of the record read last.
func (r *Reader) line(field int) int {
	line, _ := r.csv.FieldPos(field)
	return line
}
