package outbox

import "time"

// Stream is one of the sequences of records that the fleet is to have whole.
type Stream uint8

// Streams, in the order of their worth on a thin link.
const (
	Findings Stream = iota
	Visits
	Runs
	Readings
	streamCount
)

// Streams is how many there are.
const Streams = int(streamCount)

var streamNames = [Streams]string{"findings", "visits", "runs", "readings"}

// String returns the stream's name.
func (s Stream) String() string { return streamNames[s] }

// ParseStream returns the stream of a name.
func ParseStream(name string) (Stream, bool) {
	for i, n := range streamNames {
		if n == name {
			return Stream(i), true
		}
	}
	return 0, false
}

// Record is one record of the outbox.
type Record struct {
	ID      int64 // its place in the outbox; grows within a stream
	Stream  Stream
	Session string
	First   uint64 // the session's first number in this stream
	From    uint64 // a gap stands for From to Seq; otherwise equal to Seq
	Seq     uint64
	Mono    time.Duration
	At      time.Time // Mono as time of day, by the best that is known now
	Trusted bool      // At is by a clock known to be set
	Gap     string    // why the records From to Seq are not there; "" for a record
	Body    []byte    // as added; times may be stand-ins (package moment) on the timeline of Mono
}

// Time returns the time of day of an instant of the record's session, by the best that is known
// now.
func (r *Record) Time(mono time.Duration) time.Time { return r.At.Add(mono - r.Mono) }

func (r *Record) place(monoMS, offMS int64) {
	r.Mono = time.Duration(monoMS) * time.Millisecond
	r.At = time.UnixMilli(monoMS + offMS).UTC()
}
