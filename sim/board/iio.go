package board

import (
	"context"
	"fmt"
	"io/fs"
	"math"
	"path"
	"strconv"
	"strings"
	"time"
)

// IIO is the folder of the Linux kernel's industrial I/O devices, as a program sees it through files
// (kernel documentation, ABI/testing/sysfs-bus-iio): name, label, raw, scale and rate of each input.
// Reading a raw file converts: it lasts the time of a conversion and has the value of its end.
//
// Not emulated: triggers, buffers, events, and writing.
//
// One goroutine uses it; it also sets the faults.
type IIO struct {
	clock   Clock
	devices []*IIODevice
}

var (
	_ fs.ReadDirFS  = (*IIO)(nil)
	_ fs.ReadFileFS = (*IIO)(nil)
	_ fs.StatFS     = (*IIO)(nil)
	_ fs.ReadLinkFS = (*IIO)(nil)
)

// NewIIO returns a folder of devices, iio:device0 first. If clock also has WaitUntil(ctx, at) error, a
// conversion waits through it; else it takes no time.
func NewIIO(clock Clock, devices ...*IIODevice) *IIO { return &IIO{clock: clock, devices: devices} }

// IIODevice is one device with inputs voltage0 to voltage3 of 16 bits.
type IIODevice struct {
	Place  string     // its parent on the bus, as in 1-0048
	Name   string     // as the driver says
	Label  string     // from the device tree; empty: it has no such file
	StepV  [4]float64 // of one code, for each input
	RateHz float64    // conversions a second
	Gone   error      // what reading gives instead of a value; nil: it works

	inputs inputs
}

// Connect wires an input, 0 to 3. nil leaves it floating.
func (d *IIODevice) Connect(input int, a Analog) {
	checkInput(input)
	d.inputs.connected[input] = a
	d.inputs.wire()
}

// device returns the device of a path, and the file in its folder.
func (f *IIO) device(name string) (d *IIODevice, file string, err error) {
	dir, file, _ := strings.Cut(name, "/")
	n, err := strconv.Atoi(strings.TrimPrefix(dir, "iio:device"))
	if err != nil || n < 0 || n >= len(f.devices) || f.devices[n] == nil {
		return nil, "", fs.ErrNotExist
	}
	return f.devices[n], file, nil
}

// Remove takes device n away, or puts it back where d is not nil.
func (f *IIO) Remove(n int, d *IIODevice) { f.devices[n] = d }

// ReadFile reads a file of a device.
func (f *IIO) ReadFile(name string) ([]byte, error) {
	d, file, err := f.device(name)
	var text string
	if err == nil {
		text, err = f.read(d, file)
	}
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return []byte(text + "\n"), nil
}

func (f *IIO) read(d *IIODevice, file string) (string, error) {
	number := func(v float64) (string, error) { return strconv.FormatFloat(v, 'f', 9, 64), nil }
	channel, property, _ := strings.Cut(strings.TrimPrefix(file, "in_voltage"), "_")
	in, err := strconv.Atoi(channel)
	switch {
	case file == "name":
		return d.Name, nil
	case file == "label" && d.Label != "":
		return d.Label, nil
	case !strings.HasPrefix(file, "in_voltage") || err != nil || in < 0 || in > 3:
		return "", fs.ErrNotExist
	case property == "scale":
		return number(d.StepV[in] * 1e3)
	case property == "sampling_frequency":
		return number(d.RateHz)
	case property == "raw":
		return f.convert(d, in)
	}
	return "", fs.ErrNotExist
}

func (f *IIO) convert(d *IIODevice, input int) (string, error) {
	if d.Gone != nil {
		return "", d.Gone
	}
	at := f.clock.Now() + time.Duration(float64(time.Second)/d.RateHz)
	if w, can := f.clock.(waiter); can {
		if err := w.WaitUntil(context.Background(), at); err != nil {
			return "", err
		}
	}
	code := math.RoundToEven(float64(d.inputs.pinV(uint8(input), at) / d.StepV[input]))
	return strconv.Itoa(int(max(math.MinInt16, min(math.MaxInt16, code)))), nil
}

// ReadDir lists the devices.
func (f *IIO) ReadDir(name string) ([]fs.DirEntry, error) {
	if name != "." {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	var all []fs.DirEntry
	for i, d := range f.devices {
		if d != nil {
			all = append(all, fs.FileInfoToDirEntry(iioEntry{fmt.Sprintf("iio:device%d", i), fs.ModeSymlink}))
		}
	}
	return append(all, fs.FileInfoToDirEntry(iioEntry{"trigger0", fs.ModeSymlink})), nil
}

// ReadLink says where a device is.
func (f *IIO) ReadLink(name string) (string, error) {
	d, file, err := f.device(name)
	if err != nil || file != "" {
		return "", &fs.PathError{Op: "readlink", Path: name, Err: fs.ErrNotExist}
	}
	return path.Join("../../../devices/platform/soc/i2c-1", d.Place, name), nil
}

// Stat describes a file that there is.
func (f *IIO) Stat(name string) (fs.FileInfo, error) {
	d, file, err := f.device(name)
	if err == nil && file != "" {
		if strings.HasSuffix(file, "_raw") {
			err = d.Gone
		} else {
			_, err = f.read(d, file)
		}
	}
	if err != nil {
		return nil, &fs.PathError{Op: "stat", Path: name, Err: err}
	}
	return iioEntry{path.Base(name), 0}, nil
}

// Lstat is Stat.
func (f *IIO) Lstat(name string) (fs.FileInfo, error) { return f.Stat(name) }

// Open fails: files are read whole.
func (f *IIO) Open(name string) (fs.File, error) {
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrInvalid}
}

// iioEntry is a file of which nothing but name and mode is known.
type iioEntry struct {
	name string
	mode fs.FileMode
}

func (e iioEntry) Name() string       { return e.name }
func (e iioEntry) Size() int64        { return 0 }
func (e iioEntry) Mode() fs.FileMode  { return e.mode }
func (e iioEntry) ModTime() time.Time { return time.Time{} }
func (e iioEntry) IsDir() bool        { return false }
func (e iioEntry) Sys() any           { return nil }
