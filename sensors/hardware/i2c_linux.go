package hardware

import (
	"errors"
	"fmt"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/conn/v3/physic"
)

// busFile is an I2C bus of the kernel, by its device file. periph's has no call of more than one write and one
// read. It belongs to one goroutine; it allocates for errors only.
type busFile struct {
	path  string
	fd    int
	ioctl func(fd int, request uintptr, arg unsafe.Pointer) unix.Errno
	apart bool // it can't do several transfers in one call
	msgs  [2 * mostJoined]message
	calls calls
}

// mostJoined is how many transfers one call has at most; more are done one by one. The kernel takes 42 messages.
const mostJoined = 4

// message and calls are struct i2c_msg (linux/i2c.h) and i2c_rdwr_ioctl_data (linux/i2c-dev.h).
type message struct {
	addr, flags, length uint16
	buf                 unsafe.Pointer
}

type calls struct {
	msgs unsafe.Pointer
	n    uint32
}

const (
	ioctlRdwr = 0x0707 // I2C_RDWR
	reads     = 0x0001 // I2C_M_RD
)

// byFile returns the bus to be opened by its device file.
func byFile(ref *i2creg.Ref) *i2creg.Ref {
	if !strings.HasPrefix(ref.Name, "/dev/") {
		return ref
	}
	own := *ref
	own.Open = func() (i2c.BusCloser, error) { return openBusFile(ref.Name) }
	return &own
}

// openBusFile opens the bus of a device file, as in /dev/i2c-1.
func openBusFile(path string) (i2c.BusCloser, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	return &busFile{path: path, fd: fd, ioctl: func(fd int, request uintptr, arg unsafe.Pointer) unix.Errno {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(arg))
		return errno
	}}, nil
}

// String returns the device file.
func (a *busFile) String() string { return a.path }

// SetSpeed fails: the device tree sets the speed.
func (a *busFile) SetSpeed(physic.Frequency) error {
	return errors.New("speed of the I2C bus: set it in the device tree")
}

// Close closes the device file.
func (a *busFile) Close() error {
	fd := a.fd
	a.fd = -1
	return unix.Close(fd)
}

// Tx writes w to the chip at addr and reads r, without a stop between the two. Either may be empty.
func (a *busFile) Tx(addr uint16, w, r []byte) error {
	n := a.add(0, addr, w, r)
	return a.call(n)
}

// TxAll writes w[0], reads r[0], writes w[1] and so on, without a stop before the last. An adapter that can't
// (the kernel's i2c-bcm2835.c takes one message to read, as the last) is asked for one after the other from
// then on.
func (a *busFile) TxAll(addr uint16, w, r [][]byte) error {
	if !a.apart && len(w) <= mostJoined {
		n := 0
		for i := range w {
			n = a.add(n, addr, w[i], r[i])
		}
		err := a.call(n)
		if !errors.Is(err, unix.EOPNOTSUPP) {
			return err
		}
		a.apart = true
	}
	return oneByOne(a, addr, w, r)
}

// add appends a transfer to the n messages of the next call.
func (a *busFile) add(n int, addr uint16, w, r []byte) int {
	if len(w) > 0 {
		a.msgs[n] = message{addr: addr, length: uint16(len(w)), buf: unsafe.Pointer(&w[0])}
		n++
	}
	if len(r) > 0 {
		a.msgs[n] = message{addr: addr, flags: reads, length: uint16(len(r)), buf: unsafe.Pointer(&r[0])}
		n++
	}
	return n
}

func (a *busFile) call(n int) error {
	if n == 0 {
		return nil
	}
	a.calls = calls{msgs: unsafe.Pointer(&a.msgs), n: uint32(n)}
	if errno := a.ioctl(a.fd, ioctlRdwr, unsafe.Pointer(&a.calls)); errno != 0 {
		return fmt.Errorf("I2C transfer: %w", errno)
	}
	return nil
}
