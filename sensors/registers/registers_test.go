package registers_test

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
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

// joining is a bus that does several transfers in one call.
type joining struct {
	i2ctest.Playback
	calls int
}

func (b *joining) TxAll(addr uint16, w, r [][]byte) error {
	b.calls++
	for i := range w {
		if err := b.Tx(addr, w[i], r[i]); err != nil {
			return err
		}
	}
	return nil
}

// Several registers come in their order and with their sizes, in one call where the bus can.
func TestReadAll(t *testing.T) {
	wire := func() i2ctest.Playback {
		return i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x40, W: []byte{0x0B}, R: []byte{0x00, 0x03}},
			{Addr: 0x40, W: []byte{0x04}, R: []byte{0xF0, 0x60, 0x01}},
			{Addr: 0x40, W: []byte{0x01}, R: []byte{0x2B, 0x6A}},
		}}
	}
	joins := &joining{Playback: wire()}
	alone := wire()
	for _, bus := range []i2c.Bus{joins, &alone} {
		all := []registers.Register{{Name: 0x0B, Bytes: 2, Value: 9}, {Name: 0x04, Bytes: 3}, {Name: 0x01, Bytes: 2}}
		d := registers.New(bus, 0x40, "chip")
		require.NoError(t, d.ReadAll("read", all))
		assert.Equal(t, []uint32{3, 0xF06001, 0x2B6A}, []uint32{all[0].Value, all[1].Value, all[2].Value})
		err := d.ReadAll("read", all[:1]) // the record has no more
		assert.ErrorContains(t, err, "read: on chip 40h: no answer: ")
	}
	assert.Equal(t, 2, joins.calls)
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
