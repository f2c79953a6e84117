package readings

import (
	"encoding/binary"
	"errors"
	"math"
	"time"
)

// Sample is one scan in a trace: voltage and current of each of the unit's batteries, and last the
// voltage at the motor.
type Sample struct {
	At     time.Duration // since the trace began
	Values []Value
}

// traceVersion is the first byte of a trace.
const traceVersion = 1

// traceTick is the resolution of a trace's time; voltages have 1 mV, currents 10 mA.
const traceTick = 100 * time.Microsecond

func traceScale(i, n int) float64 {
	if i == n-1 || i%2 == 0 {
		return 1000
	}
	return 100
}

// AppendTrace appends the compact form of a trace, the first second of a motor run: version, values
// per sample, number of samples, and for each the time since the one before, a bit for each value
// that is known, and how far each has moved. All samples have as many values as the first.
func AppendTrace(b []byte, samples []Sample) []byte {
	if len(samples) == 0 {
		return b
	}
	n := len(samples[0].Values)
	b = append(b, traceVersion)
	b = binary.AppendUvarint(b, uint64(n))
	b = binary.AppendUvarint(b, uint64(len(samples)))
	last := make([]int64, n)
	at := int64(0)
	for _, s := range samples {
		tick := int64(s.At / traceTick)
		b = binary.AppendVarint(b, tick-at)
		at = tick
		var known uint64
		for i, v := range s.Values[:n] {
			if v.OK && math.Abs(v.X) < 1e6 {
				known |= 1 << i
			}
		}
		b = binary.AppendUvarint(b, known)
		for i, v := range s.Values[:n] {
			if known>>i&1 == 1 {
				x := int64(math.Round(v.X * traceScale(i, n)))
				b = binary.AppendVarint(b, x-last[i])
				last[i] = x
			}
		}
	}
	return b
}

const (
	maxTraceValues  = 9 // four batteries and the motor
	maxTraceSamples = 4096
)

var errTrace = errors.New("trace: damaged")

// ParseTrace reads what AppendTrace wrote.
func ParseTrace(data []byte) ([]Sample, error) {
	if len(data) == 0 || data[0] != traceVersion {
		return nil, errTrace
	}
	data = data[1:]
	number := func() (x uint64) {
		v, used := binary.Uvarint(data)
		if used <= 0 {
			data = nil
			return math.MaxUint64
		}
		data = data[used:]
		return v
	}
	signed := func() int64 {
		u := number() // zigzag, as binary.Varint
		return int64(u>>1) ^ -int64(u&1)
	}
	n, count := number(), number()
	if n == 0 || n > maxTraceValues || count > maxTraceSamples {
		return nil, errTrace
	}
	last := make([]int64, n)
	at := int64(0)
	var out []Sample
	for range count {
		if len(data) == 0 {
			return nil, errTrace
		}
		at += signed()
		known := number()
		if known>>n != 0 || at < -maxTick || at > maxTick {
			return nil, errTrace
		}
		s := Sample{At: time.Duration(at) * traceTick, Values: make([]Value, n)}
		for i := range s.Values {
			if known>>i&1 == 0 {
				continue
			}
			if len(data) == 0 {
				return nil, errTrace
			}
			last[i] += signed()
			if last[i] > maxStep || last[i] < -maxStep {
				return nil, errTrace
			}
			s.Values[i] = Value{float64(last[i]) / traceScale(i, int(n)), true}
		}
		out = append(out, s)
	}
	if len(data) != 0 {
		return nil, errTrace
	}
	return out, nil
}

const (
	maxTick = int64(time.Hour / traceTick)
	maxStep = 1 << 31
)
