package series

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/readings"
	"liftbank/agent/records"
)

// Streams are those of which series are made.
var Streams = []string{wire.Readings, wire.Runs, wire.Findings}

// Job is the label job of all that is sent: dashboards and rules that go by job and instance tell it
// from what is scraped.
const Job = "liftbank-fleet"

// metric is a name in its parts: liftbank_ + name + "_" + extreme + "_" + unit, as a scrape has it
// where there is no extreme.
type metric struct {
	name, unit string
	divisor    float64
	extremes   bool // the lowest and highest are always sent: the mean where none are told
}

func (m metric) called(extreme string) string {
	parts := []string{"liftbank", m.name}
	if extreme != "" {
		parts = append(parts, extreme)
	}
	return strings.Join(append(parts, m.unit), "_")
}

// metrics of a bank's and a battery's figures. A voltage dips and a current swings within a minute; a
// charge and a temperature don't.
var (
	ofUnit = map[string]metric{
		readings.VoltageV: {"bank", "volts", 1, true},
		readings.CurrentA: {"bank", "amperes", 1, true},
		readings.SoCPct:   {"bank_soc", "ratio", 100, false},
		readings.FeedV:    {"feed", "volts", 1, true},
		readings.MotorV:   {"motor", "volts", 1, true},
	}
	ofBattery = map[string]metric{
		readings.VoltageV:     {"battery", "volts", 1, true},
		readings.CurrentA:     {"battery", "amperes", 1, true},
		readings.TemperatureC: {"battery", "celsius", 1, false},
		readings.SoCPct:       {"battery_soc", "ratio", 100, false},
	}
)

// What keeps a record from being sent.
const (
	Unread   = "unreadable" // no such layout
	Untimed  = "untimed"    // its clock was not set, and nothing says how far it was off
	Ahead    = "ahead"      // its time is after it was received
	TooEarly = "too-early"  // before there were units
)

// kept is an error that keeps a record from being sent.
type kept struct {
	why    string
	detail error
}

func (k kept) Error() string { return fmt.Sprintf("%s: %v", k.why, k.detail) }

// Bounds of times that are believed.
const maxAhead = 10 * time.Minute // twice what counts as a clock that is off

var earliest = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)

// expander makes samples of one record.
type expander struct {
	fixed []Label // of every series
	set   *Set
	rec   *db.Record
	zero  time.Time // the session's start by a clock that is set; zero: take times as they are
	ahead int       // samples left out
	early int
}

// fix corrects a time by the rule of [records.Head].
func (e *expander) fix(t time.Time, h *records.Head) time.Time {
	if e.zero.IsZero() {
		return t
	}
	start := h.At.Add(-seconds(h.MonoS))
	if t.Before(start) || t.After(h.At.AddDate(1, 0, 0)) {
		return t // of an earlier session, whose clock was set
	}
	return t.Add(e.zero.Sub(start))
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// labels returns the labels of a series: pairs of name and value after the metric's name.
func (e *expander) labels(name string, pairs ...string) []Label {
	out := make([]Label, 0, len(e.fixed)+1+len(pairs)/2)
	out = append(append(out, Label{metricName, name}), e.fixed...)
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" { // the same as none
			out = append(out, Label{pairs[i], strings.ToValidUTF8(pairs[i+1], "�")})
		}
	}
	return out
}

// add adds a sample at a time that can be believed.
func (e *expander) add(l *Line, t time.Time, v float64) {
	switch {
	case t.After(e.rec.ReceivedAt.Add(maxAhead)):
		e.ahead++
	case t.Before(earliest):
		e.early++
	default:
		e.set.add(l, t.UnixMilli(), v)
	}
}

// record adds the samples of the record.
func (e *expander) record() error {
	var head struct {
		Schema string `json:"schema"`
	}
	if len(e.rec.Body) > 0 && e.rec.Body[0] == '{' {
		if err := json.Unmarshal(e.rec.Body, &head); err != nil {
			return kept{Unread, err}
		}
	}
	if head.Schema == records.GapSchema {
		return nil
	}
	switch e.rec.Stream {
	case wire.Readings:
		r, err := wire.DecodeReadings(e.rec.Body)
		if err != nil {
			return kept{Unread, err}
		}
		e.minutes(&r)
	case wire.Runs:
		r, err := wire.DecodeRun(e.rec.Body)
		if err != nil {
			return kept{Unread, err}
		}
		e.run(&r)
	case wire.Findings:
		f, err := wire.DecodeFinding(e.rec.Body)
		if err != nil {
			return kept{Unread, err}
		}
		e.finding(&f)
	}
	return nil
}

// minutes expands a batch to its grid: a sample a minute, at the minute's start.
func (e *expander) minutes(r *records.Readings) {
	b := &r.Readings
	start := e.fix(r.Start, &r.Head)
	at := func(bin int) time.Time { return start.Add(time.Duration(bin*b.StepS) * time.Second) }
	var bank [len(extremes)]mean
	for i := range b.Series {
		s := &b.Series[i]
		m, known := ofUnit[s.Figure]
		if s.Battery != "" {
			m, known = ofBattery[s.Figure]
		}
		if !known {
			continue
		}
		lowest, highest := s.Min, s.Max
		if m.extremes && lowest == nil {
			lowest = &s.Mean // within the batch's bounds of it
		}
		if m.extremes && highest == nil {
			highest = &s.Mean
		}
		for k, line := range []*readings.Polyline{&s.Mean, lowest, highest} {
			if line == nil {
				continue
			}
			l := e.set.line(e.labels(m.called(extremes[k]), "battery", s.Battery))
			for bin, v := range line.Values(b.Bins) {
				e.add(l, at(bin), rounded(v/m.divisor))
				if s.Figure == readings.VoltageV && s.Battery != "" {
					bank[k].add(b.Bins, bin, v)
				}
			}
		}
	}
	// The bank's voltage is left out of batches where its batteries' give it. They share their posts: what
	// is lowest in one is lowest in all.
	m := ofUnit[readings.VoltageV]
	for k := range bank {
		of := &bank[k]
		if of.n == nil {
			continue
		}
		l := e.set.line(e.labels(m.called(extremes[k])))
		for bin, n := range of.n {
			if n > 0 {
				e.add(l, at(bin), rounded(of.sum[bin]/float64(n)))
			}
		}
	}
}

// extremes are the lines of a figure: mean, minimum and maximum of each minute.
var extremes = [...]string{"", "min", "max"}

// rounded returns a value without what division adds: 71.2 % is 0.712 and not 0.7120000000000001.
func rounded(v float64) float64 { return math.Round(v*1e6) / 1e6 }

// mean is a mean over batteries, bin by bin.
type mean struct {
	sum []float64
	n   []int
}

func (m *mean) add(bins, bin int, v float64) {
	if m.n == nil {
		m.sum, m.n = make([]float64, bins), make([]int, bins)
	}
	m.sum[bin] += v
	m.n[bin]++
}

// run adds what a scrape says of the last motor run, at its end, and how many there were.
func (e *expander) run(m *records.Run) {
	r := &m.Run
	start := e.fix(r.Start, &m.Head)
	end := start.Add(seconds(r.DurationS))
	one := func(name string, v float64, unknown bool) {
		if !unknown {
			e.add(e.set.line(e.labels("liftbank_motor_"+name)), end, v)
		}
	}
	one("runs_total", float64(r.Number), false)
	one("last_run_start_timestamp_seconds", float64(start.UnixMilli())/1000, false)
	one("last_run_duration_seconds", r.DurationS, false)
	one("last_run_peak_amperes", r.PeakA, r.PeakA == 0) // not measured
	one("last_run_mean_amperes", r.MeanA, r.MeanA == 0)
	one("last_run_min_bank_volts", r.MinBankV, r.MinBankV == 0)
	one("last_run_drawn_coulombs", rounded(r.DrawnAh*3600), r.DrawnAh == 0)
}

// finding adds whether a finding is active, at each change of it.
func (e *expander) finding(m *records.Finding) {
	f := &m.Finding
	v := 0.0
	if f.Alarming() {
		v = 1
	}
	l := e.set.line(e.labels("liftbank_finding_active", "finding", f.Name, "subject", f.Subject, "severity", f.Severity))
	e.add(l, e.fix(m.At, &m.Head), v)
}
