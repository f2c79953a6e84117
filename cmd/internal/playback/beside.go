package playback

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"liftbank/sim"
)

// Beside returns the name of what stands beside a recording: NAME.unit.yaml, NAME.truth.csv and
// NAME.truth.json beside NAME.csv.gz.
func Beside(recording, end string) string {
	name := strings.TrimSuffix(recording, ".gz")
	return strings.TrimSuffix(name, ".csv") + end
}

// Ends of what stands beside a simulated unit's recording.
const (
	UnitEnd   = ".unit.yaml"
	TruthEnd  = ".truth.csv"
	ReportEnd = ".truth.json"
)

// truthColumns are those of NAME.truth.csv: what each battery truly is, once a minute.
var truthColumns = []string{"time_s", "battery", "soc_pct", "capacity_ah", "resistance_mohm", "cranking_a"}

// Truth writes what a simulated unit's batteries truly are, once a minute.
type Truth struct {
	unit *sim.Unit
	w    *csv.Writer
	due  time.Duration
}

// sessionLine begins the line that says of which start of the agent a truth is.
const sessionLine = "# session: "

// truthEvery is the time between two rows of a battery.
const truthEvery = time.Minute

// NewTruth returns a writer to w for a unit. session is that of the recording, if it has one.
func NewTruth(w io.Writer, session string, unit *sim.Unit) (*Truth, error) {
	t := &Truth{unit: unit, w: csv.NewWriter(w)}
	if session != "" {
		if _, err := fmt.Fprintf(w, "%s%s\n", sessionLine, session); err != nil {
			return nil, fmt.Errorf("write truth: %w", err)
		}
	}
	if err := t.w.Write(truthColumns); err != nil {
		return nil, fmt.Errorf("write truth: %w", err)
	}
	return t, nil
}

// Step writes the rows that are due.
func (t *Truth) Step(at time.Duration) error {
	if at < t.due {
		return nil
	}
	t.due = (at/truthEvery + 1) * truthEvery
	truth := t.unit.Truth()
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	for i := range truth.Batteries {
		b := &truth.Batteries[i]
		err := t.w.Write([]string{number(at.Seconds()), b.ID, number(b.SoCPct), number(b.CapacityAh),
			number(b.ResistanceMohm), number(b.CrankingA)})
		if err != nil {
			return fmt.Errorf("write truth: %w", err)
		}
	}
	return nil
}

// Flush writes what waits.
func (t *Truth) Flush() error {
	t.w.Flush()
	return t.w.Error()
}

// TrueCharge reads the charges of NAME.truth.csv as time passes.
type TrueCharge struct {
	name    string
	session string // of which start it is
	f       io.Closer
	r       *csv.Reader
	pct     map[string]float64 // by battery, at the last time asked for
	next    []string           // the first row after it; nil at the end
}

// OpenTrueCharge opens the truth beside a recording. Without one it returns nil, of which nothing
// is known.
func OpenTrueCharge(recording string) (*TrueCharge, error) {
	name := Beside(recording, TruthEnd)
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("truth beside the recording: %w", err)
	}
	in := bufio.NewReader(f)
	t := &TrueCharge{name: filepath.Base(name), f: f, r: csv.NewReader(in), pct: map[string]float64{}}
	t.r.FieldsPerRecord = len(truthColumns)
	if start, _ := in.Peek(len(sessionLine)); string(start) == sessionLine {
		line, _ := in.ReadString('\n')
		t.session = strings.TrimSpace(line[len(sessionLine):])
	}
	if head, err := t.r.Read(); err != nil || strings.Join(head, ",") != strings.Join(truthColumns, ",") {
		return nil, errors.Join(fmt.Errorf("%s:1: header: want %s", t.name, strings.Join(truthColumns, ",")), f.Close())
	}
	return t, t.advance()
}

// advance reads the next row.
func (t *TrueCharge) advance() (err error) {
	if t.next, err = t.r.Read(); err == io.EOF {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s: %w", t.name, err)
	}
	return nil
}

// At moves to a time in a session, which may not go back. Of other sessions nothing is known.
func (t *TrueCharge) At(session string, at time.Duration) error {
	if t == nil {
		return nil
	}
	if session != t.session {
		clear(t.pct)
		return nil
	}
	for t.next != nil {
		s, err := strconv.ParseFloat(t.next[0], 64)
		if err != nil {
			return t.wrong(0)
		}
		if s > at.Seconds() {
			return nil
		}
		pct, err := strconv.ParseFloat(t.next[2], 64)
		if err != nil || pct < 0 || pct > 100 {
			return t.wrong(2)
		}
		t.pct[t.next[1]] = pct
		if err := t.advance(); err != nil {
			return err
		}
	}
	return nil
}

func (t *TrueCharge) wrong(column int) error {
	line, _ := t.r.FieldPos(0)
	return fmt.Errorf("%s:%d: %s: %q: want a number", t.name, line, truthColumns[column], t.next[column])
}

// Pct returns the true charge of a battery at the time of the last At.
func (t *TrueCharge) Pct(battery string) (pct float64, ok bool) {
	if t == nil {
		return 0, false
	}
	pct, ok = t.pct[battery]
	return pct, ok
}

// Close ends it.
func (t *TrueCharge) Close() error {
	if t == nil {
		return nil
	}
	return t.f.Close()
}
