package hardware

import (
	"os"
	"path/filepath"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"

	"liftbank/sensors/registers"
)

// controller is an adapter's driver behind ioctl: each register that is read holds its number and 5Ah.
type controller struct {
	readsLast bool // it takes one message to read, as the last
	fails     unix.Errno
	calls     [][]string // what each call had: w or r, and the first byte
	pointer   byte
}

func (c *controller) ioctl(_ int, request uintptr, arg unsafe.Pointer) unix.Errno {
	all := (*calls)(arg)
	msgs := unsafe.Slice((*message)(all.msgs), all.n)
	var said []string
	for i, m := range msgs {
		if request != 0x0707 || m.addr != 0x48 {
			return unix.EINVAL
		}
		if m.flags == 1 && c.readsLast && i < len(msgs)-1 {
			return unix.EOPNOTSUPP
		}
	}
	if c.fails != 0 {
		return c.fails
	}
	for _, m := range msgs {
		bytes := unsafe.Slice((*byte)(m.buf), m.length)
		if m.flags == 0 {
			c.pointer = bytes[0]
			said = append(said, "w")
			continue
		}
		said = append(said, "r")
		for i := range bytes {
			bytes[i] = [...]byte{c.pointer, 0x5A}[i%2]
		}
	}
	c.calls = append(c.calls, said)
	return 0
}

// Several registers are read in one call; where the adapter can't, one after the other, and it is asked once.
func TestSeveralTransfersInOneCall(t *testing.T) {
	for _, last := range []bool{false, true} {
		c := &controller{readsLast: last}
		bus := &busFile{path: "/dev/i2c-1", ioctl: c.ioctl}
		reopens := &reopening{bus: bus, now: func() time.Duration { return 0 }}
		d := registers.New(reopens, 0x48, "chip")
		all := []registers.Register{{Name: 1, Bytes: 2}, {Name: 0, Bytes: 2}, {Name: 7, Bytes: 2}}
		for range 2 {
			require.NoError(t, d.ReadAll("read", all))
			assert.Equal(t, []uint32{0x015A, 0x005A, 0x075A}, []uint32{all[0].Value, all[1].Value, all[2].Value})
		}
		require.NoError(t, d.Write("write", 1, 0xC383))
		if last {
			one := []string{"w", "r"}
			assert.Equal(t, [][]string{one, one, one, one, one, one, {"w"}}, c.calls)
		} else {
			all := []string{"w", "r", "w", "r", "w", "r"}
			assert.Equal(t, [][]string{all, all, {"w"}}, c.calls)
		}
		bus.ioctl = func(int, uintptr, unsafe.Pointer) unix.Errno { return 0 }
		assert.Zero(t, testing.AllocsPerRun(20, func() { _ = d.ReadAll("read", all) }))
	}
}

// What the kernel says is kept, and a bus that fails is opened again just as without joined transfers.
func TestErrorsOfJoinedTransfers(t *testing.T) {
	c := &controller{fails: unix.ETIMEDOUT}
	now, opens := time.Duration(0), 0
	b, err := newReopening("/dev/i2c-1", func() (i2c.BusCloser, error) {
		opens++
		return &busFile{fd: -1, ioctl: c.ioctl}, nil
	}, nil, func() time.Duration { return now })
	require.NoError(t, err)
	w, r := [][]byte{{1}, {0}}, [][]byte{make([]byte, 2), make([]byte, 2)}
	assert.ErrorIs(t, b.TxAll(0x48, w, r), unix.ETIMEDOUT)
	now = 2 * time.Second
	assert.ErrorIs(t, b.TxAll(0x48, w, r), unix.ETIMEDOUT)
	assert.Equal(t, 2, opens)
	c.fails = 0
	require.NoError(t, b.TxAll(0x48, w, r))
	assert.Equal(t, [][]byte{{1, 0x5A}, {0, 0x5A}}, r)
}

// The buses that are found are opened by their device files, with the error that the system has.
func TestBusByItsFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "i2c-1")
	ref := byFile(&i2creg.Ref{Name: "/dev/../" + path, Number: 1})
	_, err := ref.Open()
	assert.ErrorIs(t, err, os.ErrNotExist)
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	bus, err := ref.Open()
	require.NoError(t, err)
	assert.ErrorIs(t, bus.Tx(0x48, []byte{1}, nil), unix.ENOTTY, "a file is no bus")
	require.NoError(t, bus.Close())
	other := &i2creg.Ref{Name: "usb"}
	assert.Same(t, other, byFile(other))
}
