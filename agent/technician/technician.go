// Package technician keeps what people at the unit have set over its configuration: the ratings of a
// battery that was put in, and what tells it from others. The configuration stays the base; each
// value that differs from it has who set it and when, and holds until somebody changes the
// configuration there.
//
// It is one file, which outlives restarts and power cuts (package safefile).
package technician

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/safefile"
	"liftbank/agent/snapshot"
)

// Schema names the layout of the file. Fields are only ever added within a version.
const Schema = "liftbank.technician.v1"

// Setting is a value that somebody has set.
type Setting struct {
	Value        string    `json:"value"`
	Base         string    `json:"base"` // what the configuration had then
	By           string    `json:"by"`
	At           time.Time `json:"at"`
	ClockTrusted bool      `json:"clock_trusted"`
}

// Entry is one change, as it is kept in the journal.
type Entry struct {
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Path string    `json:"path"`
	Old  string    `json:"old"`
	New  string    `json:"new"`
}

// document is the file.
type document struct {
	Schema    string                       `json:"schema"`
	Settings  map[string]Setting           `json:"settings"`  // by path
	Passports map[string]snapshot.Passport `json:"passports"` // by battery
	Journal   []Entry                      `json:"journal"`   // oldest first
}

// maxJournal is how many changes are kept; more than a unit has in its life. The oldest half goes
// first.
const maxJournal = 1000

// Overlay is the settings of one unit. It is safe for any number of goroutines.
type Overlay struct {
	path string // empty: in memory only
	mu   sync.Mutex
	doc  document
}

// File returns the file of a unit's settings; empty where the unit keeps none.
func File(cfg *config.Config) string {
	if cfg.Visits.Dir == "" {
		return ""
	}
	return filepath.Join(cfg.Visits.Dir, "technician.json")
}

// Open reads the settings; without a file there are none yet. The error wraps safefile.ErrUnreadable
// where the file is there and can't be read now: nothing may be judged by the configuration alone
// then. With any other error the overlay is usable: a damaged file was renamed, and the one before it
// taken, if there was one.
func Open(path string) (*Overlay, error) {
	o := &Overlay{path: path, doc: empty()}
	if path == "" {
		return o, nil
	}
	text, err := safefile.Load(path)
	if errors.Is(err, safefile.ErrUnreadable) {
		return nil, fmt.Errorf("settings made at the unit: %w", err)
	}
	if text == nil {
		return o, err
	}
	doc := empty()
	if bad := json.Unmarshal(text, &doc); bad != nil || doc.Schema != Schema {
		to, aside := safefile.SetAside(path)
		return o, errors.Join(err, aside, fmt.Errorf(
			"settings made at the unit: %s: schema %q: want %s: renamed to %s", path, doc.Schema, Schema, to))
	}
	if doc.Settings == nil {
		doc.Settings = map[string]Setting{}
	}
	if doc.Passports == nil {
		doc.Passports = map[string]snapshot.Passport{}
	}
	o.doc = doc
	return o, err
}

// Look reads the settings for somebody who only looks: it changes nothing on the disk.
func Look(path string) (*Overlay, error) {
	o := &Overlay{doc: empty()}
	text, err := safefile.Look(path)
	if text == nil {
		return o, err
	}
	doc := empty()
	if bad := json.Unmarshal(text, &doc); bad != nil || doc.Schema != Schema {
		return o, errors.Join(err, fmt.Errorf("%s: schema %q: want %s", path, doc.Schema, Schema))
	}
	o.doc = doc
	return o, err
}

func empty() document {
	return document{
		Schema: Schema, Settings: map[string]Setting{}, Passports: map[string]snapshot.Passport{}, Journal: []Entry{},
	}
}

// Origins of an effective value.
const (
	FromConfiguration = "configuration"
	FromTechnician    = "technician"
)

// Effective is the value of a setting that holds, and where it comes from.
type Effective struct {
	Path   string    `json:"path"`
	Value  string    `json:"value"`
	Unit   string    `json:"unit,omitempty"`
	Origin string    `json:"origin"`         // configuration or technician
	Base   string    `json:"base,omitempty"` // what the configuration has, where that does not hold
	By     string    `json:"by,omitempty"`
	At     time.Time `json:"at,omitzero"`
	// Unused is why a value that was set does not hold; empty: it does, or none was set.
	Unused string `json:"unused,omitempty"`
}

// Apply returns a configuration with what was set over it, and all settings that can be made with
// their effective values. The configuration that it is given stays as it is.
func (o *Overlay) Apply(cfg config.Config) (config.Config, []Effective) {
	o.mu.Lock()
	defer o.mu.Unlock()
	base := cfg
	cfg.Bank.Batteries = slices.Clone(cfg.Bank.Batteries)
	var all []Effective
	known := map[string]bool{}
	for _, f := range fields(&base) {
		e := Effective{Path: f.path, Value: f.get(&base), Unit: f.unit, Origin: FromConfiguration}
		known[f.path] = true
		if s, set := o.doc.Settings[f.path]; set {
			switch err := f.set(&cfg, s.Value); {
			case s.Base != e.Value:
				e.Unused = fmt.Sprintf("%s, set by %s: the configuration has changed since, from %s", s.Value, s.By, s.Base)
				_ = f.set(&cfg, e.Value) // what it had is in range
			case err != nil:
				e.Unused = fmt.Sprintf("%s, set by %s: %v", s.Value, s.By, err)
			default:
				e.Base, e.Value, e.Origin, e.By, e.At = e.Value, s.Value, FromTechnician, s.By, s.At
			}
		}
		all = append(all, e)
	}
	for _, path := range slices.Sorted(maps.Keys(o.doc.Settings)) {
		if s := o.doc.Settings[path]; !known[path] {
			all = append(all, Effective{
				Path: path, Value: s.Value, Origin: FromTechnician, By: s.By, At: s.At, Unused: "this unit has no such setting",
			})
		}
	}
	return cfg, all
}

// Passport returns what is known of a battery, nil for nothing.
func (o *Overlay) Passport(battery string) *snapshot.Passport {
	o.mu.Lock()
	defer o.mu.Unlock()
	p, ok := o.doc.Passports[battery]
	if !ok || p == (snapshot.Passport{}) {
		return nil
	}
	return &p
}

// Journal returns all changes, oldest first.
func (o *Overlay) Journal() []Entry {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.doc.Journal)
}

// Change is what somebody sets at once: all of it, or nothing.
type Change struct {
	Values       map[string]string            // by path; one equal to the configuration's ends the setting
	Passports    map[string]snapshot.Passport // by battery
	By           string
	At           time.Time
	ClockTrusted bool
}

// Set makes a change over the configuration base. Once it has returned nil, the change outlives a
// power cut; after an error nothing has changed.
func (o *Overlay) Set(base *config.Config, c Change) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	next := o.doc
	next.Settings, next.Passports = maps.Clone(o.doc.Settings), maps.Clone(o.doc.Passports)
	next.Journal = slices.Clone(o.doc.Journal)
	if len(next.Journal) > maxJournal {
		next.Journal = slices.Delete(next.Journal, 0, maxJournal/2)
	}
	note := func(path, old, now string) {
		if old != now {
			next.Journal = append(next.Journal, Entry{At: c.At.UTC(), By: c.By, Path: path, Old: old, New: now})
		}
	}
	trial := *base
	trial.Bank.Batteries = slices.Clone(base.Bank.Batteries)
	all := fields(base)
	for _, path := range slices.Sorted(maps.Keys(c.Values)) {
		i := slices.IndexFunc(all, func(f field) bool { return f.path == path })
		if i < 0 {
			return fmt.Errorf("setting %s: want one of this unit's settings", path)
		}
		f, value := all[i], c.Values[path]
		if err := f.set(&trial, value); err != nil {
			return fmt.Errorf("setting %s: %w", path, err)
		}
		value = f.get(&trial) // as it is always written
		old, has := f.get(base), next.Settings[path]
		if has.Value != "" && has.Base == old {
			old = has.Value
		}
		note(path, old, value)
		if value == f.get(base) {
			delete(next.Settings, path)
			continue
		}
		next.Settings[path] = Setting{
			Value: value, Base: f.get(base), By: c.By, At: c.At.UTC(), ClockTrusted: c.ClockTrusted,
		}
	}
	for _, id := range slices.Sorted(maps.Keys(c.Passports)) {
		old, err := json.Marshal(next.Passports[id])
		now, err2 := json.Marshal(c.Passports[id])
		if err = errors.Join(err, err2); err != nil {
			return fmt.Errorf("passport of battery %s: %w", id, err)
		}
		note("passport."+id, string(old), string(now))
		next.Passports[id] = c.Passports[id]
	}
	if o.path != "" {
		text, err := json.Marshal(next)
		if err != nil {
			return fmt.Errorf("settings made at the unit: %w", err)
		}
		if err := safefile.MakeDir(filepath.Dir(o.path), 0o750); err != nil {
			return fmt.Errorf("settings made at the unit: %w", err)
		}
		if err := safefile.Save(o.path, text); err != nil {
			return fmt.Errorf("settings made at the unit: %w", err)
		}
	}
	o.doc = next
	return nil
}

// field is one value of a configuration that can be set at the unit.
type field struct {
	path, unit string
	get        func(*config.Config) string
	set        func(*config.Config, string) error // it refuses what is out of range, and changes nothing then
}

// Paths of a battery's ratings.
const (
	Chemistry = "chemistry"
	RatedAh   = "rated_ah"
	RatedCCA  = "rated_cca"
)

// BatteryPath returns the path of a rating of a battery.
func BatteryPath(battery, rating string) string { return "bank.batteries." + battery + "." + rating }

// fields returns what can be set on a unit, in a fixed order. A further setting is a line here.
func fields(cfg *config.Config) (all []field) {
	for i := range cfg.Bank.Batteries {
		of := func(c *config.Config) *config.Battery { return &c.Bank.Batteries[i] }
		rating := func(what, unit string, value func(*config.Battery) *float64) field {
			return field{
				path: BatteryPath(cfg.Bank.Batteries[i].ID, what), unit: unit,
				get: func(c *config.Config) string { return strconv.FormatFloat(*value(of(c)), 'f', -1, 64) },
				set: func(c *config.Config, text string) error {
					x, err := strconv.ParseFloat(text, 64)
					if err != nil {
						return fmt.Errorf("%q: want a number", text)
					}
					b := *of(c)
					*value(&b) = x
					return put(of(c), b)
				},
			}
		}
		all = append(all, field{
			path: BatteryPath(cfg.Bank.Batteries[i].ID, Chemistry),
			get:  func(c *config.Config) string { return string(of(c).Chemistry) },
			set: func(c *config.Config, text string) error {
				b := *of(c)
				b.Chemistry = config.Chemistry(text)
				return put(of(c), b)
			},
		}, rating(RatedAh, "Ah", func(b *config.Battery) *float64 { return &b.RatedAh }),
			rating(RatedCCA, "A", func(b *config.Battery) *float64 { return &b.RatedCCA }))
	}
	return all
}

// put replaces a battery's ratings by such as a lift can have.
func put(to *config.Battery, b config.Battery) error {
	if err := b.Check(); err != nil {
		return err
	}
	*to = b
	return nil
}
