package sensors_test

import (
	"errors"
	"fmt"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/sensors"
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
	err := error(&sensors.ChipError{Fault: sensors.BusStuck, Chip: "ads1115 49h", Op: "start conversion", Err: syscall.ETIMEDOUT})
	assert.ErrorIs(t, err, syscall.ETIMEDOUT)
	assert.EqualError(t, err, "start conversion: on ads1115 49h: bus stuck: connection timed out")
}
