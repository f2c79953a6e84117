package registers_test

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"

	"liftbank/sensors"
	"liftbank/sensors/registers"
)

func TestBytesOnTheWire(t *testing.T) {
	bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		{Addr: 0x40, W: []byte{0x05, 0x0A, 0x01}},
		{Addr: 0x40, W: []byte{0x02}, R: []byte{0x25, 0x70}},
	}}
	d := registers.New(bus, 0x40, "chip")
	require.NoError(t, d.Write("write", 0x05, 0x0A01))
	v, err := d.Read("read", 0x02)
	require.NoError(t, err)
	assert.Equal(t, uint16(0x2570), v)
	require.NoError(t, bus.Close())
}

// broken is a bus on which every transfer fails.
type broken struct{ err error }

func (broken) String() string                    { return "broken" }
func (broken) SetSpeed(physic.Frequency) error   { return nil }
func (b broken) Tx(uint16, []byte, []byte) error { return b.err }

func TestFailedTransfers(t *testing.T) {
	d := registers.New(broken{errors.New("sysfs-i2c: connection timed out")}, 0x4A, "chip")
	assert.EqualError(t, d.Write("start", 0, 1), "start: on chip 4Ah: bus stuck: sysfs-i2c: connection timed out")
	d = registers.New(broken{errors.New("sysfs-i2c: remote I/O error")}, 0x4A, "chip")
	v, err := d.Read("look", 0)
	assert.Zero(t, v)
	assert.Equal(t, sensors.NoAnswer, sensors.FaultOf(err))
}
