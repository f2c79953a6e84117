package recording

import (
	"math"
	"strconv"
	"time"

	"liftbank/agent/config"
	"liftbank/sensors"
)

// Encoder turns scans into rows. It belongs to one goroutine and allocates nothing while the buffer
// handed to it is large enough.
type Encoder struct {
	channels []encodedChannel
	contacts []encodedContact
	start    time.Time
	clock    clockState
	whole    bool   // the next scan is written whole
	layout   string // of the configuration's bank, where that is not parallel
	work     workState
	last     time.Duration
	begun    bool // last is a scan's
}

type encodedChannel struct {
	middle string // of its rows: ,battery_voltage,a,
	last   sensors.Reading
}

type encodedContact struct {
	middle string
	last   sensors.ContactReading
	edged  bool // it changed before this scan
}

// clockState is what the time of day was, in terms of the header's start.
type clockState struct {
	ahead time.Duration
	unset bool
}

// workState is what was said of work under way.
type workState struct {
	on, said bool
	ever     bool // since the file began
}

// clockStep is by how much a clock that is being steered may wander before a row says so.
const clockStep = time.Second / 2

// NewEncoder returns an encoder for the channels and contacts of a unit.
func NewEncoder(cfg *config.Config) *Encoder {
	e := &Encoder{whole: true}
	if cfg.Bank.Layout.Rules().Blocks() > 1 {
		e.layout = string(cfg.Bank.Layout)
	}
	for i := range cfg.Board.Channels {
		c := &cfg.Board.Channels[i]
		e.channels = append(e.channels, encodedChannel{middle: "," + string(c.Signal) + "," + c.Battery + ","})
	}
	for _, c := range cfg.Board.Contacts {
		e.contacts = append(e.contacts, encodedContact{middle: "," + string(c.Signal) + ",,"})
	}
	return e
}

// Begin appends the lines that a file begins with. The next scan is written whole, so that each
// file can be read without those before it.
func (e *Encoder) Begin(b []byte, h Header) []byte {
	if h.Layout == "" {
		h.Layout = e.layout
	}
	// Without its monotonic part: differences to it are those of the clock on the wall, jumps included.
	e.start, e.clock = h.Start.Round(0), clockState{}
	e.work.said, e.work.ever = false, false
	e.Repeat()
	if h.Unit != "" {
		b = append(append(append(b, "# unit: "...), h.Unit...), '\n')
	}
	if !h.Start.IsZero() {
		b = append(h.Start.AppendFormat(append(b, "# start: "...), time.RFC3339Nano), '\n')
	}
	if h.Zone != "" {
		b = append(append(append(b, "# zone: "...), h.Zone...), '\n')
	}
	if h.Layout != "" {
		b = append(append(append(b, "# layout: "...), h.Layout...), '\n')
	}
	if h.Session != "" {
		b = append(append(append(b, "# session: "...), h.Session...), '\n')
	}
	for i := range h.Corrections {
		b = h.Corrections[i].append(b)
	}
	return append(append(b, Columns...), '\n')
}

// Repeat has the next scan written whole: rows before it were lost.
func (e *Encoder) Repeat() { e.whole = true }

// Work says whether work was under way in the scan that comes next.
func (e *Encoder) Work(on bool) { e.work.on = on }

// Scan appends the rows of a scan: what it converted, and what changed without that. wall is the
// time of day as the board's clock has it.
func (e *Encoder) Scan(b []byte, s *sensors.Scan, wall time.Time, trusted bool) []byte {
	for i := range e.contacts {
		e.contacts[i].edged = false
	}
	for i := range s.Edges {
		x := &s.Edges[i]
		e.contacts[x.Contact].edged = true
		b = appendContact(append(appendSeconds(b, x.At), e.contacts[x.Contact].middle...), x.On)
		b = append(b, ",edge\n"...)
	}
	at := s.At
	if e.begun && at <= e.last {
		at = e.last + 1 // two scans of one instant: none of a chip that answers
	}
	e.last, e.begun = at, true
	b = e.clockRow(b, at, wall, trusted)
	if w := &e.work; w.on != w.said || e.whole && w.ever {
		w.said, w.ever = w.on, true
		b = append(appendContact(append(appendSeconds(b, at), ","+workSignal+",,"...), w.on), ",\n"...)
	}
	for i := range e.contacts {
		c, now := &e.contacts[i], s.Contacts[i]
		if now == c.last && !c.edged && !e.whole {
			continue
		}
		c.last = now
		b = append(appendSeconds(b, at), c.middle...)
		if now.Known {
			b = append(appendContact(b, now.On), ",\n"...)
		} else {
			b = append(b, ",unknown\n"...)
		}
	}
	any := false
	for i := range e.channels {
		c, now := &e.channels[i], s.Readings[i]
		if !now.Fresh && !e.whole && now.Value == c.last.Value && now.Fault == c.last.Fault {
			continue
		}
		any = true
		b = c.row(b, at, now)
	}
	if !any && len(e.channels) > 0 { // a row shows that there was a scan
		b = e.channels[0].row(b, at, s.Readings[0])
	}
	e.whole = false
	return b
}

func (c *encodedChannel) row(b []byte, at time.Duration, r sensors.Reading) []byte {
	c.last = r
	b = append(appendSeconds(b, at), c.middle...)
	if (r.Fault == sensors.None || r.Value != 0) && !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0) {
		b = strconv.AppendFloat(b, r.Value, 'g', -1, 64) // reads back as the same number
	}
	b = append(b, ',')
	if r.Fault != sensors.None {
		b = append(b, qualityNames[r.Fault]...)
	}
	return append(b, '\n')
}

// clockRow appends a row if the time of day is not what the header and the rows before say.
func (e *Encoder) clockRow(b []byte, at time.Duration, wall time.Time, trusted bool) []byte {
	if e.start.IsZero() {
		return b
	}
	now := clockState{wall.Sub(e.start) - at, !trusted}
	if off := now.ahead - e.clock.ahead; now.unset == e.clock.unset && off.Abs() < clockStep {
		return b
	}
	e.clock = now
	b = appendSeconds(append(appendSeconds(b, at), ","+clockSignal+",,"...), now.ahead)
	if now.unset {
		return append(b, ",unset\n"...)
	}
	return append(b, ",\n"...)
}

func appendContact(b []byte, on bool) []byte {
	if on {
		return append(b, '1')
	}
	return append(b, '0')
}

// appendSeconds appends a time in seconds, exactly, without zeros at its end.
func appendSeconds(b []byte, d time.Duration) []byte {
	n := uint64(d)
	if d < 0 {
		b, n = append(b, '-'), -n
	}
	b = strconv.AppendUint(b, n/uint64(time.Second), 10)
	rest := n % uint64(time.Second)
	if rest == 0 {
		return b
	}
	var digits [10]byte
	digits[0] = '.'
	for i := 9; i > 0; i-- {
		digits[i] = byte('0' + rest%10)
		rest /= 10
	}
	end := len(digits)
	for digits[end-1] == '0' {
		end--
	}
	return append(b, digits[:end]...)
}
