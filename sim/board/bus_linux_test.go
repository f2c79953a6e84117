package board_test

import (
	"fmt"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/sim/board"
)

// sysfs-i2c prints the error number after its name (periph.io/x/host/v3 v3.8.5); the numbers are
// those of the kernel's "I2C/SMBUS Fault Codes".
func TestErrorTextIsThatOfLinux(t *testing.T) {
	tests := []struct {
		err   error
		errno syscall.Errno
	}{
		{board.ErrAbsent, syscall.ENXIO},
		{board.ErrNACK, syscall.EREMOTEIO},
		{board.ErrBusStuck, syscall.ETIMEDOUT},
	}
	for _, tt := range tests {
		assert.EqualError(t, tt.err, fmt.Sprintf("sysfs-i2c: %v", tt.errno))
		assert.NotErrorIs(t, tt.err, tt.errno, "the number itself is lost")
	}
}
