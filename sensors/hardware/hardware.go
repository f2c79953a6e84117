// Package hardware opens the real board through periph: the I2C bus with its converters, and the pins of the contacts.
//
// Everything is named explicitly; nothing is guessed. What cannot be opened is reported in words that say what to do, all
// of it at once where possible, and nothing stays open then. Open does not speak to the chips: one that is
// missing is for the readings to show, not a reason not to start.
//
// Only this package reaches for the drivers of the machine; they are looked for when Open is called and not before.
package hardware

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/contact"
)

// Config names what is to be opened.
type Config struct {
	Bus      string   // as in "/dev/i2c-1", or "I2C1"
	Chips    []uint16 // addresses of the converters, 0x48 to 0x4B, in the order of the board's chips
	Contacts []Contact
}

// Contact is one digital input.
type Contact struct {
	Name      string // for messages
	Pin       string // name of the line, as in "GPIO17"
	ActiveLow bool
	Pull      gpio.Pull
	Debounce  time.Duration // 0 stands for contact.DefaultDebounce
}

// Hardware is an open board.
type Hardware struct {
	Clock *sensors.RealClock
	// Converters are in the order of Config.Chips.
	Converters []sensors.Converter
	// Remarks are drivers that were not loaded and why, for the log. On any machine there are some.
	Remarks []string

	bus     i2c.BusCloser
	pins    []gpio.PinIn
	watcher *contact.Watcher // nil without contacts
}

// Open opens what cfg names. Run is to be running while the contacts are used, and Close to be called at the end.
func Open(cfg Config) (*Hardware, error) { return open(cfg, realMachine) }

func open(cfg Config, m machine) (_ *Hardware, err error) {
	if err := cfg.validate(); err != nil {
		return nil, err
	}
	state, err := m.init()
	if err != nil {
		return nil, fmt.Errorf("hardware: load drivers: %w", err)
	}
	h := &Hardware{Clock: sensors.NewRealClock()}
	for _, f := range slices.Concat(state.Skipped, state.Failed) {
		h.Remarks = append(h.Remarks, f.String())
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, h.Close())
		}
	}()
	busErr := h.openBus(cfg, m)
	if err := errors.Join(busErr, h.openContacts(cfg, m)); err != nil {
		return nil, err
	}
	return h, nil
}

// Contacts gives the contacts for sensors.New; nil when there are none.
func (h *Hardware) Contacts() sensors.Contacts {
	if h.watcher == nil {
		return nil
	}
	return h.watcher
}

// Run watches the contacts until ctx ends and gives its error.
func (h *Hardware) Run(ctx context.Context) error {
	if h.watcher == nil {
		<-ctx.Done()
		return ctx.Err()
	}
	return h.watcher.Run(ctx)
}

// Close lets go of bus and pins. Run must have returned.
func (h *Hardware) Close() error {
	for _, p := range h.pins {
		release(p)
	}
	h.pins = nil
	if h.bus == nil {
		return nil
	}
	bus := h.bus
	h.bus = nil
	if err := bus.Close(); err != nil {
		return fmt.Errorf("close I2C bus %s: %w", bus, err)
	}
	return nil
}

// release gives a line back, where the driver can.
func release(p gpio.PinIn) {
	_ = p.Halt()
	if alias, ok := p.(gpio.RealPin); ok {
		p = alias.Real()
	}
	if line, ok := p.(interface{ Close() }); ok {
		line.Close()
	}
}

func (cfg *Config) validate() error {
	var errs []error
	if cfg.Bus == "" {
		errs = append(errs, errors.New("I2C bus: none: want one named, as in /dev/i2c-1"))
	}
	for i, addr := range cfg.Chips {
		if addr < 0x48 || addr > 0x4B {
			errs = append(errs, fmt.Errorf("chips[%d]: address %#x: want 0x48 to 0x4b", i, addr))
		}
		if slices.Contains(cfg.Chips[:i], addr) {
			errs = append(errs, fmt.Errorf("chips[%d]: address %#x: used twice: want one address for each chip", i, addr))
		}
	}
	for i, c := range cfg.Contacts {
		if c.Pin == "" {
			errs = append(errs, fmt.Errorf("contacts[%d] %s: pin: none: want the name of a line, as in GPIO17", i, c.Name))
			continue
		}
		for _, other := range cfg.Contacts[:i] {
			if other.Pin == c.Pin {
				errs = append(errs, fmt.Errorf("contacts[%d] %s: pin %s: taken by %s: want one pin for each contact", i, c.Name, c.Pin, other.Name))
			}
		}
	}
	return errors.Join(errs...)
}

func (h *Hardware) openBus(cfg Config, m machine) error {
	ref := m.findBus(cfg.Bus)
	if ref == nil {
		return fmt.Errorf("I2C bus %s: not on this machine: %s", cfg.Bus, m.busesInWords())
	}
	// periph takes any failure here for a missing group membership, so the file is tried first.
	if strings.HasPrefix(ref.Name, "/dev/") {
		if err := m.access(ref.Name); err != nil {
			return fmt.Errorf("I2C bus %s: %w", cfg.Bus, err)
		}
	}
	bus, err := ref.Open()
	if err != nil {
		return fmt.Errorf("I2C bus %s: open: %w", cfg.Bus, err)
	}
	h.bus = bus
	for _, addr := range cfg.Chips {
		h.Converters = append(h.Converters, ads1115.New(bus, addr, h.Clock))
	}
	return nil
}

func (h *Hardware) openContacts(cfg Config, m machine) error {
	if len(cfg.Contacts) == 0 {
		return nil
	}
	var errs []error
	var inputs []contact.Input
	for _, c := range cfg.Contacts {
		p := m.pin(c.Pin)
		if p == nil {
			errs = append(errs, fmt.Errorf("contact %s: pin %s: not on this machine: %s", c.Name, c.Pin, m.pinsInWords()))
			continue
		}
		inputs = append(inputs, contact.Input{Name: c.Name, Pin: p, ActiveLow: c.ActiveLow, Pull: c.Pull, Debounce: c.Debounce})
	}
	if err := errors.Join(errs...); err != nil {
		return err
	}
	for _, in := range inputs {
		h.pins = append(h.pins, in.Pin)
	}
	w, err := contact.New(inputs, h.Clock)
	if err != nil {
		return err
	}
	h.watcher = w
	h.Clock.Listen(w.Wake())
	return nil
}
