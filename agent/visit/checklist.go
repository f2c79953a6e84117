package visit

import (
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Area is one part of the lift on the checklist.
type Area struct {
	ID, Title string // ID: a-z, 0-9 and -
	Caution   string // which danger is there: a key of Cautions, empty for none
	Items     []Item
}

// Item is one thing to look at.
type Item struct {
	ID, Text string // ID: a-z, 0-9 and -
	Unit     string // of its reading; empty where there is nothing to measure
}

// Cautions that an area can have: where hands go near posts, under the platform, into the
// hydraulics.
var Cautions = []string{"posts", "platform", "oil"}

// DefaultChecklist is what a unit gets whose configuration has none: what is looked at on a
// battery-powered hydraulic lift, as trade practice has it; the maker's manual goes before it.
func DefaultChecklist() []Area {
	item := func(id, text string) Item { return Item{ID: id, Text: text} }
	return []Area{
		{"battery-box", "Battery box", "posts", []Item{
			item("dry", "Box dry, drains and vents open"), item("hold-down", "Hold-downs tight, cases not cracked"),
			item("posts", "Posts and lugs clean and tight"), {"level", "Electrolyte above the plates (flooded)", "mm"},
			item("covers", "Post covers in place"),
		}},
		{"feed", "Feed", "posts", []Item{
			item(
				"plug", "Tractor plug and receptacle: pins, seal, latch",
			), item("cable", "Cable secured, not cut or chafed"),
			item("converter", "Converter secure and dry, breaker on"), item("wake", "Wake line switches the converter"),
		}},
		{"pump-motor", "Pump and motor", "oil", []Item{
			item("noise", "Runs without unusual noise"), item(
				"contactor", "Contactor closes and opens, terminals tight",
			),
			item("motor-lugs", "Motor terminal and ground tight"), {"raise-time", "Time to raise, empty", "s"},
		}},
		{"oil", "Oil", "oil", []Item{
			item("clear", "Oil clear: no water, no foam"), item("filter", "Filter and breather"), item(
				"leaks", "No leaks at tank, pump, valves",
			),
		}},
		{"hoses-wiring", "Hoses and wiring", "oil", []Item{
			item(
				"hoses", "Hoses: no blisters or chafing, fittings dry",
			), item("wires", "Wires secured, seals intact"), item("grounds", "Grounds clean and tight"),
		}},
		{"switches", "Switches", "", []Item{
			item("control", "Control switch and pendant"), item(
				"disconnect", "Disconnect turns and cuts off the motor",
			),
			item("interlocks", "Interlocks and lamp"),
		}},
		{"platform", "Platform and latches", "platform", []Item{
			item("latches", "Latches and stow hooks hold"), item("pins", "Pins, bushings, chains: wear and grease"),
			item("welds", "Welds and hinges: no cracks"), item("levels", "Lowers level and stops where it should"),
		}},
		{"decals-lights", "Decals and lights", "", []Item{
			item(
				"decals", "Warning decals in place and legible",
			), item("lights", "Lights and reflectors"), item("manual", "Operating instructions on the unit"),
		}},
	}
}

// Kind is what a field takes.
type Kind uint8

// Kinds of fields.
const (
	Text   Kind = iota // one line
	Note               // several lines
	Number             // within Min and Max
	Choice             // one of Choices
)

// Limits of texts, in characters.
const (
	TextLimit = 120
	NoteLimit = 2000
)

// Field is one thing that a technician fills in.
type Field struct {
	Key      string
	Kind     Kind
	Unit     string
	Min, Max float64
	Choices  []string
}

// Choices of fields; an empty value is none of them.
var (
	States    = []string{"ok", "attention", "not-checked"}
	OilLevels = []string{"low", "right", "high"}
	// Positions of the platform that the oil's level was read in: the cylinders hold oil while it
	// is up.
	Positions = []string{"lowered", "raised", "stowed", "other"}
)

// Form is all fields of a visit to one unit.
type Form struct {
	Areas     []Area
	Batteries []string
	Fields    []Field
	byKey     map[string]*Field
}

// NewForm returns the form for a checklist and the unit's batteries.
func NewForm(areas []Area, batteries []string) *Form {
	f := &Form{Areas: areas, Batteries: batteries, byKey: map[string]*Field{}}
	text := func(key string) { f.Fields = append(f.Fields, Field{Key: key}) }
	note := func(key string) { f.Fields = append(f.Fields, Field{Key: key, Kind: Note}) }
	number := func(key, unit string, low, high float64) {
		f.Fields = append(f.Fields, Field{Key: key, Kind: Number, Unit: unit, Min: low, Max: high})
	}
	choice := func(key string, choices []string) {
		f.Fields = append(f.Fields, Field{Key: key, Kind: Choice, Choices: choices})
	}
	text("by")
	text("place")
	for _, a := range areas {
		for _, i := range a.Items {
			key := ItemKey(a.ID, i.ID)
			choice(key+".state", States)
			note(key + ".note")
			text(key + ".reading")
			text(key + ".photo")
		}
	}
	for _, b := range batteries {
		number("meter."+b+".voltage_v", "V", 0, 40)
		number("meter."+b+".current_a", "A", -1000, 1000)
		number("meter."+b+".temperature_c", "°C", -60, 120)
		text("test." + b + ".method")
		number("test."+b+".load_a", "A", 0, 5000)
		number("test."+b+".after_s", "s", 0, 3600)
		number("test."+b+".voltage_v", "V", 0, 40)
		number("test."+b+".cranking_a", "A", 0, 5000)
		number("test."+b+".resistance_mohm", "mΩ", 0, 10000)
	}
	number("meter.feed.voltage_v", "V", 0, 60)
	number("meter.motor.voltage_v", "V", 0, 40)
	number("meter.motor.current_a", "A", 0, 2000)
	choice("oil.level", OilLevels)
	choice("oil.position", Positions)
	text("oil.note")
	note("note")
	f.addTests(batteries)
	for i := range f.Fields {
		f.byKey[f.Fields[i].Key] = &f.Fields[i]
	}
	return f
}

// ItemKey returns the first part of the keys of a checklist item.
func ItemKey(area, item string) string { return "check." + area + "." + item }

// Field returns the field with this key, or nil.
func (f *Form) Field(key string) *Field { return f.byKey[key] }

// Problem is why a value is not accepted.
type Problem string

// Problems. The page has the words for people.
const (
	TooLong   Problem = "too-long"
	NotNumber Problem = "not-number"
	OutOfSpan Problem = "out-of-range"
	NotChoice Problem = "not-choice"
)

// clean returns a value as it is kept: valid UTF-8 without control characters, trimmed; a number
// with a point. An empty value is always taken: it clears the field.
func (f *Field) clean(value string) (string, Problem) {
	value = Tidy(value, f.Kind == Note)
	if value == "" {
		return "", ""
	}
	limit := TextLimit
	switch f.Kind {
	case Choice:
		if !slices.Contains(f.Choices, value) {
			return "", NotChoice
		}
	case Number:
		v, ok := ParseNumber(value)
		if !ok {
			return "", NotNumber
		}
		if v < f.Min || v > f.Max {
			return "", OutOfSpan
		}
		return strconv.FormatFloat(v, 'f', -1, 64), ""
	case Note:
		limit = NoteLimit
	case Date, Drawing:
		return f.cleanMore(value)
	}
	if utf8.RuneCountInString(value) > limit {
		return "", TooLong
	}
	return value, ""
}

// Tidy returns a text as it may be kept and shown: valid UTF-8 on one line (with lines: on
// several), without control characters and marks that turn the direction of writing.
func Tidy(value string, lines bool) string {
	value = strings.ReplaceAll(strings.ToValidUTF8(value, "�"), "\r\n", "\n")
	value = strings.Map(func(r rune) rune {
		switch {
		case r == '\n' && lines:
			return r
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		// Control characters, and the marks that turn the direction of what follows.
		case r < 0x20 || r >= 0x7f && r < 0xa0 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069:
			return -1
		}
		return r
	}, value)
	return strings.TrimSpace(value)
}

// ParseNumber reads a number as people type it: with a point or a comma before the decimals, with
// either minus.
func ParseNumber(text string) (float64, bool) {
	text = strings.ReplaceAll(strings.Replace(strings.TrimSpace(text), "−", "-", 1), ",", ".")
	if text == "" || len(text) > 20 || strings.Trim(text, "+-.0123456789") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil
}
