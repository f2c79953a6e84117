package sensors

import "time"

// Contacts are the debounced digital inputs: contact.Watcher, or an emulation of it.
type Contacts interface {
	// Level returns the state of contact i; known is false if nobody can tell.
	Level(i int) (on, known bool)
	// Take appends the edges since the last call to buf, in time order.
	Take(buf []Edge) []Edge
}

// Edge is one change of a contact, debounced.
type Edge struct {
	Contact int
	On      bool          // the state it changed to
	At      time.Duration // of the first change, on the board's clock
}

// Fault says why a reading has no usable value. The zero value is a usable one.
type Fault uint8

// Faults of a reading.
const (
	None       Fault = iota
	NotSampled       // not converted yet since the start
	NoAnswer         // the chip did not acknowledge, or the transfer failed for an unknown reason
	BusStuck         // a bus line is held and transfers time out: no chip on the bus can be reached
	NotReady         // the conversion did not end in time
	Saturated        // at the end of the chip's range; the true value lies at or beyond Value
	Reset            // the chip lost its settings: a power dip, or another chip at its address
	OutOfRange       // not possible on this channel, as configured
	faultCount
)

// FaultCount is the number of faults, None included.
const FaultCount = int(faultCount)

// String returns the fault in words.
func (f Fault) String() string {
	words := [...]string{
		None: "none", NotSampled: "not sampled", NoAnswer: "no answer", BusStuck: "bus stuck",
		NotReady: "conversion not finished", Saturated: "at the end of the range", Reset: "settings lost",
		OutOfRange: "outside the possible range",
	}
	if int(f) < len(words) {
		return words[f]
	}
	return "unknown fault"
}

// Reading is the state of one analog channel.
type Reading struct {
	// Value is in the channel's unit, calibrated. With the fault Saturated it is the value at the
	// end of the range, with OutOfRange the impossible one (0 if the circuit has no value for these
	// volts). With any other fault it is 0.
	Value float64
	// At is the nominal end of the conversion that Value is of; with a fault that left no value,
	// the time of the last attempt.
	At time.Duration
	// Fault is None if Value may be used.
	Fault Fault
	// Fresh reports whether this scan converted the channel. If it is false and Fault is None,
	// Value is an older one, of At: the channel is not read in every scan of a motor run, or a
	// motor start cut the scan short.
	Fresh bool
}

// ContactReading is the state of one contact.
type ContactReading struct {
	On    bool
	Known bool // if false, On means nothing
}

// Scan is one look at the board. It and its slices belong to the board and are overwritten by the
// next call of Next.
type Scan struct {
	At       time.Duration // end of the scan: nothing in it is later
	Took     time.Duration // from the first conversion started to the last one read
	Count    uint64        // of scans, this one included
	Fast     bool          // taken at the pace of a motor run
	Overrun  bool          // begun later than due, by more than a tenth of RestEvery
	Readings []Reading     // by channel
	Contacts []ContactReading
	Edges    []Edge // since the previous scan, in time order
}

// Stats counts what went wrong since the start. Its slices belong to the board and change with the
// next scan.
type Stats struct {
	Scans     uint64
	FastScans uint64
	Overruns  uint64
	Chips     []ChipStats
	Channels  []ChannelStats
}

// ChipStats counts the conversions of one input chip.
type ChipStats struct {
	Conversions uint64 // with a result, those at the end of the range included
	Errors      uint64 // without a result, each attempt counted
	Retries     uint64 // attempted again at once
	Answering   bool   // whether the last attempt had a result; false before the first
	Last        error  // the newest error; nil if there was none
}

// ChannelStats counts the readings of one channel that had a fault, by fault.
type ChannelStats struct {
	Faults [FaultCount]uint64
}

// Rejected returns the number of readings that had any fault.
func (c *ChannelStats) Rejected() uint64 {
	var n uint64
	for _, k := range c.Faults[1:] {
		n += k
	}
	return n
}
