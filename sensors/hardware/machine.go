package hardware

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/host/v3/gpioioctl"
	_ "periph.io/x/host/v3/sysfs" // the I2C buses
)

// machine is what the machine has; tests use another one.
type machine struct {
	init   func() (*driverreg.State, error)
	buses  func() []*i2creg.Ref
	pin    func(name string) gpio.PinIO // nil if there is none
	pins   func() []gpio.PinIO
	access func(path string) error // nil if the file can be opened to read and write
}

// realMachine asks the kernel alone, on any board. Periph has drivers for a few makers' chips too: they go around
// the kernel, which a service is not allowed, and are 0.4 MB of names that the kernel has as well.
var realMachine = machine{
	init:   driverreg.Init,
	buses:  allBuses,
	pin:    func(name string) gpio.PinIO { return lineOf(name, gpioreg.ByName, lineAt) },
	pins:   gpioreg.All,
	access: tryFile,
}

func allBuses() []*i2creg.Ref {
	all := i2creg.All()
	for i, ref := range all {
		all[i] = byFile(ref)
	}
	return all
}

// findBus returns the bus with a name or an alias; nil if there is none. An empty name, which means
// the first bus to periph, finds none.
func (m machine) findBus(name string) *i2creg.Ref {
	for _, ref := range m.buses() {
		number := ref.Number >= 0 && strconv.Itoa(ref.Number) == name
		if ref.Name == name || slices.Contains(ref.Aliases, name) || number {
			return ref
		}
	}
	return nil
}

// lineOf returns the line that the kernel knows under a name, or else at a place, as in gpiochip0/17; nil if there
// is none.
func lineOf(name string, named func(string) gpio.PinIO, at func(chip string, number int) gpio.PinIO) gpio.PinIO {
	if p := named(name); p != nil {
		return p
	}
	chip, place, is := strings.Cut(name, "/")
	number, err := strconv.Atoi(place)
	if !is || err != nil {
		return nil
	}
	return at(chip, number)
}

// lineAt returns the line of a chip with this number.
func lineAt(chip string, number int) gpio.PinIO {
	for _, c := range gpioioctl.Chips {
		if c.Name() == chip && number >= 0 && number < c.LineCount() {
			return c.ByNumber(number)
		}
	}
	return nil
}

// busesInWords says which buses there are, or what to do if there is none.
func (m machine) busesInWords() string {
	var names []string
	for _, ref := range m.buses() {
		names = append(names, ref.Name)
	}
	if len(names) == 0 {
		return "no I2C bus: enable it in the device tree and load the kernel module i2c-dev"
	}
	return "want one of " + strings.Join(names, ", ")
}

// listedPins is how many pin names a message lists.
const listedPins = 40

// pinsInWords says which pins there are.
func (m machine) pinsInWords() string {
	all := m.pins()
	if len(all) == 0 {
		return "no GPIO line: want /dev/gpiochip0 with read and write permission (group gpio on most systems)"
	}
	names := make([]string, 0, listedPins)
	for _, p := range all[:min(len(all), listedPins)] {
		names = append(names, p.Name())
	}
	more := ""
	if len(all) > listedPins {
		more = fmt.Sprintf(" or one of %d more", len(all)-listedPins)
	}
	return "want one of " + strings.Join(names, ", ") + more + ", or a chip and a line's number there, as in gpiochip0/17"
}

// tryFile opens a device to read and write, and closes it. Its error says what is missing.
func tryFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	switch {
	case err == nil:
		return f.Close()
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%w: want read and write for user %s: %s", err, userName(), permissionAdvice(path))
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%w: want the I2C bus enabled in the device tree and the kernel module i2c-dev loaded", err)
	}
	return err
}
