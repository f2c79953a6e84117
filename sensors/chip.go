package sensors

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"time"
)

// Chip is one input chip: the port that any ADC fits, whether it sits on the I2C bus or behind a
// driver of the kernel. A chip converts one input at a time. It belongs to the board's goroutine.
type Chip interface {
	// Use sets the inputs that the board reads. The other methods know an input by its index in
	// this list. Use is called once, before the first conversion; it returns an error for an input
	// of another kind of chip.
	Use(inputs []Input) error
	// Start begins one conversion of an input. A chip whose driver blocks may do nothing here.
	Start(input int, m Mode) error
	// Read returns the result of the conversion that Start began, and waits for it if necessary.
	// The error is that of ctx unchanged, or says why there is no value: FaultOf sorts it.
	Read(ctx context.Context) (Sample, error)
}

// Sample is the result of one conversion.
type Sample struct {
	PinV  float64
	Fault Fault // None, or Saturated: the true value lies at PinV or beyond
}

// Mode says what a conversion is for; the settings of an input differ with it.
type Mode uint8

// Modes of reading.
const (
	AtRest Mode = iota // slow, with little noise
	InRun              // while the motor runs: fast
)

// Input is one input of a chip with its settings.
type Input interface {
	// Name returns the name of the input on its chip, as in "AIN0". Two channels can't share one.
	Name() string
	// Settings returns the fields of this input in the configuration. They set this input.
	Settings() []Setting
	// Validate returns an error that names each setting that is not possible, or nil.
	Validate() error
	// Range returns the volts at the pin between which the input can be converted.
	Range() (lowV, highV float64)
	// Time returns how long a conversion takes: nominally, which dates the reading, and at most,
	// which is how long the board waits before it reads and not less. Both are 0 for a chip whose
	// Read blocks.
	Time(m Mode) (nominal, longest time.Duration)
	// Class returns how well the input measures, in volts at the pin.
	Class(m Mode) Class
}

// Blocking is an input of a chip whose Read waits for the conversion itself.
type Blocking interface {
	// Blocks returns how long a Read takes at most.
	Blocks(m Mode) time.Duration
}

// ReadTime returns how long a conversion of an input takes at most, whoever waits for it.
func ReadTime(in Input, m Mode) time.Duration {
	if b, blocks := in.(Blocking); blocks {
		return b.Blocks(m)
	}
	_, longest := in.Time(m)
	return longest
}

// Class is how well an input or a channel measures, in V at the pin or in the channel's unit.
// It covers the chip at 25 °C and no part of the circuit before it.
type Class struct {
	StepSize  float64 // difference that one code makes
	Noise     float64 // standard deviation of one conversion, in addition to the steps
	ZeroError float64 // limit of the error at zero, either way
	GainError float64 // limit of the error that grows with the reading, as a fraction, either way
}

// ChipError is a conversion that gave no value.
type ChipError struct {
	Fault Fault  // NoAnswer, BusStuck, NotReady or Reset
	Chip  string // as in "ads1115 48h"
	Op    string // what was tried
	Err   error  // from the bus, or what was found; may be nil
}

// Error returns what was tried, on which chip, the fault and its cause.
func (e *ChipError) Error() string {
	if e.Err == nil {
		return fmt.Sprintf("%s: on %s: %v", e.Op, e.Chip, e.Fault)
	}
	return fmt.Sprintf("%s: on %s: %v: %v", e.Op, e.Chip, e.Fault, e.Err)
}

// Unwrap returns the cause.
func (e *ChipError) Unwrap() error { return e.Err }

// stuckErrnos are what Linux adapters report when a line is held: a transfer or the wait for a free
// bus timed out, or arbitration was lost although there is only one master (kernel documentation,
// "I2C/SMBUS Fault Codes").
var stuckErrnos = [...]syscall.Errno{syscall.ETIMEDOUT, syscall.EBUSY, syscall.EAGAIN}

// FaultOf returns the fault that an error of a chip or its bus means: that of a [ChipError],
// BusStuck for a timeout of the adapter, else NoAnswer.
func FaultOf(err error) Fault {
	if e, ok := errors.AsType[*ChipError](err); ok {
		return e.Fault
	}
	for _, errno := range stuckErrnos {
		// A bus of periph's wraps with %v: the number is lost and only its text is left. The text
		// compared with is from the same table as the one that was printed.
		if errors.Is(err, errno) || strings.HasSuffix(err.Error(), errno.Error()) {
			return BusStuck
		}
	}
	return NoAnswer
}
