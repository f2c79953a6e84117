package rules

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"liftbank/rules/detect"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
	"liftbank/rules/settings"
	"liftbank/rules/unit"
)

// Config is what the engine must know of a unit.
type Config struct {
	Batteries   []BatteryConfig    // 1 to MaxBatteries, in the order of Input.Battery
	Layout      unit.Layout        // how they are joined
	Balancer    bool               // something brings current to the middles of strings, past the sensors
	HasCommand  bool               // the motor contactor's coil is wired
	Fitted      unit.Fitted        // signals that not every unit has
	NegativeTap [MaxBatteries]bool // the negative post is measured, or is the board's ground
	Classes     unit.Classes       // of the sensors; a zero one is that of unit.DefaultClass
	// Corrections are those that readings come with. What was saved under others is brought to them.
	Corrections  [unit.Channels]unit.Correction
	Chips        unit.Chips   // the input chip that reads each channel; none: not known
	Limits       limit.Values // that were set; the others have their defaults
	OutOfService []string     // names of findings that are not watched on this unit
	WakeLine     bool         // the wake line can wake the board
	WakeTimer    bool         // a timer can
}

// Limits returns every limit that the owner of a unit may set, at its default.
func Limits() []limit.Limit {
	var s settings.Settings
	set := s.Limits()
	if err := limit.Apply(set, nil); err != nil {
		panic("bug: rules: " + err.Error())
	}
	return append(set, detect.Limits()...)
}

// Validate reports everything that is wrong with the configuration.
func (c *Config) Validate() error {
	var errs []error
	if n := len(c.Batteries); n < 1 || n > MaxBatteries {
		errs = append(errs, fmt.Errorf("batteries: %d: want 1 to %d", n, MaxBatteries))
	}
	if err := c.Layout.Check(len(c.Batteries)); err != nil {
		errs = append(errs, err)
	}
	seen := map[string]bool{}
	for i, b := range c.Batteries {
		if b.ID == "" || seen[b.ID] {
			errs = append(errs, fmt.Errorf("batteries[%d]: id %q: want one of its own", i, b.ID))
		}
		seen[b.ID] = true
		if !b.Chemistry.Known() {
			errs = append(errs, fmt.Errorf("batteries[%d]: chemistry %v: want %s", i, b.Chemistry, leadacid.Names()))
		}
		if !(b.RatedAh >= 1 && b.RatedAh <= 400) {
			errs = append(errs, fmt.Errorf("batteries[%d]: rated capacity %g Ah: want 1 to 400", i, b.RatedAh))
		}
		if !(b.RatedCCA >= 10 && b.RatedCCA <= 2000) {
			errs = append(errs, fmt.Errorf("batteries[%d]: rated CCA %g A: want 10 to 2000", i, b.RatedCCA))
		}
	}
	for _, name := range c.OutOfService {
		if detect.Lookup(name) == nil {
			errs = append(errs, fmt.Errorf("out of service: %q: want the name of a finding", name))
		}
	}
	all := Limits()
	for _, path := range slices.Sorted(maps.Keys(c.Limits)) {
		if l := limit.Find(all, path); l == nil {
			errs = append(errs, fmt.Errorf("%s: there is no such limit", path))
		}
	}
	errs = append(errs, limit.Apply(all, c.Limits))
	for _, conflict := range limit.Conflicts(all) {
		errs = append(errs, conflict)
	}
	return errors.Join(errs...)
}
