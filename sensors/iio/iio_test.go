package iio_test

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/calibration"
	"liftbank/sensors/iio"
	"liftbank/sim/board"
)

// steppedClock is time that passes only by being waited for.
type steppedClock struct{ now time.Duration }

func (c *steppedClock) Now() time.Duration { return c.now }

func (c *steppedClock) WaitUntil(ctx context.Context, at time.Duration) error {
	c.now = max(c.now, at)
	return ctx.Err()
}

func (c *steppedClock) WaitUntilOrEdge(ctx context.Context, at time.Duration) (bool, error) {
	return false, c.WaitUntil(ctx, at)
}

// bench is two ADS1115 as the kernel shows them: one driver's name, two places.
type bench struct {
	clock  steppedClock
	first  *board.IIODevice
	second *board.IIODevice
	files  *board.IIO
}

func newBench() *bench {
	steps := [4]float64{125e-6, 125e-6, 125e-6, 125e-6}
	b := &bench{
		first:  &board.IIODevice{Place: "1-0048", Name: "ads1015", StepV: steps, RateHz: 860},
		second: &board.IIODevice{Place: "1-0049", Name: "ads1015", Label: "currents", StepV: steps, RateHz: 860},
	}
	for i := range 4 {
		b.first.Connect(i, func(time.Duration) float64 { return 1 + float64(i)/10 })
		b.second.Connect(i, func(time.Duration) float64 { return 2 + float64(i)/10 })
	}
	b.files = board.NewIIO(&b.clock, b.first, nil, b.second)
	return b
}

func input(t testing.TB, name string) *iio.Input {
	in := (&iio.ChipConfig{}).NewInput().(*iio.Input)
	for _, s := range in.Settings() {
		switch s.Name {
		case "input":
			require.True(t, s.Set(name))
		case "step_uv":
			require.True(t, s.Set("125"))
		}
	}
	require.NoError(t, in.Validate())
	return in
}

func (b *bench) chip(t testing.TB, device string, inputs ...string) *iio.Chip {
	c := iio.New(b.files, device)
	var all []sensors.Input
	for _, name := range inputs {
		all = append(all, input(t, name))
	}
	require.NoError(t, c.Use(all))
	return c
}

func convert(t testing.TB, c *iio.Chip, i int) (sensors.Sample, error) {
	require.NoError(t, c.Start(i, sensors.AtRest))
	return c.Read(t.Context())
}

// A device is known by its place, label, folder, or its name where no other has it.
func TestDeviceByItsNames(t *testing.T) {
	for name, want := range map[string]float64{
		"1-0048": 1.2, "1-0049": 2.2, "currents": 2.2, "iio:device0": 1.2, "iio:device2": 2.2,
	} {
		b := newBench()
		got, err := convert(t, b.chip(t, name, "voltage0", "voltage2"), 1)
		require.NoError(t, err, name)
		assert.InDelta(t, want, got.PinV, 125e-6/2, name)
	}
	b := newBench()
	_, err := convert(t, b.chip(t, "ads1015", "voltage0"), 0)
	assert.EqualError(t, err, "find device: on iio ads1015: no answer: "+
		"iio:device0 and iio:device2 are both called that: want its place on the bus, as in 1-0048")
	b.files.Remove(2, nil)
	got, err := convert(t, b.chip(t, "ads1015", "voltage0"), 0)
	require.NoError(t, err)
	assert.InDelta(t, 1.0, got.PinV, 125e-6/2)
	_, err = convert(t, b.chip(t, "1-004a", "voltage0"), 0)
	assert.EqualError(t, err, "find device: on iio 1-004a: no answer: not in /sys/bus/iio/devices: want one of: 1-0048 ads1015")
}

// A conversion takes its time, is dated by its end, and its ends are told.
func TestConversion(t *testing.T) {
	b := newBench()
	c := b.chip(t, "1-0048", "voltage0")
	_, err := convert(t, c, 0)
	require.NoError(t, err)
	assert.InDelta(t, 1.0/860, b.clock.now.Seconds(), 1e-6)
	for v, want := range map[float64]sensors.Fault{
		4.0957: sensors.None, 4.2: sensors.Saturated, 0: sensors.None, -0.01: sensors.None,
	} {
		b.first.Connect(0, func(time.Duration) float64 { return v })
		got, err := convert(t, c, 0)
		require.NoError(t, err)
		assert.Equal(t, want, got.Fault, "%g V", v)
	}
	_, err = c.Read(t.Context())
	assert.Equal(t, sensors.NotReady, sensors.FaultOf(err), "nothing was started")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, c.Start(0, sensors.InRun))
	_, err = c.Read(ctx)
	assert.Same(t, context.Canceled, err)
}

// What the kernel says when a chip fails is sorted, and a device that comes back, under another
// number too, is found by itself.
func TestFaultsAndReturn(t *testing.T) {
	for errno, want := range map[syscall.Errno]sensors.Fault{
		syscall.EREMOTEIO: sensors.NoAnswer, syscall.ENXIO: sensors.NoAnswer, syscall.ENODEV: sensors.NoAnswer,
		syscall.ETIMEDOUT: sensors.BusStuck, syscall.EAGAIN: sensors.BusStuck,
	} {
		b := newBench()
		c := b.chip(t, "1-0049", "voltage0")
		_, err := convert(t, c, 0)
		require.NoError(t, err)
		b.second.Gone = errno
		_, err = convert(t, c, 0)
		assert.Equal(t, want, sensors.FaultOf(err), "%v: %v", errno, err)
		b.second.Gone = nil
		b.files.Remove(2, nil)
		_, err = convert(t, c, 0)
		assert.Equal(t, sensors.NoAnswer, sensors.FaultOf(err))
		b.files.Remove(1, b.second)
		got, err := convert(t, c, 0)
		require.NoError(t, err)
		assert.InDelta(t, 2.0, got.PinV, 125e-6/2)
	}
}

// A range or a rate that somebody has changed gives no value: it would be wrong, or late.
func TestSettingsOfTheDevice(t *testing.T) {
	b := newBench()
	c := b.chip(t, "1-0048", "voltage0")
	_, err := convert(t, c, 0)
	require.NoError(t, err)
	b.first.StepV[0] = 187.5e-6
	_, err = convert(t, c, 0)
	assert.Equal(t, sensors.Reset, sensors.FaultOf(err))
	assert.ErrorContains(t, err, "in_voltage0_scale has 0.1875: want 0.125, as step_uv says")
	b.first.StepV[0] = 125e-6
	_, err = convert(t, c, 0)
	require.NoError(t, err)

	b = newBench()
	b.first.RateHz = 128
	_, err = convert(t, b.chip(t, "1-0048", "voltage0"), 0)
	assert.Equal(t, sensors.NotReady, sensors.FaultOf(err))
	assert.ErrorContains(t, err, "in_voltage0_sampling_frequency has 128: want 860 or more")
}

func TestSettingsThatAreNot(t *testing.T) {
	err := (&iio.Input{Channel: "../../x", LowV: 1}).Validate()
	assert.EqualError(t, err, "input: \"../../x\": want a voltage, such as voltage0\nstep_uv: out of range\n"+
		"full_scale_v: out of range\nlowest_v: out of range\nrate_hz: out of range")
	cfg := iio.Kind.New()
	assert.Zero(t, cfg.Address())
	all := append(cfg.Settings(), cfg.NewInput().Settings()...)
	assert.Len(t, all, 6)
	for _, s := range all {
		for _, bad := range []string{"", "../etc", "-7000", "x y", "temp0/raw"} {
			assert.False(t, s.Set(bad), "%s %q", s.Name, bad)
		}
	}
	err = iio.New(newBench().files, "1-0048").Use([]sensors.Input{&ads1115.Input{Mux: ads1115.AIN0}})
	assert.EqualError(t, err, "iio: input AIN0: *ads1115.Input: want an input of this kind")
}

// The same on files of a disk, as the kernel lays them out: links to folders, one scale for all
// inputs, an offset, and texts that are no numbers.
func TestOnFiles(t *testing.T) {
	root := t.TempDir()
	device := filepath.Join(root, "devices", "i2c-1", "1-0048", "iio:device0")
	bus := filepath.Join(root, "bus")
	require.NoError(t, os.MkdirAll(device, 0o755))
	require.NoError(t, os.MkdirAll(bus, 0o755))
	require.NoError(t, os.Symlink("../devices/i2c-1/1-0048/iio:device0", filepath.Join(bus, "iio:device0")))
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(device, name), []byte(text), 0o600))
	}
	write("name", "adc\n")
	write("in_voltage0_raw", "1000\n")
	write("in_voltage_scale", "0.125\n")
	write("in_voltage0_offset", "-24\n")
	c := iio.New(os.DirFS(bus).(fs.ReadLinkFS), "1-0048")
	require.NoError(t, c.Use([]sensors.Input{input(t, "voltage0")}))
	got, err := convert(t, c, 0)
	require.NoError(t, err)
	assert.InDelta(t, 0.122, got.PinV, 1e-9)
	for _, bad := range []string{"", "NaN", "1e400", "12 13", "\x00"} {
		write("in_voltage0_raw", bad)
		_, err := convert(t, c, 0)
		assert.Equal(t, sensors.NotReady, sensors.FaultOf(err), "%q: %v", bad, err)
	}
	require.NoError(t, os.RemoveAll(bus))
	_, err = convert(t, c, 0)
	assert.Equal(t, sensors.NoAnswer, sensors.FaultOf(err))
}

// On a board: readings are dated by their ends.
func TestOnABoard(t *testing.T) {
	b := newBench()
	in := input(t, "voltage3")
	scale := calibration.Divider{TopOhm: 100e3, BottomOhm: 10e3}
	all, err := sensors.New(sensors.Config{Schedule: sensors.DefaultSchedule(), Channels: []sensors.ChannelConfig{
		{Name: "volts", Input: in, InRun: true, Scale: scale},
	}}, []sensors.Chip{iio.New(b.files, "1-0048")}, nil, &b.clock)
	require.NoError(t, err)
	s, err := all.Next(t.Context())
	require.NoError(t, err)
	assert.Equal(t, sensors.None, s.Readings[0].Fault)
	assert.InDelta(t, 1.3*11, s.Readings[0].Value, 0.001)
	assert.Equal(t, b.clock.now, s.Readings[0].At)
	assert.Equal(t, sensors.Class{StepSize: 125e-6, Noise: 125e-6, ZeroError: 375e-6, GainError: 0.0025}, in.Class(sensors.InRun))
	assert.InDelta(t, 2.56e-3, in.Blocks(sensors.InRun).Seconds(), 1e-4, "two conversions at 860 a second, 10 % late")
}
