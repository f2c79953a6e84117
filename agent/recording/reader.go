package recording

import (
	"bufio"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/rules/unit"
	"liftbank/sensors"
)

// row is one row of a recording.
type row struct {
	line    int
	at      time.Duration
	signal  *signal
	battery byte // 0 for a signal of the unit
	value   float64
	has     bool // a value was there
	quality Quality
	part    int // counted from 1
}

// lineReader reads the rows of one file. It keeps one line, not the file.
type lineReader struct {
	name   string
	in     *bufio.Reader
	line   int
	header Header
	begun  bool   // the header line was read
	parts  int    // header lines so far
	cut    string // how the file ends before its end; empty if it does not

	fields [columns][]byte
}

const (
	colTime = iota
	colSignal
	colBattery
	colValue
	colQuality
	columns
)

// longestLine is in bytes: a row has some 60.
const longestLine = 4096

// newLineReader reads a recording from r, through gzip if that is what its first bytes say.
func newLineReader(r io.Reader, name string) (*lineReader, error) {
	raw := bufio.NewReaderSize(r, 64<<10)
	l := &lineReader{name: name, in: raw}
	magic, err := raw.Peek(2)
	if err != nil || magic[0] != 0x1f || magic[1] != 0x8b {
		return l, nil
	}
	z, err := gzip.NewReader(raw)
	switch {
	case damaged(err):
		l.in = bufio.NewReader(strings.NewReader(""))
		l.cut = name + ": damaged from its first bytes on"
		return l, nil
	case err != nil:
		return nil, fmt.Errorf("%s: read: %w", name, err)
	}
	l.in = bufio.NewReaderSize(z, 64<<10)
	return l, nil
}

// damaged reports whether compressed data end early or make no sense from here on, as after a power
// cut.
func damaged(err error) bool {
	_, corrupt := errors.AsType[flate.CorruptInputError](err)
	return corrupt || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, gzip.ErrHeader) ||
		errors.Is(err, gzip.ErrChecksum)
}

func (l *lineReader) errorf(format string, args ...any) error {
	return fmt.Errorf("%s:%d: "+format, append([]any{l.name, l.line}, args...)...)
}

// next returns the next row; io.EOF after the last whole one.
func (l *lineReader) next() (row, error) {
	for {
		text, whole, err := l.readLine()
		if err != nil {
			return row{}, err
		}
		switch {
		case len(text) == 0:
		case text[0] == '#':
			if !whole {
				return row{}, l.torn()
			}
			if err := l.comment(text); err != nil {
				return row{}, err
			}
		case !l.begun || string(text) == Columns:
			if err := l.begin(text, whole); err != nil {
				return row{}, err
			}
		default:
			x, err := l.parse(text, whole)
			if err != nil && !whole {
				return x, l.torn()
			}
			return x, err
		}
	}
}

// readLine returns the next line without its end; whole is false for one that the file ends in.
func (l *lineReader) readLine() (text []byte, whole bool, err error) {
	text, err = l.in.ReadSlice('\n')
	if err == io.EOF && len(text) == 0 {
		return nil, false, l.end()
	}
	l.line++
	switch {
	case err == nil:
		text = text[:len(text)-1]
	case errors.Is(err, bufio.ErrBufferFull):
		return nil, false, l.errorf("line longer than %d bytes: want %s", longestLine, Columns)
	case damaged(err):
		return nil, false, l.torn()
	case err != io.EOF:
		return nil, false, fmt.Errorf("%s: read: %w", l.name, err)
	}
	if len(text) > longestLine {
		return nil, false, l.errorf("line longer than %d bytes: want %s", longestLine, Columns)
	}
	return bytes.TrimSuffix(text, []byte("\r")), err == nil, nil
}

// end is what the end of the file means.
func (l *lineReader) end() error {
	if !l.begun && l.cut == "" {
		return fmt.Errorf("%s:%d: header: file is empty: want %s", l.name, l.line+1, Columns)
	}
	return io.EOF
}

// torn notes that the file ends in the middle of a row.
func (l *lineReader) torn() error {
	if l.cut == "" {
		l.cut = fmt.Sprintf("%s:%d: cut off in the middle of a row", l.name, l.line)
	}
	return io.EOF
}

// comment takes a line of #. A first one after rows begins another part.
func (l *lineReader) comment(text []byte) error {
	if l.begun {
		l.begun, l.header = false, Header{}
	}
	key, value, found := strings.Cut(strings.TrimSpace(string(text[1:])), ":")
	if !found {
		return nil
	}
	value = strings.TrimSpace(value)
	switch strings.TrimSpace(key) {
	case "unit":
		l.header.Unit = value
	case "zone":
		l.header.Zone = value
	case "session":
		l.header.Session = value
	case correctedKey:
		c, ok := parseCorrection(value)
		if !ok {
			return l.errorf("%s: %q: want CHANNEL from OFFSET GAIN to OFFSET GAIN, zero to SIGMA", correctedKey, shorten(value))
		}
		l.header.Corrections = append(l.header.Corrections, c)
	case "layout":
		if !slices.ContainsFunc(unit.Layouts(), func(u unit.Layout) bool { return u.String() == value }) {
			return l.errorf("layout: %q: want one of %v", shorten(value), unit.Layouts())
		}
		l.header.Layout = value
	case "start":
		at, err := time.Parse(time.RFC3339, value)
		if err != nil || at.Year() < 1900 || at.Year() > 9000 { // a clock that is not set may show 1969
			return l.errorf("start: %q: want a time such as 2026-03-09T06:30:00+01:00 (RFC 3339)", shorten(value))
		}
		l.header.Start = at
	}
	return nil
}

// begin takes the header line, or says what the file may be instead.
func (l *lineReader) begin(text []byte, whole bool) error {
	line := strings.TrimPrefix(string(text), "\uFEFF") // spreadsheets put a byte order mark first
	if line == Columns {
		if l.begun { // again, without lines of #
			l.header = Header{}
		}
		l.begun = true
		l.parts++
		return nil
	}
	if strings.HasPrefix(line, "#") { // after a byte order mark
		return l.comment([]byte(line))
	}
	switch {
	case !whole && strings.HasPrefix(Columns, line):
		return l.torn()
	case strings.Contains(line, "voltage_v"):
		return l.errorf("header: %q: this is a curve of batteries: want %s, or replay --bank for a curve", shorten(line),
			Columns)
	case strings.ContainsAny(line, ";\t"):
		return l.errorf("header: %q: columns are separated by something else than commas: want %s; in a spreadsheet, "+
			"save as CSV with commas and decimal points", shorten(line), Columns)
	}
	return l.errorf("header: %q: want %s", shorten(line), Columns)
}

// parse takes a row.
func (l *lineReader) parse(text []byte, whole bool) (x row, err error) {
	x.line, x.part = l.line, l.parts
	if err := l.split(text); err != nil {
		return x, err
	}
	if x.at, err = l.time(l.fields[colTime]); err != nil {
		return x, err
	}
	if x.signal, err = l.signal(l.fields[colSignal]); err != nil {
		return x, err
	}
	if err := l.battery(&x); err != nil {
		return x, err
	}
	if !whole && len(l.fields[colQuality]) == 0 {
		return x, l.torn() // the value may have had more digits
	}
	ours, err := l.quality(&x)
	if err != nil {
		return x, err
	}
	if !whole && !ours {
		return x, l.torn() // the word may have had more letters
	}
	return x, l.value(&x)
}

func (l *lineReader) split(text []byte) error {
	n := 0
	for rest := text; ; n++ {
		at := bytes.IndexByte(rest, ',')
		if n < columns {
			if l.fields[n] = rest; at >= 0 {
				l.fields[n] = rest[:at]
			}
		}
		if at < 0 {
			break
		}
		rest = rest[at+1:]
	}
	switch n++; {
	case n == columns:
		return nil
	case bytes.Count(text, []byte(";")) >= columns-2:
		return l.errorf("%q: columns are separated by semicolons: want commas", shorten(string(text)))
	case n == columns+1:
		return l.errorf("%d fields: want %d: %s; is there a decimal comma? want a point", n, columns, Columns)
	}
	return l.errorf("%d fields: want %d: %s", n, columns, Columns)
}

// time parses seconds without loss.
func (l *lineReader) time(text []byte) (time.Duration, error) {
	whole, fraction, scale, seen := uint64(0), uint64(0), uint64(time.Second), 0
	point := false
	for _, c := range text {
		switch {
		case c == '.' && !point:
			point = true
			continue
		case c < '0' || c > '9' || whole > longestS:
			return l.otherTime(text)
		case !point:
			whole = whole*10 + uint64(c-'0')
		case scale > 1:
			fraction, scale = fraction*10+uint64(c-'0'), scale/10
		}
		seen++
	}
	if seen == 0 || whole > longestS {
		return l.otherTime(text)
	}
	return time.Duration(whole*uint64(time.Second) + fraction*scale), nil
}

// otherTime takes what is a number in another form, or says what is wrong.
func (l *lineReader) otherTime(text []byte) (time.Duration, error) {
	s := string(text)
	if v, err := strconv.ParseFloat(s, 64); err == nil && v >= 0 && v <= longestS {
		return time.Duration(math.Round(v * 1e9)), nil
	}
	const want = "want seconds since the start, 0 to 9e9"
	if len(s) >= 10 && s[4] == '-' && s[7] == '-' || strings.Count(s, ":") >= 1 {
		return 0, l.errorf("time_s: %q: this is a time of day: %s, and the time of day of 0 above the header, as in "+
			"# start: 2026-03-09T06:30:00Z", shorten(s), want)
	}
	return 0, l.errorf("time_s: %q: %s", shorten(s), want)
}

func (l *lineReader) signal(text []byte) (*signal, error) {
	if s := signals[string(text)]; s != nil {
		return s, nil
	}
	return nil, l.errorf("signal: %q: %s", shorten(string(text)), signalsWanted)
}

// batteries are the names of batteries, one letter each.
const batteries = "abcd"

func (l *lineReader) battery(x *row) error {
	text := l.fields[colBattery]
	switch known := len(text) == 1 && strings.IndexByte(batteries, text[0]) >= 0; {
	case known && x.signal.perBattery:
		x.battery = text[0]
	case x.signal.perBattery:
		return l.errorf("battery: %q: %s wants a, b, c or d", shorten(string(text)), x.signal.name)
	case len(text) > 0:
		return l.errorf("battery: %q: %s wants none", shorten(string(text)), x.signal.name)
	}
	return nil
}

// quality reads the last field, and reports whether it is one of our words.
func (l *lineReader) quality(x *row) (ours bool, err error) {
	text := l.fields[colQuality]
	if len(text) == 0 {
		return true, nil // good
	}
	for q, name := range qualityNames {
		if string(text) == name && takes(x.signal.kind, Quality(q)) {
			x.quality = Quality(q)
			return true, nil
		}
	}
	switch {
	case x.signal.kind == channel && isWord(text):
		x.quality = Quality(sensors.NoAnswer)
		return false, nil
	case x.signal.kind == contact && isWord(text):
		x.quality = unknown
		return false, nil
	}
	var want []string
	for q, name := range qualityNames {
		if takes(x.signal.kind, Quality(q)) {
			want = append(want, name)
		}
	}
	return false, l.errorf("quality: %q: %s wants %s, or nothing for good", shorten(string(text)), x.signal.name,
		strings.Join(want, ", "))
}

// isWord reports whether a quality may be somebody else's word for why a reading may not be used.
func isWord(text []byte) bool {
	const longest = 40
	for _, c := range text {
		if !(c >= 'a' && c <= 'z' || c == '-' || c == '_') {
			return false
		}
	}
	return len(text) <= longest && !slices.Contains(qualityNames[:], string(text))
}

// takes reports whether signals of a kind can have a quality.
func takes(k kind, q Quality) bool {
	switch k {
	case channel:
		return q < unknown
	case contact:
		return q == Good || q == unknown || q == edge
	case clock:
		return q == Good || q == unset
	}
	return q == Good
}

func (l *lineReader) value(x *row) error {
	text := l.fields[colValue]
	if len(text) == 0 {
		switch {
		case x.signal.kind == channel && x.quality == Good:
			x.quality = Quality(sensors.NoAnswer)
		case x.signal.kind == contact && x.quality == Good:
			x.quality = unknown
		case x.quality == Good || x.quality == edge || x.quality == unset:
			return l.errorf("value: missing: %s wants one with quality %s", x.signal.name, qualityNames[x.quality])
		}
		return nil
	}
	v, err := strconv.ParseFloat(string(text), 64)
	usable := v >= x.signal.min && v <= x.signal.max && (x.signal.kind != contact && x.signal.kind != work || v == 0 || v == 1)
	if x.signal.kind == channel && x.quality != Good {
		usable = math.Abs(v) <= math.MaxFloat64 // evidence only
	}
	if err != nil || !usable || bytes.ContainsAny(text, "xX_") {
		return l.badValue(x, string(text))
	}
	x.value, x.has = v, true
	return nil
}

func (l *lineReader) badValue(x *row, text string) error {
	switch {
	case x.signal.kind == contact || x.signal.kind == work:
		return l.errorf("value: %q: %s wants 0 or 1", shorten(text), x.signal.name)
	}
	return l.errorf("value: %q: %s wants a number from %g to %g %s", shorten(text), x.signal.name, x.signal.min,
		x.signal.max, x.signal.unit)
}

func shorten(text string) string {
	const most = 60
	if len(text) > most {
		return text[:most] + "..."
	}
	return text
}
