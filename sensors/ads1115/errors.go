package ads1115

import (
	"errors"
	"fmt"
	"strings"
	"syscall"
)

// Class is the kind of a failure, as far as it matters for what to do next.
type Class uint8

// Classes of failure.
const (
	NoAnswer  Class = iota // the chip did not acknowledge, or the transfer failed for a reason not known better
	BusStuck               // a line is held and the transfer timed out: no chip on this bus can be reached
	NotReady               // the conversion did not end in time
	Saturated              // the code is at the end of the range: the true value lies at or beyond it
	Reset                  // the chip does not hold the settings written: it went through a power-on, or it is another chip
)

// String gives the class in words.
func (c Class) String() string {
	words := [...]string{"no answer", "bus stuck", "conversion not finished", "at the end of the range", "settings lost"}
	if int(c) < len(words) {
		return words[c]
	}
	return "unknown class"
}

// Error is a conversion that gave no usable value.
type Error struct {
	Class Class
	Addr  uint16 // of the chip on its bus
	Op    string // what was tried
	Err   error  // from the bus, or what was found; may be nil
}

// Error gives what was tried, on which chip, what came of it and the cause.
func (e *Error) Error() string {
	if e.Err == nil {
		return fmt.Sprintf("%s: on ads1115 %02Xh: %v", e.Op, e.Addr, e.Class)
	}
	return fmt.Sprintf("%s: on ads1115 %02Xh: %v: %v", e.Op, e.Addr, e.Class, e.Err)
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// stuckErrnos are what Linux adapters report when a line is held: a transfer or the wait for a free bus timed out, or
// arbitration was lost although there is only one master (kernel documentation, "I2C/SMBUS Fault Codes").
var stuckErrnos = [...]syscall.Errno{syscall.ETIMEDOUT, syscall.EBUSY, syscall.EAGAIN}

// ClassOf gives the class of any error that a converter on an I2C bus returned: its own if it is an [Error], BusStuck if it
// is a time-out of the adapter, else NoAnswer.
func ClassOf(err error) Class {
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Class
	}
	for _, errno := range stuckErrnos {
		// periph's sysfs bus wraps with %v, so that the number is lost and only its text is left. The text compared
		// with is the one that was printed, from the same table.
		if errors.Is(err, errno) || strings.HasSuffix(err.Error(), errno.Error()) {
			return BusStuck
		}
	}
	return NoAnswer
}
