package sensors_test

import (
	"context"
	"errors"
	"fmt"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/sensors"
	"liftbank/sensors/calibration"
)

// Texts are those that a Linux adapter gives through periph, which keeps no error number.
func TestFaultOf(t *testing.T) {
	for _, tt := range []struct {
		err  error
		want sensors.Fault
	}{
		{errors.New("sysfs-i2c: remote I/O error"), sensors.NoAnswer},
		{errors.New("sysfs-i2c: no such device or address"), sensors.NoAnswer},
		{errors.New("sysfs-i2c: connection timed out"), sensors.BusStuck},
		{errors.New("sysfs-i2c: device or resource busy"), sensors.BusStuck},
		{errors.New("sysfs-i2c: resource temporarily unavailable"), sensors.BusStuck},
		{syscall.ETIMEDOUT, sensors.BusStuck},
		{syscall.ENXIO, sensors.NoAnswer},
		{&sensors.ChipError{Fault: sensors.Reset, Err: syscall.ETIMEDOUT}, sensors.Reset},
		{fmt.Errorf("read: %w", &sensors.ChipError{Fault: sensors.NotReady}), sensors.NotReady},
	} {
		assert.Equal(t, tt.want, sensors.FaultOf(tt.err), "%v", tt.err)
	}
}

func TestChipErrorKeepsItsCause(t *testing.T) {
	err := error(&sensors.ChipError{
		Fault: sensors.BusStuck, Chip: "ads1115 49h", Op: "start conversion", Err: syscall.ETIMEDOUT,
	})
	assert.ErrorIs(t, err, syscall.ETIMEDOUT)
	assert.EqualError(t, err, "start conversion: on ads1115 49h: bus stuck: connection timed out")
}

// blocking is a chip behind a driver of the kernel, as in Linux's IIO: a read converts and blocks
// for 20 ms, and nothing is known before that.
type blocking struct {
	*script
	inputs []sensors.Input
	next   int
	err    error
}

func (b *blocking) Use(inputs []sensors.Input) error {
	b.inputs = inputs
	return b.err
}

func (b *blocking) Start(input int, _ sensors.Mode) error {
	b.next = input
	return nil
}

func (b *blocking) Read(ctx context.Context) (sensors.Sample, error) {
	b.now += 20 * ms
	return sensors.Sample{PinV: b.inputs[b.next].(file).volts}, ctx.Err()
}

// file is an input that knows its scale and no conversion time.
type file struct {
	name  string
	volts float64
}

func (f file) Name() string                                     { return f.name }
func (file) Settings() []sensors.Setting                        { return nil }
func (file) Validate() error                                    { return nil }
func (file) Range() (lowV, highV float64)                       { return 0, 2.5 }
func (file) Time(sensors.Mode) (nominal, longest time.Duration) { return 0, 0 }
func (file) Class(sensors.Mode) sensors.Class                   { return sensors.Class{StepSize: 1e-3} }

// A chip that blocks fits the port: its readings have the time at which they were read.
func TestChipThatBlocks(t *testing.T) {
	s := &script{}
	cfg := sensors.Config{Schedule: sensors.DefaultSchedule(), Channels: []sensors.ChannelConfig{
		{Name: "a", Input: file{"in_voltage0", 1.2}, Scale: calibration.Divider{TopOhm: 90, BottomOhm: 10}},
		{Name: "b", Input: file{"in_voltage1", 0.5}, Scale: calibration.Divider{TopOhm: 90, BottomOhm: 10}},
	}}
	b, err := sensors.New(cfg, []sensors.Chip{&blocking{script: s}}, nil, s)
	require.NoError(t, err)
	for _, begin := range []time.Duration{0, time.Second} {
		scan, err := b.Next(t.Context())
		require.NoError(t, err)
		assert.Equal(t, 40*ms, scan.Took)
		assert.Equal(t, sensors.Reading{Value: 12, At: begin + 20*ms, Fresh: true}, scan.Readings[0])
		assert.Equal(t, sensors.Reading{Value: 5, At: begin + 40*ms, Fresh: true}, scan.Readings[1])
	}
	_, err = sensors.New(cfg, []sensors.Chip{&blocking{err: errors.New("no such file")}}, nil, s)
	assert.EqualError(t, err, "board: chips[0]: no such file")
}
