// Package hardware opens the real board through periph: the I2C bus with its input chips, and the
// pins of the contacts.
//
// Everything is named explicitly; nothing is guessed. What cannot be opened is reported with what
// to do, everything at once where possible, and then nothing stays open. Open does not speak to the
// chips: a missing one shows in the readings and is no reason not to start.
//
// Only this package loads the drivers of the machine, when Open is called and not before.
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
	"liftbank/sensors/contact"
)

// Config names what is to be opened.
type Config struct {
	Bus      string               // as in "/dev/i2c-1", or "I2C1"
	SCL, SDA string               // pins of the bus, to clock a chip off it that holds a line; empty: not done
	Chips    []sensors.ChipConfig // in the order of the board's chips
	Contacts []Contact
}

// Contact is one digital input.
type Contact struct {
	Name      string // for messages
	Pin       string // name of the line, as in "GPIO17"
	ActiveLow bool
	Pull      gpio.Pull
	Debounce  time.Duration // 0 means contact.DefaultDebounce
}

// Hardware is an open board.
type Hardware struct {
	Clock *sensors.RealClock
	// Chips are in the order of Config.Chips.
	Chips []sensors.Chip
	// Remarks are drivers that were not loaded and why, for the log. Every machine has some.
	Remarks []string

	bus     *reopening // nil without chips on a bus
	pins    []gpio.PinIn
	watcher *contact.Watcher // nil without contacts
}

// Open opens what cfg names. Run must be running while the contacts are used; call Close at the
// end.
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
	chipsErr := h.openChips(cfg, m)
	if err := errors.Join(chipsErr, h.openContacts(cfg, m)); err != nil {
		return nil, err
	}
	return h, nil
}

// Contacts returns the contacts for sensors.New; nil if there are none.
func (h *Hardware) Contacts() sensors.Contacts {
	if h.watcher == nil {
		return nil
	}
	return h.watcher
}

// Run watches the contacts until ctx ends and returns its error.
func (h *Hardware) Run(ctx context.Context) error {
	if h.watcher == nil {
		<-ctx.Done()
		return ctx.Err()
	}
	return h.watcher.Run(ctx)
}

// Close releases bus and pins. Run must have returned.
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

// release gives a line back if the driver can.
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
	if cfg.Bus == "" && cfg.needsBus() {
		errs = append(errs, errors.New("I2C bus: none: want one named, as in /dev/i2c-1"))
	}
	for i, c := range cfg.Chips {
		addr := c.Address()
		twice := func(other sensors.ChipConfig) bool { return other.Address() == addr }
		if addr != 0 && slices.ContainsFunc(cfg.Chips[:i], twice) {
			err := fmt.Errorf("chips[%d]: address %#x: used twice: want one address for each chip", i, addr)
			errs = append(errs, err)
		}
	}
	for i, c := range cfg.Contacts {
		if c.Pin == "" {
			err := fmt.Errorf("contacts[%d] %s: pin: none: want the name of a line, as in GPIO17", i, c.Name)
			errs = append(errs, err)
			continue
		}
		for _, other := range cfg.Contacts[:i] {
			if other.Pin == c.Pin {
				errs = append(errs, fmt.Errorf("contacts[%d] %s: pin %s: taken by %s: want one pin for each contact",
					i, c.Name, c.Pin, other.Name))
			}
		}
	}
	return errors.Join(errs...)
}

// needsBus reports whether a chip is on the I2C bus.
func (cfg *Config) needsBus() bool {
	return slices.ContainsFunc(cfg.Chips, func(c sensors.ChipConfig) bool { return c.Address() != 0 })
}

// openChips opens the bus, if a chip is on it, and the chips.
func (h *Hardware) openChips(cfg Config, m machine) error {
	if cfg.needsBus() {
		if err := h.openBus(cfg, m); err != nil {
			return err
		}
	}
	for i, c := range cfg.Chips {
		var bus i2c.Bus
		if h.bus != nil {
			bus = h.bus
		}
		chip, err := c.Open(bus, h.Clock)
		if err != nil {
			return fmt.Errorf("chips[%d]: %w", i, err)
		}
		h.Chips = append(h.Chips, chip)
	}
	return nil
}

func (h *Hardware) openBus(cfg Config, m machine) error {
	ref := m.findBus(cfg.Bus)
	if ref == nil {
		return fmt.Errorf("I2C bus %s: not on this machine: %s", cfg.Bus, m.busesInWords())
	}
	// periph reports any failure here as a missing group membership, so try the file first.
	if strings.HasPrefix(ref.Name, "/dev/") {
		if err := m.access(ref.Name); err != nil {
			return fmt.Errorf("I2C bus %s: %w", cfg.Bus, err)
		}
	}
	free, err := freeing(cfg, m)
	if err != nil {
		return err
	}
	bus, err := newReopening(cfg.Bus, ref.Open, free, h.Clock.Now)
	if err != nil {
		return fmt.Errorf("I2C bus %s: open: %w", cfg.Bus, err)
	}
	h.bus = bus
	return nil
}

// freeing returns what clocks a chip off the bus; nil where no pins are named for that.
func freeing(cfg Config, m machine) (func() error, error) {
	if cfg.SCL == "" && cfg.SDA == "" {
		return nil, nil
	}
	scl, sda := m.pin(cfg.SCL), m.pin(cfg.SDA)
	if scl == nil || sda == nil {
		return nil, fmt.Errorf("I2C bus %s: pins %q and %q: not on this machine: %s", cfg.Bus, cfg.SCL, cfg.SDA,
			m.pinsInWords())
	}
	return func() error {
		defer release(scl)
		defer release(sda)
		return freeLine(scl, sda, time.Sleep)
	}, nil
}

// Reopened returns how often the bus was opened again because no transfer succeeded.
func (h *Hardware) Reopened() uint64 {
	if h.bus == nil {
		return 0
	}
	return h.bus.reopens.Load()
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
			err := fmt.Errorf("contact %s: pin %s: not on this machine: %s", c.Name, c.Pin, m.pinsInWords())
			errs = append(errs, err)
			continue
		}
		inputs = append(inputs, contact.Input{
			Name: c.Name, Pin: p, ActiveLow: c.ActiveLow, Pull: c.Pull, Debounce: c.Debounce,
		})
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
