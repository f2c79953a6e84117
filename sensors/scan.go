package sensors

import (
	"context"
	"time"
)

// Converter is one chip: the ads1115 driver, or an emulation of it at the same two calls.
type Converter interface {
	// Start begins one conversion; config is the chip's config word as ads1115.SingleShot gives it.
	Start(config uint16) error
	// Result waits until the conversion is done and gives its code. Errors are classed by ads1115.ClassOf.
	Result(ctx context.Context) (code int16, err error)
}

// Contacts are the debounced digital inputs: contact.Watcher, or an emulation of it.
type Contacts interface {
	// Level gives the state of contact i; known is false when it cannot be told.
	Level(i int) (on, known bool)
	// Take appends the edges since the last call to buf, in time order.
	Take(buf []Edge) []Edge
}

// Edge is one change of a contact, debounced.
type Edge struct {
	Contact int
	On      bool          // the state it changed to
	At      time.Duration // of the first change, by the board's clock
}

// Fault says why a reading has no usable value. The zero value is a usable one.
type Fault uint8

// Faults of a reading.
const (
	None       Fault = iota
	NotSampled       // not converted yet since the start
	NoAnswer         // the chip did not acknowledge
	BusStuck         // a line of the bus is held, transfers time out
	NotReady         // the conversion did not end in time
	Saturated        // at the end of the converter's range; the true value lies at or beyond Value
	Reset            // the chip lost its settings behind our back
	OutOfRange       // not possible on this channel, as configured
	faultCount
)

// FaultCount is the number of faults, None included.
const FaultCount = int(faultCount)

// String gives the fault in words.
func (f Fault) String() string {
	words := [...]string{
		None: "none", NotSampled: "not sampled", NoAnswer: "no answer", BusStuck: "bus stuck", NotReady: "conversion not finished",
		Saturated: "at the end of the range", Reset: "settings lost", OutOfRange: "outside the possible range",
	}
	if int(f) < len(words) {
		return words[f]
	}
	return "unknown fault"
}

// Reading is the state of one analogue channel.
type Reading struct {
	// Value in the channel's unit, calibrated. With the fault Saturated it is the value at the end of the range, with
	// OutOfRange the impossible one (0 when the circuit has no value for these volts). With any other fault it is 0.
	Value float64
	// At is the nominal end of the conversion that Value is of; with a fault that left no value, the time it was
	// last tried.
	At time.Duration
	// Fault is None when Value may be used.
	Fault Fault
	// Fresh tells that this scan converted the channel. When false and Fault is None, Value is an older one, of At: the channel
	// is not read in every scan of a motor run, or a motor start cut the scan short.
	Fresh bool
}

// ContactReading is the state of one contact.
type ContactReading struct {
	On    bool
	Known bool // when false, On means nothing
}

// Scan is one look at the board. It and its slices belong to the board and are overwritten by the next call of Next.
type Scan struct {
	At       time.Duration // end of the scan: nothing in it is later
	Took     time.Duration // from the first conversion started to the last one read
	Count    uint64        // of scans, this one included
	Fast     bool          // taken at the pace of a motor run
	Overrun  bool          // begun later than it was due, by more than a tenth of RestEvery
	Readings []Reading     // by channel
	Contacts []ContactReading
	Edges    []Edge // since the previous scan, in time order
}

// Stats counts what went wrong since the start. Its slices belong to the board and change with the next scan.
type Stats struct {
	Scans     uint64
	FastScans uint64
	Overruns  uint64
	Chips     []ChipStats
	Channels  []ChannelStats
}

// ChipStats is how one converter does.
type ChipStats struct {
	Conversions uint64 // that gave a code, those at the end of the range included
	Errors      uint64 // conversions that gave none, each try counted
	Retries     uint64 // conversions tried again at once
	Answering   bool   // whether the last try gave a code; false before the first
	Last        error  // the newest error; nil when there was none
}

// ChannelStats counts the readings of one channel that had a fault, by fault.
type ChannelStats struct {
	Faults [FaultCount]uint64
}

// Refused gives the number of readings that had any fault.
func (c *ChannelStats) Refused() uint64 {
	var n uint64
	for _, k := range c.Faults[1:] {
		n += k
	}
	return n
}
