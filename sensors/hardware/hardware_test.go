package hardware

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"periph.io/x/conn/v3/driver"
	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sim/board"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// closableBus counts how often it is open.
type closableBus struct {
	*board.Bus
	open int
}

func (b *closableBus) Close() error {
	b.open--
	return nil
}

// line is a pin of a driver that can be given back.
type line struct {
	*board.Pin
	open  bool
	inErr error
}

func (l *line) In(pull gpio.Pull, edge gpio.Edge) error {
	if l.inErr != nil {
		return l.inErr
	}
	l.open = true
	return l.Pin.In(pull, edge)
}

func (l *line) Close() { l.open = false }

type fakeDriver struct{ driver.Impl }

func (fakeDriver) String() string { return "sysfs-i2c" }

// bench is a machine with one bus and two pins.
type bench struct {
	machine
	bus  *closableBus
	pins map[string]*line
}

type zeroClock struct{}

func (zeroClock) Now() time.Duration { return 0 }

func newBench() *bench {
	b := &bench{bus: &closableBus{Bus: board.NewBus(zeroClock{}, board.NewChip(0x48, zeroClock{}, board.Options{}))}}
	b.pins = map[string]*line{}
	for i, name := range []string{"GPIO17", "GPIO18"} {
		b.pins[name] = &line{Pin: board.NewPin(name, 17+i, board.PinOptions{})}
	}
	b.machine = machine{
		init: func() (*driverreg.State, error) { return &driverreg.State{}, nil },
		buses: func() []*i2creg.Ref {
			return []*i2creg.Ref{
				{Name: "/dev/i2c-1", Aliases: []string{"I2C1"}, Number: 1, Open: func() (i2c.BusCloser, error) {
					b.bus.open++
					return b.bus, nil
				}},
			}
		},
		pin: func(name string) gpio.PinIO {
			if p, ok := b.pins[name]; ok {
				return p
			}
			return nil
		},
		pins:   func() []gpio.PinIO { return []gpio.PinIO{b.pins["GPIO17"], b.pins["GPIO18"]} },
		access: func(string) error { return nil },
	}
	return b
}

// nothingOpen checks that bus and pins were let go of.
func (b *bench) nothingOpen(t *testing.T) {
	t.Helper()
	assert.Zero(t, b.bus.open, "bus")
	for name, p := range b.pins {
		assert.False(t, p.open, name)
	}
}

func chips(addrs ...uint16) []sensors.ChipConfig {
	var all []sensors.ChipConfig
	for _, a := range addrs {
		all = append(all, &ads1115.ChipConfig{Addr: a})
	}
	return all
}

func fullConfig() Config {
	return Config{
		Bus:   "/dev/i2c-1",
		Chips: chips(0x48, 0x49),
		Contacts: []Contact{
			{Name: "motor", Pin: "GPIO17", Pull: gpio.PullDown},
			{Name: "wake", Pin: "GPIO18", ActiveLow: true, Pull: gpio.PullUp},
		},
	}
}

func TestOpenAndClose(t *testing.T) {
	for _, name := range []string{"/dev/i2c-1", "I2C1", "1"} {
		b := newBench()
		cfg := fullConfig()
		cfg.Bus = name
		h, err := open(cfg, b.machine)
		require.NoError(t, err)
		require.Len(t, h.Chips, 2)
		assert.Equal(t, 1, b.bus.open)
		assert.Equal(t, gpio.PullUp, b.pins["GPIO18"].Pull())

		// A chip that is not there is no error of Open, but of the first conversion.
		for _, c := range h.Chips {
			require.NoError(t, c.Use([]sensors.Input{&ads1115.Input{Mux: ads1115.AIN0}}))
		}
		require.NoError(t, h.Chips[0].Start(0, sensors.AtRest))
		assert.ErrorContains(t, h.Chips[1].Start(0, sensors.AtRest), "on ads1115 49h: no answer")

		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- h.Run(ctx) }()
		b.pins["GPIO17"].Drive(gpio.High)
		edge, err := h.Clock.WaitUntilOrEdge(ctx, h.Clock.Now()+time.Minute)
		require.NoError(t, err)
		assert.True(t, edge, "the clock is woken by a contact")
		cancel()
		assert.ErrorIs(t, <-done, context.Canceled)
		require.NoError(t, h.Close())
		b.nothingOpen(t)
		require.NoError(t, h.Close(), "twice is once")
	}
}

func TestBoardWithoutContacts(t *testing.T) {
	b := newBench()
	h, err := open(Config{Bus: "I2C1", Chips: chips(0x48)}, b.machine)
	require.NoError(t, err)
	assert.Nil(t, h.Contacts())
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	assert.ErrorIs(t, h.Run(ctx), context.Canceled)
	require.NoError(t, h.Close())
}

// offBus is a chip that is not on the I2C bus.
type offBus struct {
	sensors.ChipConfig
	err error
}

func (offBus) Address() uint16 { return 0 }

func (c offBus) Open(bus i2c.Bus, _ sensors.Clock) (sensors.Chip, error) {
	if bus != nil {
		return nil, errors.New("got a bus")
	}
	return &ads1115.Chip{}, c.err
}

// A board without a chip on the bus needs no bus, and one whose chip does not open lets go of all.
func TestChipsOffTheBus(t *testing.T) {
	b := newBench()
	h, err := open(Config{Chips: []sensors.ChipConfig{offBus{}, offBus{}}}, b.machine)
	require.NoError(t, err)
	assert.Len(t, h.Chips, 2)
	assert.Zero(t, b.bus.open)
	require.NoError(t, h.Close())

	cfg := fullConfig()
	cfg.Chips = []sensors.ChipConfig{offBus{err: errors.New("no such device")}}
	_, err = open(cfg, b.machine)
	assert.EqualError(t, err, "chips[0]: no such device")
	b.nothingOpen(t)
}

func TestOpenRefuses(t *testing.T) {
	for _, tt := range []struct {
		name   string
		config func(*Config)
		bench  func(*bench)
		want   string
	}{
		{
			"no bus named", func(c *Config) { c.Bus = "" }, nil,
			"I2C bus: none: want one named, as in /dev/i2c-1",
		},
		{
			"another bus", func(c *Config) { c.Bus = "/dev/i2c-3" }, nil,
			"I2C bus /dev/i2c-3: not on this machine: want one of /dev/i2c-1",
		},
		{
			"machine without drivers", nil, func(b *bench) {
				b.buses = func() []*i2creg.Ref { return nil }
				b.pin = func(string) gpio.PinIO { return nil }
				b.machine.pins = func() []gpio.PinIO { return nil }
			},
			"I2C bus /dev/i2c-1: not on this machine: no I2C bus: enable it in the device tree and load " +
				"the kernel module i2c-dev\n" +
				"contact motor: pin GPIO17: not on this machine: no GPIO line: want /dev/gpiochip0 with " +
				"read and write permission (group gpio on most systems)\n" +
				"contact wake: pin GPIO18: not on this machine: no GPIO line: want /dev/gpiochip0 with " +
				"read and write permission (group gpio on most systems)",
		},
		{
			"no permission", nil, func(b *bench) {
				b.access = func(path string) error {
					return &fs.PathError{Op: "open", Path: path, Err: fs.ErrPermission}
				}
			},
			"I2C bus /dev/i2c-1: open /dev/i2c-1: permission denied",
		},
		{
			"bus that does not open", nil, func(b *bench) {
				b.buses = func() []*i2creg.Ref {
					open := func() (i2c.BusCloser, error) { return nil, errors.New("sysfs-i2c: no") }
					return []*i2creg.Ref{{Name: "/dev/i2c-1", Open: open}}
				}
			},
			"I2C bus /dev/i2c-1: open: sysfs-i2c: no",
		},
		{
			"unknown pin", func(c *Config) { c.Contacts[1].Pin = "GPIO99" }, nil,
			"contact wake: pin GPIO99: not on this machine: want one of GPIO17, GPIO18, or a chip and a line's number " +
				"there, as in gpiochip0/17",
		},
		{
			"pin in use", nil, func(b *bench) {
				b.pins["GPIO18"].inErr = errors.New("line_request ioctl: device or resource busy")
			},
			"contact wake: set up pin GPIO18 as input: pull PullUp: line_request ioctl: device or resource busy",
		},
		{
			"drivers fail", nil, func(b *bench) {
				b.init = func() (*driverreg.State, error) { return nil, errors.New("cycle of prerequisites") }
			},
			"hardware: load drivers: cycle of prerequisites",
		},
		{
			"addresses", func(c *Config) { c.Chips = chips(0x48, 0x49, 0x48) }, nil,
			"chips[2]: address 0x48: used twice: want one address for each chip",
		},
		{
			"pins", func(c *Config) {
				c.Contacts = append(c.Contacts, Contact{Name: "x", Pin: "GPIO17"}, Contact{Name: "y"})
			}, nil,
			"contacts[2] x: pin GPIO17: taken by motor: want one pin for each contact\n" +
				"contacts[3] y: pin: none: want the name of a line, as in GPIO17",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, cfg := newBench(), fullConfig()
			if tt.config != nil {
				tt.config(&cfg)
			}
			if tt.bench != nil {
				tt.bench(b)
			}
			_, err := open(cfg, b.machine)
			assert.EqualError(t, err, tt.want)
			b.nothingOpen(t)
		})
	}
}

func TestRemarksNameDriversNotLoaded(t *testing.T) {
	b := newBench()
	b.init = func() (*driverreg.State, error) {
		return &driverreg.State{
			Skipped: []driverreg.DriverFailure{{D: fakeDriver{}, Err: errors.New("no I²C bus found")}},
		}, nil
	}
	h, err := open(fullConfig(), b.machine)
	require.NoError(t, err)
	assert.Equal(t, []string{"sysfs-i2c: no I²C bus found"}, h.Remarks)
	require.NoError(t, h.Close())
}

// This machine's own buses and pins, whatever they are, do not include these.
func TestOpenOnThisMachine(t *testing.T) {
	_, err := Open(
		Config{Bus: "/dev/i2c-250", Chips: chips(0x48), Contacts: []Contact{{Name: "motor", Pin: "no such line"}}},
	)
	require.Error(t, err)
	assert.ErrorContains(t, err, "I2C bus /dev/i2c-250: not on this machine: ")
	assert.ErrorContains(t, err, "contact motor: pin no such line: not on this machine: ")
}

func TestListOfPinsIsCut(t *testing.T) {
	m := machine{pins: func() []gpio.PinIO {
		var all []gpio.PinIO
		for i := range 54 {
			all = append(all, board.NewPin(fmt.Sprintf("GPIO%d", i), i, board.PinOptions{}))
		}
		return all
	}}
	assert.Contains(t, m.pinsInWords(), "GPIO39 or one of 14 more")
}

func TestTryFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "i2c-1")
	assert.ErrorIs(t, tryFile(path), fs.ErrNotExist)
	assert.ErrorContains(t, tryFile(path), "i2c-dev loaded")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	assert.NoError(t, tryFile(path))
}

// What to do depends on what the file's group may do. Root may do all, so that the advice is asked
// for directly.
func TestPermissionAdvice(t *testing.T) {
	path := filepath.Join(t.TempDir(), "i2c-1")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	assert.Contains(t, permissionAdvice(path), "with mode 0600: give it to a group with read and write")
	require.NoError(t, os.Chmod(path, 0o660))
	if os.Getuid() == 0 {
		assert.Contains(
			t,
			permissionAdvice(path),
			"of group root with mode 0660: give it to a group",
			"nobody should be in group root for this",
		)
		require.NoError(t, os.Chown(path, -1, 1))
	}
	assert.Regexp(t, "^add the user to group .+, which has them", permissionAdvice(path))
}

func TestLine(t *testing.T) {
	byName, byPlace := board.NewPin("GPIO17", 17, board.PinOptions{}), board.NewPin("", 4, board.PinOptions{})
	named := func(name string) gpio.PinIO {
		if name == "GPIO17" || name == "odd/17" {
			return byName
		}
		return nil
	}
	at := func(chip string, number int) gpio.PinIO {
		if chip == "gpiochip0" && number == 4 {
			return byPlace
		}
		return nil
	}
	for name, want := range map[string]gpio.PinIO{
		"GPIO17": byName, "odd/17": byName, "gpiochip0/4": byPlace,
		"GPIO18": nil, "gpiochip0/5": nil, "gpiochip1/4": nil, "gpiochip0/": nil, "gpiochip0/x": nil, "/": nil, "": nil,
	} {
		assert.Equal(t, want, lineOf(name, named, at), name)
	}
	assert.Nil(t, lineAt("no such chip", 0))
}
