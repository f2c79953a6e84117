package recording

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"liftbank/agent/config"
	"liftbank/sensors"
)

// Options say how a recording is read.
type Options struct {
	AnyUnit bool // one of another unit is taken, too
	Others  bool // signals that the configuration does not have are left out; otherwise they are errors
}

// How long a channel keeps its reading without a row: longer than any board waits between two
// scans. A battery warms slowly. Our choice.
const (
	holds     = 90 * time.Second
	tempHolds = time.Hour
	edgeLate  = time.Second // how long before its scan a change may be
)

// Scans gives the scans of a recording, one after another, for a core to be played to. It keeps one
// scan, not the recording, and belongs to one goroutine.
type Scans struct {
	opts   Options
	unit   string
	layout config.Layout
	inputs []Input
	name   string // of the input opened last
	file   io.Closer
	lines  *lineReader // nil between two inputs

	channels map[place]int
	contacts map[*signal]int
	lastAt   []time.Duration // by channel: of its last row
	hold     []time.Duration
	pairs    [][2]int // voltage and current of each battery that has both
	rows     []uint64 // by channel

	header  Header
	part    int
	base    time.Duration // of the part: from its time_s to ours
	before  time.Duration // of the row before
	begun   bool
	ahead   clockState
	work    bool // is under way
	raw     row  // read, and its part not begun yet
	haveRaw bool
	next    row // of this configuration, and not taken yet
	have    bool

	scan      sensors.Scan
	stats     sensors.Stats
	changed   []sensors.Edge // of contacts in rows without channels beside them
	edgeLine  int            // of the last change
	took      bool           // a scan was given out
	wall      time.Time
	trusted   bool
	notes     []string
	left      uint64       // rows left out
	starts    int          // of the agent
	corrected []Correction // before the next scan
	split     uint64       // scans with one of a battery\'s voltage and current
	bytes     int64
}

// place is a channel in a recording's words.
type place struct {
	signal  *signal
	battery byte
}

// New returns the scans of a unit's recording in one or several inputs, which follow one another.
func New(cfg *config.Config, o Options, inputs ...Input) *Scans {
	s := &Scans{
		opts: o, unit: cfg.Unit.ID, layout: cfg.Bank.Layout, inputs: inputs, channels: map[place]int{}, contacts: map[*signal]int{},
	}
	for i := range cfg.Board.Channels {
		c := &cfg.Board.Channels[i]
		p := place{signal: signals[string(c.Signal)]}
		if c.Battery != "" {
			p.battery = c.Battery[0]
		}
		s.channels[p] = i
		hold := max(holds, 2*cfg.Board.Scan.RestEvery)
		if c.Signal == config.BatteryTemperature {
			hold = tempHolds
		}
		s.hold = append(s.hold, hold)
		s.scan.Readings = append(s.scan.Readings, sensors.Reading{Fault: sensors.NotSampled})
	}
	for _, id := range []byte(batteries) {
		v, haveV := s.channels[place{signals[string(config.BatteryVoltage)], id}]
		a, haveA := s.channels[place{signals[string(config.BatteryCurrent)], id}]
		if haveV && haveA {
			s.pairs = append(s.pairs, [2]int{v, a})
		}
	}
	for i, c := range cfg.Board.Contacts {
		s.contacts[signals[string(c.Signal)]] = i
	}
	s.scan.Contacts = make([]sensors.ContactReading, len(cfg.Board.Contacts))
	s.lastAt, s.rows = make([]time.Duration, len(s.hold)), make([]uint64, len(s.hold))
	s.stats.Channels = make([]sensors.ChannelStats, len(s.hold))
	s.stats.Chips = make([]sensors.ChipStats, len(cfg.Board.Chips))
	return s
}

// Begin reads as far as the first row, so that Header tells what the recording says of itself. An
// empty recording is no error here.
func (s *Scans) Begin() error {
	for {
		ends, err := s.fetch(false)
		if err == io.EOF {
			return nil
		}
		if err != nil || ends != tornOff {
			return err
		}
	}
}

// Corrected returns the channels that the last scan is the first of to be corrected otherwise, once.
func (s *Scans) Corrected() []Correction {
	c := s.corrected
	s.corrected = nil
	return c
}

// Next returns the next scan; io.EOF after the last whole one. It belongs to the reader until the
// next call.
func (s *Scans) Next(ctx context.Context) (*sensors.Scan, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	before := s.scan.At
	s.scan.Edges = s.scan.Edges[:0]
	for {
		at, channels, err := s.group()
		if err != nil {
			return nil, err
		}
		if !channels {
			s.scan.Edges = append(s.scan.Edges, s.changed...)
			continue
		}
		for i := range s.scan.Edges {
			if x := s.scan.Edges[i].At; x > at || s.took && x < before-edgeLate {
				return nil, s.errorf(s.edgeLine, "a change at %s belongs to the scan at %s: want it before, by no more than "+
					"%v", seconds(x-s.base), seconds(at-s.base), edgeLate)
			}
		}
		s.finish(at)
		return &s.scan, nil
	}
}

// group takes the rows of one time and reports whether there were channels among them.
func (s *Scans) group() (at time.Duration, channels bool, err error) {
	s.changed = s.changed[:0]
	s.stale()
	started := false
	for {
		ends, err := s.fetch(started)
		switch {
		case ends == tornOff: // what was read of the scan so far is not all of it
			started, channels, s.changed = false, false, s.changed[:0]
			s.stale()
			continue
		case (err == io.EOF || ends == partOver) && started:
			return at, channels, nil
		case err != nil:
			return at, false, err
		}
		x := &s.next
		if x.quality == edge && !started {
			s.scan.Edges = append(s.scan.Edges, sensors.Edge{Contact: s.contacts[x.signal], On: x.value == 1, At: x.at})
			s.edgeLine = x.line
			s.setContact(x)
			s.have = false
			continue
		}
		if started && (x.quality == edge || x.at != at) {
			return at, channels, nil
		}
		if x.at < s.before {
			return at, false, s.errorf(x.line, "time_s: %s: after %s in the row before: want time never to go back",
				seconds(x.at-s.base), seconds(s.before-s.base))
		}
		started, at, s.before = true, x.at, x.at
		is, err := s.take(x)
		if err != nil {
			return at, false, err
		}
		channels = channels || is
		s.have = false
	}
}

func (s *Scans) stale() {
	for i := range s.scan.Readings {
		s.scan.Readings[i].Fresh = false
	}
}

// take applies a row and reports whether it is a channel's.
func (s *Scans) take(x *row) (isChannel bool, err error) {
	switch x.signal.kind {
	case clock:
		s.ahead = clockState{time.Duration(math.Round(x.value * 1e9)), x.quality == unset}
	case work:
		s.work = x.value == 1
	case contact:
		i := s.contacts[x.signal]
		before := s.scan.Contacts[i]
		s.setContact(x)
		if now := s.scan.Contacts[i]; before.Known && now.Known && now.On != before.On {
			s.changed = append(s.changed, sensors.Edge{Contact: i, On: now.On, At: x.at})
		}
	case channel:
		i := s.channels[place{x.signal, x.battery}]
		r := &s.scan.Readings[i]
		if r.Fresh {
			return true, s.errorf(x.line, "%s: a second row at time_s %s: want one a scan; times of fast scans want "+
				"milliseconds or finer", x.signal.name, seconds(x.at-s.base))
		}
		*r = sensors.Reading{Value: x.value, At: x.at, Fault: sensors.Fault(x.quality), Fresh: true}
		s.lastAt[i] = x.at
		s.rows[i]++
		s.stats.Channels[i].Faults[r.Fault]++
		return true, nil
	}
	return false, nil
}

func (s *Scans) setContact(x *row) {
	s.scan.Contacts[s.contacts[x.signal]] = sensors.ContactReading{On: x.value == 1, Known: x.quality != unknown}
}

// finish completes the scan at a time.
func (s *Scans) finish(at time.Duration) {
	s.scan.At, s.begun, s.took = at, true, true
	s.scan.Count++
	s.stats.Scans++
	for _, p := range s.pairs {
		if s.scan.Readings[p[0]].Fresh != s.scan.Readings[p[1]].Fresh {
			s.split++
			break
		}
	}
	for i := range s.scan.Readings {
		if r := &s.scan.Readings[i]; r.Fault != sensors.NotSampled && at-s.lastAt[i] > s.hold[i] {
			*r = sensors.Reading{Fault: sensors.NotSampled}
		}
	}
	s.trusted = !s.header.Start.IsZero() && !s.ahead.unset
	s.wall = time.Time{}
	if !s.header.Start.IsZero() {
		s.wall = s.header.Start.Add(at - s.base + s.ahead.ahead)
	}
}

// ending is why the rows of a scan are over before the next one is known.
type ending uint8

const (
	goesOn   ending = iota
	tornOff         // an input ended in the middle of a row
	partOver        // the next row belongs to another part
)

// fetch has the next row of this configuration in s.next. With started, the rows of a scan are
// being read, and the next part does not begin before they are over.
func (s *Scans) fetch(started bool) (ending, error) {
	for !s.have {
		if !s.haveRaw {
			torn, err := s.readRaw()
			if err != nil {
				return goesOn, err
			}
			if torn {
				return tornOff, nil
			}
		}
		x := s.raw
		if x.part != s.part {
			if started {
				return partOver, nil
			}
			if err := s.beginPart(x.part); err != nil {
				return goesOn, err
			}
		}
		s.haveRaw = false
		known, err := s.knows(&x)
		if err != nil {
			return goesOn, err
		}
		x.at += s.base
		s.next, s.have = x, known
	}
	return goesOn, nil
}

// readRaw reads the next row of the inputs into s.raw.
func (s *Scans) readRaw() (torn bool, err error) {
	for !s.haveRaw {
		if s.lines == nil {
			if err := s.open(); err != nil {
				return false, err
			}
		}
		s.raw, err = s.lines.next()
		if err == io.EOF {
			cut := s.lines.cut
			if err := s.close(); err != nil {
				return false, err
			}
			if cut != "" {
				s.notes = append(s.notes, cut)
				return true, nil
			}
			continue
		}
		if err != nil {
			return false, err
		}
		s.haveRaw = true
	}
	return false, nil
}

// knows reports whether the configuration has a row's signal.
func (s *Scans) knows(x *row) (bool, error) {
	known := true
	switch x.signal.kind {
	case channel:
		_, known = s.channels[place{x.signal, x.battery}]
	case contact:
		_, known = s.contacts[x.signal]
	}
	switch {
	case known:
		return true, nil
	case s.opts.Others:
		s.left++
		return false, nil
	}
	name := x.signal.name
	if x.battery != 0 {
		name += " " + string(rune(x.battery))
	}
	return false, s.errorf(x.line, "%s: the configuration has no such channel: is the recording of another unit?", name)
}

// beginPart takes a new header and puts the part's times after those before.
func (s *Scans) beginPart(part int) error {
	h := s.lines.header
	if h.Unit != "" && s.unit != "" && h.Unit != s.unit && !s.opts.AnyUnit {
		return s.errorf(s.lines.line, "the recording is of unit %q, the configuration of %q: want those of one unit",
			shorten(h.Unit), s.unit)
	}
	if h.Layout != "" && s.layout != "" && h.Layout != string(s.layout) {
		s.notes = append(s.notes, fmt.Sprintf("recorded as a %s bank, replayed as %s", h.Layout, s.layout))
	}
	if s.begun && (h.Session == "" || h.Session != s.header.Session) {
		const least, most = time.Second, 10 * 365 * 24 * time.Hour
		gap := least // where nobody knows better
		if d := h.Start.Sub(s.wall); !h.Start.IsZero() && s.trusted && d > least && d < most {
			gap = d
		}
		if s.base = s.scan.At + gap; s.base > longest {
			return s.errorf(s.lines.line, "the parts are %v long together: want %v at most", s.base, longest)
		}
		s.took = false
	}
	if h.Session == "" || h.Session != s.header.Session || s.starts == 0 {
		s.starts++
	}
	s.header, s.part, s.ahead, s.work = h, part, clockState{}, false
	s.corrected = append(s.corrected, h.Corrections...)
	return nil
}

// longest is how long all parts may be together: a time.Duration has room for one more part.
const longest = 10 * 365 * 24 * time.Hour

func (s *Scans) open() error {
	if len(s.inputs) == 0 {
		return io.EOF
	}
	in := s.inputs[0]
	s.inputs = s.inputs[1:]
	f, err := in.Open()
	if err != nil {
		return err
	}
	if s.lines, err = newLineReader(&counted{f, &s.bytes}, in.Name); err != nil {
		return errors.Join(err, f.Close())
	}
	s.file, s.part, s.name = f, 0, in.Name
	return nil
}

func (s *Scans) close() error {
	s.lines = nil
	if s.file == nil {
		return nil
	}
	err := s.file.Close()
	s.file = nil
	return err
}

// Close ends reading before the end.
func (s *Scans) Close() error { return s.close() }

func (s *Scans) errorf(line int, format string, args ...any) error {
	return fmt.Errorf("%s:%d: "+format, append([]any{s.name, line}, args...)...)
}

func seconds(d time.Duration) string { return string(appendSeconds(nil, d)) }

// Wall returns the time of day of the last scan, and whether the unit's clock was set.
func (s *Scans) Wall() (now time.Time, trusted bool) { return s.wall, s.trusted }

// Work reports whether work was under way in the last scan.
func (s *Scans) Work() bool { return s.work }

// Header returns what the lines of # said last.
func (s *Scans) Header() Header { return s.header }

// Stats returns the counts of readings with a fault.
func (s *Scans) Stats() *sensors.Stats { return &s.stats }

// Notes returns where inputs were cut off.
func (s *Scans) Notes() []string { return slices.Clone(s.notes) }

// LeftOut returns how many rows had signals that the configuration does not have.
func (s *Scans) LeftOut() uint64 { return s.left }

// Starts returns how many starts of the agent the recording is of.
func (s *Scans) Starts() int { return s.starts }

// SplitShare returns the share of scans that have a battery's voltage and not its current, or its
// current and not its voltage.
func (s *Scans) SplitShare() float64 { return float64(s.split) / float64(max(s.scan.Count, 1)) }

// Rows returns how many rows a channel had, by its place in the configuration.
func (s *Scans) Rows(channel int) uint64 { return s.rows[channel] }

// Bytes returns how much was read.
func (s *Scans) Bytes() int64 { return s.bytes }

// InSession returns the start of the agent that the last scan is of, and the scan's time in it.
func (s *Scans) InSession() (session string, at time.Duration) {
	return s.header.Session, s.scan.At - s.base
}

// counted counts what is read.
type counted struct {
	io.Reader
	n *int64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	*c.n += int64(n)
	return n, err
}
