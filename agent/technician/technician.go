// Package technician keeps what people at the unit have set over its configuration: ratings of
// batteries and what tells one from another, intervals of service, the counter's start, names and
// places. The configuration stays the base; each value that differs from it has who set it and when,
// and holds until somebody changes the configuration there.
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
	"sync"
	"time"

	"liftbank/agent/calibrate"
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
	Seq    int       `json:"seq,omitempty"` // counts changes from 1
	At     time.Time `json:"at"`
	By     string    `json:"by"`
	Path   string    `json:"path"`
	Old    string    `json:"old"`
	New    string    `json:"new"`
	ID     string    `json:"id,omitempty"`     // of the form it came with, so that a form sent twice changes once
	Undoes int       `json:"undoes,omitempty"` // number of the change that this one took back
	// ClockTrusted is whether At is of a clock that was set.
	ClockTrusted bool `json:"clock_trusted,omitempty"`
}

// document is the file.
type document struct {
	Schema    string                       `json:"schema"`
	Settings  map[string]Setting           `json:"settings"`  // by path
	Passports map[string]snapshot.Passport `json:"passports"` // by battery
	Journal   []Entry                      `json:"journal"`   // oldest first
	// Calibrations are the last one of each channel, by its name.
	Calibrations map[string]calibrate.Record `json:"calibrations,omitempty"`
	// Pins are what each channel's correction was measured at, by its name then.
	Pins map[string]Pin `json:"pins,omitempty"`
}

// maxJournal is how many changes are kept; more than a unit has in its life. The oldest half goes
// first.
const maxJournal = 1000

// Overlay is the settings of one unit. It is safe for any number of goroutines.
type Overlay struct {
	path string // empty: in memory only
	mu   sync.Mutex
	doc  document
	// dropped are the channels whose correction does not hold any more; see Settle.
	dropped map[string]bool
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
	doc.number()
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
	doc.number()
	o.doc = doc
	return o, err
}

// number gives changes of an older file their numbers.
func (d *document) number() {
	last := 0
	for i := range d.Journal {
		e := &d.Journal[i]
		if e.Seq <= last {
			e.Seq = last + 1
		}
		last = e.Seq
	}
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
	// Fixed is that it can't be changed in the list of settings: something else sets it.
	Fixed bool `json:"fixed,omitempty"`
	Accepts
}

// Neutral reports whether it is a part of a channel's correction that changes nothing, as configured.
func (e *Effective) Neutral() bool {
	_, part, is := CorrectionOf(e.Path)
	return is && e.Origin == FromConfiguration && e.Unused == "" && e.Value == map[string]string{Offset: "0", Gain: "1"}[part]
}

// Apply returns a configuration with what was set over it, and all settings that can be made with
// their effective values. The configuration that it is given stays as it is.
func (o *Overlay) Apply(cfg config.Config) (config.Config, []Effective) {
	o.mu.Lock()
	defer o.mu.Unlock()
	base := cfg
	cfg.Bank.Batteries, cfg.Board.Channels = slices.Clone(cfg.Bank.Batteries), slices.Clone(cfg.Board.Channels)
	var all []Effective
	known := map[string]bool{}
	for _, f := range fields(&base) {
		e := Effective{Path: f.path, Unit: f.unit, Origin: FromConfiguration, Accepts: f.accepts, Fixed: f.accepts.Kind == ""}
		known[f.path] = true
		if f.get == nil {
			o.doc.place(&f, &e)
			all = append(all, e)
			continue
		}
		e.Value = f.get(&base)
		if s, set := o.doc.Settings[f.path]; set {
			why := o.doc.unusable(&base, f.path)
			switch err := f.set(&cfg, s.Value); {
			case why != "":
				e.Unused = fmt.Sprintf("%s, set by %s: %s", s.Value, s.By, why)
				_ = f.set(&cfg, e.Value) // what it had is in range
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

// Calibration returns the last calibration of a channel, nil for none.
func (o *Overlay) Calibration(channel string) *calibrate.Record {
	o.mu.Lock()
	defer o.mu.Unlock()
	r, ok := o.doc.Calibrations[channel]
	if !ok || o.dropped[channel] {
		return nil
	}
	return &r
}

// Journal returns all changes, oldest first.
func (o *Overlay) Journal() []Entry {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.doc.Journal)
}

// place fills in what a battery's passport has.
func (d *document) place(f *field, e *Effective) {
	if e.Value = d.Passports[f.battery].Place; e.Value == "" {
		return
	}
	e.Origin = FromTechnician
	for _, c := range slices.Backward(d.Journal) {
		if c.Path == f.path && c.New == e.Value || c.Path == passportPath+f.battery {
			e.By, e.At = c.By, c.At
			return
		}
	}
}

const passportPath = "passport."

// Change is what somebody sets at once: all of it, or nothing.
type Change struct {
	Values       map[string]string            // by path; one equal to the configuration's ends the setting
	Seen         map[string]string            // by path, the value that the page showed; one that differs is refused
	Passports    map[string]snapshot.Passport // by battery
	Calibrations []calibrate.Record           // what Values of channels rest on
	By           string
	At           time.Time
	ClockTrusted bool
	ID           string // of the form; one that was taken before changes nothing
	Undoes       int    // number of the change that this takes back; 0: none
}

// Conflict is a setting that somebody else has changed since the page was made.
type Conflict struct {
	Path, Seen, Mine string
	Now              Effective
}

// Error says who has changed it.
func (c *Conflict) Error() string {
	return fmt.Sprintf("setting %s: it is %s now, and was %s: look at it again", c.Path, c.Now.Value, c.Seen)
}

// Refusals of a change, to branch on.
var (
	ErrNoSetting = errors.New("want one of this unit's settings")
	ErrNoEntry   = errors.New("no such change in the journal")
	ErrNotNow    = errors.New("it has been changed since: change the setting itself")
)

// Refused is a value that a setting does not take.
type Refused struct {
	Path string
	Err  error
}

// Error says what is wanted.
func (r *Refused) Error() string { return fmt.Sprintf("setting %s: %v", r.Path, r.Err) }

// Unwrap returns what is wrong with the value.
func (r *Refused) Unwrap() error { return r.Err }

// Done returns what a form has changed already.
func (o *Overlay) Done(id string) (made []Entry) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, e := range o.doc.Journal {
		if id != "" && e.ID == id {
			made = append(made, e)
		}
	}
	return made
}

// Undo returns the change that takes one of the journal back; nothing is changed yet. It is refused
// where the setting has another value by now.
func (o *Overlay) Undo(base *config.Config, seq int) (Change, error) {
	_, all := o.Apply(*base)
	for _, e := range o.Journal() {
		if e.Seq != seq || seq == 0 {
			continue
		}
		i := slices.IndexFunc(all, func(x Effective) bool { return x.Path == e.Path })
		switch {
		case i < 0 || all[i].Fixed:
			return Change{}, ErrNoSetting
		case all[i].Value != e.New:
			return Change{}, ErrNotNow
		}
		return Change{
			Values: map[string]string{e.Path: e.Old}, Seen: map[string]string{e.Path: e.New}, Undoes: seq,
		}, nil
	}
	return Change{}, ErrNoEntry
}

// Set makes a change over the configuration base. Once it has returned nil, the change outlives a
// power cut; after an error nothing has changed.
func (o *Overlay) Set(base *config.Config, c Change) error {
	_, now := o.Apply(*base)
	o.mu.Lock()
	defer o.mu.Unlock()
	if c.ID != "" && slices.ContainsFunc(o.doc.Journal, func(e Entry) bool { return e.ID == c.ID }) {
		return nil
	}
	next := o.doc
	next.Settings, next.Passports = maps.Clone(o.doc.Settings), maps.Clone(o.doc.Passports)
	next.Journal, next.Pins = slices.Clone(o.doc.Journal), maps.Clone(o.doc.Pins)
	fresh := map[string]bool{} // channels whose correction is set
	last := 0
	if n := len(next.Journal); n > 0 {
		last = next.Journal[n-1].Seq
	}
	if len(next.Journal) > maxJournal {
		next.Journal = slices.Delete(next.Journal, 0, maxJournal/2)
	}
	note := func(path, old, now string) {
		if old != now {
			last++
			next.Journal = append(next.Journal, Entry{
				Seq: last, At: c.At.UTC(), By: c.By, Path: path, Old: old, New: now, ID: c.ID, Undoes: c.Undoes,
				ClockTrusted: c.ClockTrusted,
			})
		}
	}
	trial := *base
	trial.Bank.Batteries, trial.Board.Channels = slices.Clone(base.Bank.Batteries), slices.Clone(base.Board.Channels)
	all := fields(base)
	for _, path := range slices.Sorted(maps.Keys(c.Values)) {
		i := slices.IndexFunc(all, func(f field) bool { return f.path == path })
		if i < 0 {
			return &Refused{path, ErrNoSetting}
		}
		f, value := all[i], c.Values[path]
		old := ""
		if i := slices.IndexFunc(now, func(e Effective) bool { return e.Path == path }); i >= 0 {
			old = now[i].Value
			if seen, shown := c.Seen[path]; shown && seen != old && value != old {
				return &Conflict{Path: path, Seen: seen, Mine: value, Now: now[i]}
			}
		}
		if f.get == nil {
			text, err := line(value)
			if err != nil {
				return &Refused{path, err}
			}
			p := next.Passports[f.battery]
			note(path, p.Place, text)
			p.Place = text
			next.Passports[f.battery] = p
			continue
		}
		if err := f.set(&trial, value); err != nil {
			return &Refused{path, err}
		}
		if channel, _, is := CorrectionOf(path); is && !fresh[channel] {
			fresh[channel] = true
			next.pin(channel, named(base, channel))
		}
		value = f.get(&trial) // as it is always written
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
		note(passportPath+id, string(old), string(now))
		next.Passports[id] = c.Passports[id]
	}
	if len(c.Calibrations) > 0 {
		next.Calibrations = maps.Clone(o.doc.Calibrations)
		if next.Calibrations == nil {
			next.Calibrations = map[string]calibrate.Record{}
		}
		for _, r := range c.Calibrations {
			next.Calibrations[r.Channel] = r
		}
	}
	if err := o.save(&next); err != nil {
		return err
	}
	o.doc = next
	for channel := range fresh {
		delete(o.dropped, channel)
	}
	return nil
}

// pin notes what a correction is measured at. What is stored of the channel from another pin goes.
func (d *document) pin(name string, ch *config.Channel) {
	now := PinOf(ch)
	if was, known := d.Pins[name]; known && !was.same(&now) {
		for _, part := range []string{Offset, Gain} {
			delete(d.Settings, ChannelPath(name, part))
		}
	}
	if d.Pins == nil {
		d.Pins = map[string]Pin{}
	}
	d.Pins[name] = now
}

// save writes a document; the caller holds the lock.
func (o *Overlay) save(d *document) error {
	if o.path == "" {
		return nil
	}
	text, err := json.Marshal(d)
	if err == nil {
		err = safefile.MakeDir(filepath.Dir(o.path), 0o750)
	}
	if err == nil {
		err = safefile.Save(o.path, text)
	}
	if err != nil {
		return fmt.Errorf("settings made at the unit: %w", err)
	}
	return nil
}
