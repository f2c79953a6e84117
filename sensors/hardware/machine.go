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
	"periph.io/x/host/v3"
)

// machine is what the machine has; tests use another one.
type machine struct {
	init   func() (*driverreg.State, error)
	buses  func() []*i2creg.Ref
	pin    func(name string) gpio.PinIO // nil if there is none
	pins   func() []gpio.PinIO
	access func(path string) error // nil if the file can be opened to read and write
}

var realMachine = machine{
	init:   host.Init,
	buses:  i2creg.All,
	pin:    gpioreg.ByName,
	pins:   gpioreg.All,
	access: tryFile,
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
	return "want one of " + strings.Join(names, ", ") + more
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
