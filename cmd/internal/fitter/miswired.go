package fitter

import (
	"fmt"
	"slices"
	"strconv"

	"liftbank/agent/config"
	"liftbank/agent/fit"
)

// Miswiring is something that a configuration says otherwise than the board is wired. It is the same
// whether the wire or the configuration is wrong.
type Miswiring struct {
	Name string
	Says string // in a sentence
	// Of returns what the configuration says wrongly; nil where this board can't have it.
	Of func(cfg *config.Config) []fit.Change
}

// Miswirings are those that fit has to find.
var Miswirings = []Miswiring{
	{"swapped-taps", "the taps of two batteries are swapped", swapped(config.BatteryVoltage)},
	{"swapped-clamps", "the current sensors of two batteries are swapped", swapped(config.BatteryCurrent)},
	{"swapped-thermistors", "the thermistors of two batteries are swapped", swapped(config.BatteryTemperature)},
	{"reversed-clamp", "a current sensor sits the wrong way round", func(cfg *config.Config) []fit.Change {
		return scaled(cfg, config.BatteryCurrent, map[config.ScaleKind]string{config.Hall: "scale.v_per_a", config.Shunt: "scale.gain"}, -1)
	}},
	{"half-scale-clamp", "a current sensor shows half", func(cfg *config.Config) []fit.Change {
		return scaled(cfg, config.BatteryCurrent, map[config.ScaleKind]string{config.Hall: "scale.v_per_a", config.Shunt: "scale.shunt_ohm"}, 2)
	}},
	{"wrong-divider", "a battery's divider has other resistors", func(cfg *config.Config) []fit.Change {
		return field(cfg, config.BatteryVoltage, "scale.top_ohm", func(s *config.Scale) (float64, float64) {
			if s.TopOhm == 0 {
				return 0, 0.47 * s.BottomOhm
			}
			return s.TopOhm, 0.68 * s.TopOhm
		})
	}},
	{"wrong-thermistor", "a thermistor has another resistance", func(cfg *config.Config) []fit.Change {
		return field(cfg, config.BatteryTemperature, "scale.r25_ohm", func(s *config.Scale) (float64, float64) { return s.R25Ohm, s.R25Ohm / 2 })
	}},
	{"inverted-disconnect", "the disconnect's contact is on at the other level", func(cfg *config.Config) []fit.Change {
		return inverted(cfg, config.Disconnect)
	}},
	{"inverted-coil", "the contactor coil's contact is on at the other level", func(cfg *config.Config) []fit.Change {
		return inverted(cfg, config.MotorCommand)
	}},
	{"swapped-pins", "the pins of wake line and disconnect are swapped", func(cfg *config.Config) []fit.Change {
		a, b := contact(cfg, config.WakeLine), contact(cfg, config.Disconnect)
		if a < 0 || b < 0 {
			return nil
		}
		return []fit.Change{
			{List: "contacts", Index: a, Field: "signal", From: string(config.WakeLine), To: string(config.Disconnect)},
			{List: "contacts", Index: b, Field: "signal", From: string(config.Disconnect), To: string(config.WakeLine)},
		}
	}},
}

// Named returns a mis-wiring by its name.
func Named(name string) (Miswiring, error) {
	i := slices.IndexFunc(Miswirings, func(m Miswiring) bool { return m.Name == name })
	if i < 0 {
		return Miswiring{}, fmt.Errorf("mis-wiring %q: not known", name)
	}
	return Miswirings[i], nil
}

// of returns the channels of a signal.
func of(cfg *config.Config, s config.Signal) (all []int) {
	for i := range cfg.Board.Channels {
		if cfg.Board.Channels[i].Signal == s {
			all = append(all, i)
		}
	}
	return all
}

func contact(cfg *config.Config, s config.ContactSignal) int {
	return slices.IndexFunc(cfg.Board.Contacts, func(c config.Contact) bool { return c.Signal == s })
}

func swapped(s config.Signal) func(*config.Config) []fit.Change {
	return func(cfg *config.Config) []fit.Change {
		all := of(cfg, s)
		if len(all) < 2 {
			return nil
		}
		a, b := all[0], all[len(all)-1]
		x, y := cfg.Board.Channels[a].Battery, cfg.Board.Channels[b].Battery
		return []fit.Change{
			{List: "channels", Index: a, Field: "battery", From: x, To: y}, {List: "channels", Index: b, Field: "battery", From: y, To: x},
		}
	}
}

func field(cfg *config.Config, s config.Signal, name string, values func(*config.Scale) (from, to float64)) []fit.Change {
	all := of(cfg, s)
	if len(all) == 0 {
		return nil
	}
	i := all[len(all)-1]
	from, to := values(&cfg.Board.Channels[i].Scale)
	return []fit.Change{{List: "channels", Index: i, Field: name, From: number(from), To: number(to)}}
}

func scaled(cfg *config.Config, s config.Signal, by map[config.ScaleKind]string, times float64) []fit.Change {
	all := of(cfg, s)
	i := all[len(all)-1]
	sc := &cfg.Board.Channels[i].Scale
	was := map[string]float64{"scale.v_per_a": sc.VPerA, "scale.gain": sc.Gain, "scale.shunt_ohm": sc.ShuntOhm}[by[sc.Kind]]
	return []fit.Change{{List: "channels", Index: i, Field: by[sc.Kind], From: number(was), To: number(times * was)}}
}

func inverted(cfg *config.Config, s config.ContactSignal) []fit.Change {
	i := contact(cfg, s)
	if i < 0 {
		return nil
	}
	from, to := "high", "low"
	if cfg.Board.Contacts[i].ActiveLow {
		from, to = to, from
	}
	return []fit.Change{{List: "contacts", Index: i, Field: "active", From: from, To: to}}
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
