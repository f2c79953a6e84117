// Package config reads the file that describes one unit: its batteries, the board and its wiring,
// thresholds, and where results go.
//
// The file is YAML, strictly read: an unknown field, a field written twice, a value of another
// type, out of range or in another unit, and fields that contradict each other are errors. All of
// them are reported at once, as [Errors], each with file, line, field, value and what is accepted.
// Anchors, aliases, tags and texts over several lines are refused.
//
// Field names carry their units (rated_ah: 100) and such a field takes a plain number. A time is
// text with its unit: 250ms, 1s, 5m, 24h, 7d. What the file leaves out has the default that
// [Default] gives and [Reference] lists. Nothing here opens a bus, a pin or a broker, or looks at
// whether the files named exist.
package config

import (
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// Config is one unit as configured. One that [Load] or [Parse] returned has passed all checks.
type Config struct {
	Unit         Unit
	Bank         Bank
	Board        Board
	Counter      Counter
	Limits       Limits   // sections motor, feed, findings and service
	OutOfService []string // findings that are not watched
	Power        Power
	Outlets
	HTTP   HTTP
	Store  Store
	Visits Visits
}

// Unit names the lift.
type Unit struct {
	ID    string // a-z, 0-9 and -, 1 to 64 of them; the unit's name in topics, metrics and reports
	Name  string // what people call it; empty: the ID alone
	Place string // where it is at home, for people; empty: the last visit says it
}

// Counter is what an old mechanical counter, or a former board, had when this board began to count.
// Totals that are shown and reported include it; the board's own counts do not.
type Counter struct {
	LiftCycles int
	Runs       int
	MotorTime  time.Duration
	From       string // what had counted it, for people
}

// Bounds of a counter's start: more than any lift does.
const (
	MaxCounted   = 10_000_000
	MaxMotorTime = 100_000 * time.Hour
)

func (c *Counter) read(s *section) {
	for _, n := range []struct {
		name, doc string
		to        *int
	}{{"lift_cycles", "lift cycles", &c.LiftCycles}, {"runs", "motor runs", &c.Runs}} {
		s.whole(n.name, n.to, 0, MaxCounted, "", about{doc: n.doc + " that had been counted when this board began"})
	}
	s.duration("motor_time", &c.MotorTime, 0, MaxMotorTime, about{doc: "motor time that had been counted when this board began"})
	s.text("from", &c.From, textForm, isTitle, about{
		doc: "what had counted it: old counter, former board", usually: "not said",
	})
}

const textForm = "a text of up to 60 characters"

// CheckText refuses a name or place that the file would not take; an empty one is none.
func CheckText(text string) error {
	if text != "" && !isTitle(text) {
		return fmt.Errorf("want %s", textForm)
	}
	return nil
}

// Default gives what a file gets that has the required fields only. Unit, bank and board have none
// of their own, so this alone doesn't describe a unit.
func Default() Config {
	return Config{Board: defaultBoard(), Limits: defaultLimits(), Power: defaultPower(), HTTP: defaultHTTP(), Store: defaultStore(),
		Visits: defaultVisits()}
}

// Load reads the config file at path. The error is [Errors] if the file could be read and is wrong.
func Load(path string) (Config, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return Config{}, fmt.Errorf("read config: %w", err)
	}
	return Parse(path, data)
}

// Parse reads a config from data. file is its name for errors, and its folder is where relative
// names of files in it start from. The error, if any, is [Errors].
//
// Batteries of different kinds in one bank are taken: a unit that was watched before must not go
// unwatched for them. [Check] refuses them.
func Parse(file string, data []byte) (Config, error) { return parse(file, data, false) }

// Check is Parse for who writes a file: it also refuses a bank of different kinds of batteries, unless
// bank.mixed says that it is known.
func Check(file string, data []byte) (Config, error) { return parse(file, data, true) }

func parse(file string, data []byte, refuseMixed bool) (Config, error) {
	c := Default()
	r := open(file, data, "unit, bank, board and so on")
	if r.root(c.read) {
		c.check(r)
		if refuseMixed && !c.Bank.Mixed {
			c.Bank.refuseMixed(r)
		}
	}
	if err := r.failed(); err != nil {
		return Config{}, err
	}
	c.Visits.resolve(filepath.Dir(file))
	c.Outlets.resolve(filepath.Dir(file))
	c.HTTP.resolve(filepath.Dir(file))
	c.Store.resolve(filepath.Dir(file))
	return c, nil
}

// LoadBank reads a bank file from data: a file with the section bank only, as strictly as a config,
// but for any battery from 1 Ah and 10 A. file is its name for errors. The error, if any, is
// [Errors].
func LoadBank(file string, data []byte) (Bank, error) {
	var b Bank
	r := open(file, data, "bank")
	if r.root(func(s *section) {
		s.section("bank", false, aboutBank, func(s *section) { b.read(s, anyRatings) })
	}) {
		b.check(r)
	}
	if err := r.failed(); err != nil {
		return Bank{}, err
	}
	return b, nil
}

func (c *Config) read(s *section) {
	s.section("unit", false, about{doc: "the lift that this board watches", required: true}, c.Unit.read)
	s.section("bank", false, aboutBank, func(s *section) { c.Bank.read(s, liftRatings) })
	s.section("board", false, about{doc: "input chips, what is wired to them, and contacts", required: true}, func(s *section) {
		c.Board.read(s, c.Bank.Layout.Rules().Blocks())
		c.Limits.read(s, "board")
	})
	limits := func(name string) func(*section) { return func(s *section) { c.Limits.read(s, name) } }
	s.section("motor", false, about{doc: "pump motor", usually: "all defaults"}, limits("motor"))
	s.section("feed", false, about{doc: "charger's side", usually: "all defaults"}, limits("feed"))
	s.section("oil", false, about{doc: "hydraulics", usually: "not judged"}, limits("oil"))
	s.section("findings", false, about{doc: "limits of the findings", usually: "all defaults"}, c.readFindings)
	s.section("service", false, about{doc: "intervals of the lift's service, its filter and its oil", usually: "not watched"}, limits("service"))
	s.section("counter", false, about{
		doc:     "what an old mechanical counter, or a former board, had when this board began: totals that are shown include it",
		usually: "nothing",
	}, c.Counter.read)
	s.section("power", false, about{doc: "what the board itself draws, and when it draws less", usually: "all defaults"}, func(s *section) {
		c.Power.read(s)
		c.Limits.read(s, "power")
	})
	c.Outlets.read(s)
	s.section("store", false, about{doc: "what is kept on the card", usually: "all defaults"}, c.Store.read)
	s.section("http", false, about{doc: "page, API and metrics", usually: "all defaults"}, c.HTTP.read)
	s.section("visits", false, about{doc: "record of service visits", usually: "all defaults"}, c.Visits.read)
}

func (u *Unit) read(s *section) {
	s.text("id", &u.ID, idForm, isID,
		about{doc: "name of the unit, unique in the fleet; part of the MQTT topics", required: true})
	s.text("name", &u.Name, textForm, isTitle,
		about{doc: "what people call it, shown beside the ID", usually: "the ID alone"})
	s.text("place", &u.Place, "a place of up to 60 characters", isTitle,
		about{doc: "where the unit is at home, shown on its page", usually: "as the last visit says"})
}

const idForm = "1 to 64 of a-z, 0-9 and -"

// CheckID returns an error unless unit.id takes a name.
func CheckID(name string) error {
	if !isID(name) {
		return fmt.Errorf("unit.id: %q: want %s", name, idForm)
	}
	return nil
}

// isID accepts names that can go into a topic, a file name and a label as they are.
func isID(text string) bool {
	const longest = 64
	if text == "" || len(text) > longest {
		return false
	}
	for _, c := range text {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}
