package technician

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/visit"
	"liftbank/rules/detect"
	"liftbank/rules/limit"
	"liftbank/rules/view"
)

// field is one value of a configuration that can be set at the unit.
type field struct {
	path, unit string
	get        func(*config.Config) string        // nil: it is the place in the passport of battery
	set        func(*config.Config, string) error // it refuses what is out of range, and changes nothing then
	battery    string
	accepts    Accepts // none: it is set elsewhere, and only shown in the list
}

// Accepts is what a setting takes, for those who offer it.
type Accepts struct {
	Group   Group    `json:"group,omitempty"`
	Kind    Kind     `json:"kind,omitempty"`
	Min     float64  `json:"min,omitempty"` // of a number, ends included
	Max     float64  `json:"max,omitempty"` // of a number; of a text, its characters
	Choices []string `json:"choices,omitempty"`
	Battery string   `json:"battery,omitempty"`
}

// Group is what a setting belongs to.
type Group string

// Groups, in the order in which they are shown; a setting without one comes last.
const (
	Names   Group = "names"
	Ratings Group = "ratings"
	Service Group = "service"
	Counter Group = "counter"
)

// Groups are all of them.
var Groups = []Group{Names, Ratings, Service, Counter, ""}

// Kind is how a setting is written.
type Kind string

// Kinds.
const (
	Number Kind = "number"
	Whole  Kind = "whole number"
	Text   Kind = "text"
	Choice Kind = "choice"
)

// Paths of a battery's ratings, and of where it is.
const (
	Chemistry = "chemistry"
	RatedAh   = "rated_ah"
	RatedCCA  = "rated_cca"
	Place     = "place"
)

// BatteryPath returns the path of a rating of a battery.
func BatteryPath(battery, rating string) string { return "bank.batteries." + battery + "." + rating }

// RatingOf returns which rating of which battery a path is; ok is false for another setting.
func RatingOf(path string) (battery, rating string, ok bool) {
	rest, ok := strings.CutPrefix(path, "bank.batteries.")
	if !ok {
		return "", "", false
	}
	battery, rating, ok = strings.Cut(rest, ".")
	return battery, rating, ok && slices.Contains([]string{Chemistry, RatedAh, RatedCCA}, rating)
}

const textLimit = 60 // characters of a name or a place, as in the file

// fields returns what can be set on a unit, in a fixed order. A further setting is a line here.
func fields(cfg *config.Config) (all []field) {
	all = append(all,
		text("unit.name", Names, func(c *config.Config) *string { return &c.Unit.Name }),
		text("unit.place", Names, func(c *config.Config) *string { return &c.Unit.Place }))
	for i := range cfg.Bank.Batteries {
		id := cfg.Bank.Batteries[i].ID
		of := func(c *config.Config) *config.Battery { return &c.Bank.Batteries[i] }
		rating := func(what, unit string, low, high float64, value func(*config.Battery) *float64) field {
			return field{
				path: BatteryPath(id, what), unit: unit,
				accepts: Accepts{Group: Ratings, Kind: Number, Min: low, Max: high, Battery: id},
				get:     func(c *config.Config) string { return plain(*value(of(c))) },
				set: func(c *config.Config, text string) error {
					x, err := number(text)
					if err != nil {
						return err
					}
					b := *of(c)
					*value(&b) = x
					return put(of(c), b)
				},
			}
		}
		ah, cca := config.RatedSpans()
		all = append(all, field{
			path:    BatteryPath(id, Chemistry),
			accepts: Accepts{Group: Ratings, Kind: Choice, Choices: visit.Chemistries, Battery: id},
			get:     func(c *config.Config) string { return string(of(c).Chemistry) },
			set: func(c *config.Config, text string) error {
				b := *of(c)
				b.Chemistry = config.Chemistry(text)
				return put(of(c), b)
			},
		}, rating(RatedAh, "Ah", ah[0], ah[1], func(b *config.Battery) *float64 { return &b.RatedAh }),
			rating(RatedCCA, "A", cca[0], cca[1], func(b *config.Battery) *float64 { return &b.RatedCCA }),
			field{
				path: BatteryPath(id, Place), battery: id,
				accepts: Accepts{Group: Names, Kind: Text, Max: textLimit, Battery: id},
			})
	}
	for k := range view.ServiceKinds {
		all = append(all, interval(k, detect.ByCycles, "", 1), interval(k, detect.ByMotorTime, "h", time.Hour.Seconds()),
			interval(k, detect.ByDays, "d", 24*time.Hour.Seconds()))
	}
	all = append(all,
		counted("counter.lift_cycles", func(c *config.Config) *int { return &c.Counter.LiftCycles }),
		counted("counter.runs", func(c *config.Config) *int { return &c.Counter.Runs }),
		field{
			path: "counter.motor_time", unit: "h",
			accepts: Accepts{Group: Counter, Kind: Number, Max: config.MaxMotorTime.Hours()},
			get:     func(c *config.Config) string { return plain(c.Counter.MotorTime.Hours()) },
			set: func(c *config.Config, text string) error {
				h, err := number(text)
				if err != nil || !(h >= 0 && h <= config.MaxMotorTime.Hours()) {
					return fmt.Errorf("%q: want 0 to %g h", text, config.MaxMotorTime.Hours())
				}
				c.Counter.MotorTime = time.Duration(h * float64(time.Hour)).Round(time.Second)
				return nil
			},
		},
		text("counter.from", Counter, func(c *config.Config) *string { return &c.Counter.From }))
	return append(all, corrections(cfg)...)
}

// Parts of a channel's correction.
const (
	Offset = "offset"
	Gain   = "gain"
)

// ChannelPath returns the path of a part of a channel's correction.
func ChannelPath(channel, part string) string {
	return "board.channels." + channel + ".calibration." + part
}

// CorrectionOf returns which part of which channel's correction a path is; ok is false for another setting.
func CorrectionOf(path string) (channel, part string, ok bool) {
	rest, ok := strings.CutPrefix(path, "board.channels.")
	if !ok {
		return "", "", false
	}
	channel, part, ok = strings.Cut(rest, ".calibration.")
	return channel, part, ok && (part == Offset || part == Gain)
}

// corrections are those of the channels.
func corrections(cfg *config.Config) (all []field) {
	for i := range cfg.Board.Channels {
		ch := &cfg.Board.Channels[i]
		part := func(name, unit string, value func(*config.Calibration) *float64) field {
			return field{
				path: ChannelPath(ch.Name(), name), unit: unit,
				get: func(c *config.Config) string {
					return plain(*value(&c.Board.Channels[i].Calibration))
				},
				set: func(c *config.Config, text string) error {
					x, err := number(text)
					if err != nil {
						return err
					}
					next := c.Board.Channels[i].Calibration
					*value(&next) = x
					if err := next.Check(ch.Signal); err != nil {
						return err
					}
					c.Board.Channels[i].Calibration = next
					return nil
				},
			}
		}
		all = append(all, part(Offset, ch.Unit(), func(c *config.Calibration) *float64 { return &c.Offset }),
			part(Gain, "", func(c *config.Calibration) *float64 { return &c.Gain }))
	}
	return all
}

func text(path string, group Group, of func(*config.Config) *string) field {
	return field{
		path: path, accepts: Accepts{Group: group, Kind: Text, Max: textLimit},
		get: func(c *config.Config) string { return *of(c) },
		set: func(c *config.Config, value string) error {
			clean, err := line(value)
			if err == nil {
				*of(c) = clean
			}
			return err
		},
	}
}

// line returns a text as it is kept: one line, without what can't be seen.
func line(value string) (string, error) {
	clean := visit.Tidy(value, false)
	return clean, config.CheckText(clean)
}

func counted(path string, of func(*config.Config) *int) field {
	return field{
		path: path, accepts: Accepts{Group: Counter, Kind: Whole, Max: config.MaxCounted},
		get: func(c *config.Config) string { return strconv.Itoa(*of(c)) },
		set: func(c *config.Config, text string) error {
			n, err := strconv.Atoi(text)
			if err != nil || n < 0 || n > config.MaxCounted {
				return fmt.Errorf("%q: want a whole number from 0 to %d", text, config.MaxCounted)
			}
			*of(c) = n
			return nil
		},
	}
}

// interval is an interval of service, in a unit of so many seconds; of a count it is 1.
func interval(k view.ServiceKind, by, unit string, seconds float64) field {
	path, kind := detect.IntervalPath(k, by), Whole
	_, high := limit.Find(detect.Declare(&detect.ServiceDue), path).Range()
	if unit == "h" {
		kind = Number
	}
	return field{
		path: path, unit: unit, accepts: Accepts{Group: Service, Kind: kind, Max: high / seconds},
		get: func(c *config.Config) string {
			l := c.Limits.Limit(path)
			if l == nil { // no file has been read
				return "0"
			}
			return plain(l.Value() / seconds)
		},
		set: func(c *config.Config, text string) error {
			x, err := number(text)
			if err == nil && !(x >= 0 && x <= high/seconds) || kind == Whole && x != float64(int64(x)) {
				err = errors.New("out of range")
			}
			if err != nil {
				return fmt.Errorf("%q: want %s from 0 to %s", text, strings.TrimSpace("a "+string(kind)), strings.TrimSpace(plain(high/seconds)+" "+unit))
			}
			next, err := c.Limits.With(path, x*seconds)
			if err == nil {
				c.Limits = next
			}
			return err
		},
	}
}

// IsInterval reports whether a setting is an interval of service.
func IsInterval(path string) bool { return strings.HasPrefix(path, "service.") }

func plain(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func number(text string) (float64, error) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, fmt.Errorf("%q: want a number", text)
	}
	return x, nil
}

// put replaces a battery's ratings by such as a lift can have.
func put(to *config.Battery, b config.Battery) error {
	if err := b.Check(); err != nil {
		return err
	}
	*to = b
	return nil
}
