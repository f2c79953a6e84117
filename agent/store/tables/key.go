package tables

import "time"

const (
	spanShift = 40 // bits of a key that hold milliseconds: 34 years
	monoMask  = 1<<spanShift - 1

	streamShift = 48 // bits of a record's key that hold its number within the stream
	numberMask  = 1<<streamShift - 1
)

// MaxMonoMS is the last millisecond of a span that has a key of its own.
const MaxMonoMS = monoMask

// Key returns the key of something at a monotonic time of a span: span<<40 | milliseconds. Things
// are appended in order, and a span's whole content moves in wall time by one number. A negative
// time or one beyond 34 years goes to the end of the range.
func Key(span, monoMS int64) int64 { return span<<spanShift | min(max(monoMS, 0), monoMask) }

// Span returns the span that a key lies in.
func Span(key int64) int64 { return key >> spanShift }

// MonoMS returns the monotonic time of a key in milliseconds.
func MonoMS(key int64) int64 { return key & monoMask }

// Mono returns the monotonic time of a key.
func Mono(key int64) time.Duration { return time.Duration(MonoMS(key)) * time.Millisecond }

// RecordKey returns the key of the nth place of a stream in the outbox: stream<<48 | n.
func RecordKey[Stream ~uint8](of Stream, n int64) int64 { return int64(of)<<streamShift | n }

// RecordStream returns the stream that a key of the outbox lies in.
func RecordStream(key int64) int64 { return key >> streamShift }

// RecordNumber returns the place within its stream of a key of the outbox.
func RecordNumber(key int64) int64 { return key & numberMask }
