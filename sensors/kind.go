package sensors

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/i2c"
)

// Kind declares one kind of input chip for the configuration.
type Kind struct {
	Name string // as in the file: "ads1115"
	Doc  string // a sentence or two for the reference
	// Example is the chips and the channels of a board, as in the file, with this kind at a battery's
	// voltage and current.
	Example string
	// New returns a chip of this kind with its default settings.
	New func() ChipConfig
}

// ChipConfig is one chip as configured.
type ChipConfig interface {
	// Settings returns the chip's own fields in the configuration. They set this chip.
	Settings() []Setting
	// NewInput returns an input of this chip with its default settings.
	NewInput() Input
	// Address returns the chip's address on the I2C bus, or 0 for a chip that is not on it.
	Address() uint16
	// Open returns the driver. It does not speak to the chip: one that is missing shows in the
	// readings. bus is nil if no chip of the board has an address.
	Open(bus i2c.Bus, clock Clock) (Chip, error)
}

// Setting is one field of the configuration: what it accepts, its default, and where it goes. The
// reader of the configuration and its reference are made from it.
type Setting struct {
	Name     string   // of the field, with its unit as suffix
	Doc      string   // what it is for
	Choices  []string // all that is accepted, as the file has it; nil where Accepts says it in words
	Accepts  string
	Number   bool   // a plain number; Set gets it as decimal digits
	Unit     string // of the number
	Required bool
	Default  string
	// Set stores a value and reports whether it is accepted.
	Set func(text string) bool
}

// Choice returns a setting that accepts one of choices, each written as its String without the
// unit. They are numbers if the first one is. The default is what to points at.
func Choice[T fmt.Stringer](name string, to *T, choices []T, unit, doc string) Setting {
	text := func(t T) string { return strings.TrimSpace(strings.TrimSuffix(t.String(), unit)) }
	s := Setting{Name: name, Doc: doc, Unit: unit, Default: text(*to)}
	for _, c := range choices {
		s.Choices = append(s.Choices, text(c))
	}
	_, err := strconv.ParseFloat(s.Choices[0], 64)
	s.Number = err == nil
	s.Set = func(text string) bool {
		i := slices.Index(s.Choices, text)
		if i >= 0 {
			*to = choices[i]
		}
		return i >= 0
	}
	return s
}

// Address returns the required setting "address" of a chip that can be at low to high on the bus.
func Address(to *uint16, low, high uint16, doc string) Setting {
	s := Setting{Name: "address", Doc: doc, Number: true, Required: true}
	switch {
	case high-low <= 3:
		for a := low; a <= high; a++ {
			s.Choices = append(s.Choices, fmt.Sprintf("0x%02x", a))
		}
	default:
		s.Accepts = fmt.Sprintf("0x%02x to 0x%02x", low, high)
	}
	s.Set = func(text string) bool {
		a, err := strconv.ParseUint(text, 10, 16)
		if err != nil || uint16(a) < low || uint16(a) > high {
			return false
		}
		*to = uint16(a)
		return true
	}
	return s
}
