package series_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/golang/snappy"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protowire"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/readings"
	"liftbank/agent/records"
)

// store is a database in memory with what series ask of it.
type store struct {
	mu    sync.Mutex
	recs  []db.Record
	units []db.Unit
	at    map[string]int64
	fails error
}

func newStore(units ...db.Unit) *store { return &store{units: units, at: map[string]int64{}} }

func (s *store) put(r db.Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r.ID = int64(len(s.recs) + 1)
	s.recs = append(s.recs, r)
}

func (s *store) Records(_ context.Context, stream string, after int64, most int) (out []db.Record, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range s.recs {
		if r.Stream == stream && r.ID > after && len(out) < most {
			out = append(out, r)
		}
	}
	return out, s.fails
}

func (s *store) UnitRecords(_ context.Context, unit, stream string, before int64, most int) (out []db.Record, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range slices.Backward(s.recs) {
		if r.Unit == unit && r.Stream == stream && (before == 0 || r.ID < before) && len(out) < most {
			out = append(out, r)
		}
	}
	return out, s.fails
}

func (s *store) Position(_ context.Context, name string) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at[name], s.fails
}

func (s *store) SetPosition(_ context.Context, name string, id int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at[name] = id
	return s.fails
}

func (s *store) place(name string) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at[name]
}

func (s *store) Unit(_ context.Context, id string) (db.Unit, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, u := range s.units {
		if u.ID == id {
			return u, s.fails
		}
	}
	return db.Unit{}, db.ErrUnknown
}

func (s *store) Units(_ context.Context, after string, most int) (out []db.Unit, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, u := range s.units {
		if u.ID > after && len(out) < most {
			u.Snapshot = nil
			out = append(out, u)
		}
	}
	return out, s.fails
}

// receiver is a time-series database behind a client: by series, all values that came for an instant.
type receiver struct {
	mu       sync.Mutex
	got      map[string]map[int64][]float64
	requests int
	down     error
	answer   func(n int, lines []line) (int, string) // nil: takes all
	header   http.Header                             // of the last request
	arrived  []time.Time
}

type line struct {
	name string // with labels, as written in a query
	at   []int64
	v    []float64
}

func (r *receiver) client() *http.Client { return &http.Client{Transport: r} }

func (r *receiver) RoundTrip(req *http.Request) (*http.Response, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.requests++
	r.arrived = append(r.arrived, time.Now())
	if r.down != nil {
		return nil, r.down
	}
	r.header = req.Header
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	raw, err := snappy.Decode(nil, body)
	if err != nil {
		return nil, err
	}
	v2 := strings.Contains(req.Header.Get("Content-Type"), "v2.Request")
	lines, err := decode(raw, v2)
	if err != nil {
		return nil, err
	}
	code, text := http.StatusNoContent, ""
	if r.answer != nil {
		code, text = r.answer(r.requests, lines)
	}
	resp := &http.Response{
		StatusCode: code, Status: fmt.Sprintf("%d %s", code, http.StatusText(code)), Header: http.Header{},
		Body: io.NopCloser(strings.NewReader(text)), Request: req,
	}
	if code/100 != 2 {
		return resp, nil
	}
	if v2 {
		resp.Header.Set("X-Prometheus-Remote-Write-Samples-Written", "1")
	}
	if r.got == nil {
		r.got = map[string]map[int64][]float64{}
	}
	for _, l := range lines {
		if r.got[l.name] == nil {
			r.got[l.name] = map[int64][]float64{}
		}
		for i, at := range l.at {
			r.got[l.name][at] = append(r.got[l.name][at], l.v[i])
		}
	}
	return resp, nil
}

// decode reads a request by the specifications' field numbers. It is written apart from the encoder.
func decode(raw []byte, v2 bool) (out []line, err error) {
	var symbols []string
	var series [][]byte
	timeseries := protowire.Number(1)
	if v2 {
		timeseries = 5
	}
	if err := fields(raw, func(n protowire.Number, b []byte, _ uint64) error {
		switch {
		case n == timeseries:
			series = append(series, b)
		case v2 && n == 4:
			symbols = append(symbols, string(b))
		default:
			return fmt.Errorf("field %d", n)
		}
		return nil
	}); err != nil {
		return nil, err
	}
	if v2 && (len(symbols) == 0 || symbols[0] != "") {
		return nil, fmt.Errorf("symbols begin with %q", symbols)
	}
	for _, s := range series {
		l := line{}
		var names, values []string
		if err := fields(s, func(n protowire.Number, b []byte, _ uint64) error {
			switch {
			case n == 1 && v2:
				for len(b) > 0 {
					k, used := protowire.ConsumeVarint(b)
					v, more := protowire.ConsumeVarint(b[max(used, 0):])
					if used < 0 || more < 0 || k >= uint64(len(symbols)) || v >= uint64(len(symbols)) {
						return fmt.Errorf("label references")
					}
					b = b[used+more:]
					names, values = append(names, symbols[k]), append(values, symbols[v])
				}
				return nil
			case n == 1:
				return fields(b, func(n protowire.Number, b []byte, _ uint64) error {
					if n == 1 {
						names = append(names, string(b))
					} else {
						values = append(values, string(b))
					}
					return nil
				})
			case n == 2:
				var at int64
				var v float64
				err := fields(b, func(n protowire.Number, _ []byte, x uint64) error {
					if n == 1 {
						v = math.Float64frombits(x)
					} else {
						at = int64(x)
					}
					return nil
				})
				l.at, l.v = append(l.at, at), append(l.v, v)
				return err
			}
			return nil // metadata
		}); err != nil {
			return nil, err
		}
		if len(names) == 0 || names[0] != "__name__" || !slices.IsSorted(names) || len(slices.Compact(slices.Clone(names))) != len(names) {
			return nil, fmt.Errorf("labels %q: want __name__ first, in order, each once", names)
		}
		var b strings.Builder
		b.WriteString(values[0] + "{")
		for i := 1; i < len(names); i++ {
			if values[i] == "" {
				return nil, fmt.Errorf("label %s is empty", names[i])
			}
			if i > 1 {
				b.WriteString(",")
			}
			fmt.Fprintf(&b, "%s=%q", names[i], values[i])
		}
		l.name = b.String() + "}"
		if !slices.IsSorted(l.at) {
			return nil, fmt.Errorf("%s: samples are not in order", l.name)
		}
		out = append(out, l)
	}
	return out, nil
}

func fields(b []byte, each func(n protowire.Number, value []byte, x uint64) error) error {
	for len(b) > 0 {
		n, kind, used := protowire.ConsumeTag(b)
		if used < 0 {
			return protowire.ParseError(used)
		}
		b = b[used:]
		var value []byte
		var x uint64
		switch kind {
		case protowire.BytesType:
			value, used = protowire.ConsumeBytes(b)
		case protowire.VarintType:
			x, used = protowire.ConsumeVarint(b)
		case protowire.Fixed64Type:
			x, used = protowire.ConsumeFixed64(b)
		default:
			return fmt.Errorf("type %d", kind)
		}
		if used < 0 {
			return protowire.ParseError(used)
		}
		b = b[used:]
		if err := each(n, value, x); err != nil {
			return err
		}
	}
	return nil
}

// values returns what came for a series, once it has settled: each instant's last value, and how many
// different ones an instant has at most.
func (r *receiver) values(name string) (map[int64]float64, int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	out, most := map[int64]float64{}, 0
	for at, all := range r.got[name] {
		out[at] = all[len(all)-1]
		slices.Sort(all)
		most = max(most, len(slices.Compact(slices.Clone(all))))
	}
	return out, most
}

func (r *receiver) names() (all []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for name := range r.got {
		all = append(all, name)
	}
	slices.Sort(all)
	return all
}

var t0 = time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)

// minutes is a batch of n minutes of one battery: volts as given, one amp.
func minutes(t testing.TB, start time.Duration, volts ...float64) readings.Batch {
	t.Helper()
	layout := readings.LayoutOf([]string{"a"})
	var rows []readings.Row
	for i, v := range volts {
		row := readings.Row{Start: start + time.Duration(i)*time.Minute, Stats: make([]readings.Stat, len(layout))}
		for k, s := range layout {
			if s.Figure == readings.VoltageV && s.Battery == "a" && !math.IsNaN(v) {
				x := int32(math.Round(v * 1000))
				row.Stats[k] = readings.Stat{Min: x - 500, Mean: x, Max: x + 100, Known: true}
			}
			if s.Figure == readings.SoCPct && s.Battery == "" {
				row.Stats[k] = readings.Stat{Min: 712, Mean: 712, Max: 712, Known: true}
			}
		}
		rows = append(rows, row)
	}
	b, err := readings.Compress(layout, rows, readings.Bounds{})
	require.NoError(t, err)
	return b
}

// readingsRecord is a stored batch of minutes that began at start.
func readingsRecord(t testing.TB, unit string, seq uint64, start time.Time, volts ...float64) db.Record {
	t.Helper()
	b := minutes(t, 0, volts...)
	end := start.Add(time.Duration(len(volts)) * time.Minute)
	return record(t, wire.Readings, records.Readings{
		Head:  head(unit, wire.Readings, records.ReadingsSchema, seq, end),
		Start: start, Readings: b,
	}, end)
}

func head(unit, stream, schema string, seq uint64, at time.Time) records.Head {
	return records.Head{
		Schema: schema, Unit: unit, Session: "s1", Stream: stream, First: 1, Seq: seq, At: at, ClockTrusted: true,
		MonoS: at.Sub(t0.Add(-time.Hour)).Seconds(),
	}
}

// record is a message as the database has it.
func record(t testing.TB, stream string, message any, received time.Time) db.Record {
	t.Helper()
	body, err := json.Marshal(message)
	require.NoError(t, err)
	var h records.Head
	require.NoError(t, json.Unmarshal(body, &h))
	return db.Record{
		Unit: h.Unit, Stream: stream, Session: h.Session, Seq: h.Seq, At: h.At, MonoS: h.MonoS, Trusted: h.ClockTrusted,
		ReceivedAt: received, Body: bytes.Clone(body),
	}
}
