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
	ID, Text string   // ID: a-z, 0-9 and -
	Unit     string   // of its reading; empty where there is nothing to measure
	Reads    string   // what is read, where the item's text doesn't say it
	Rule     Rule     // which limits the reading is held against
	Folded   bool     // the page hides its inputs until somebody wants them
	Min, Max *float64 // limits that the configuration sets; nil: typed from the manual
}

// Rule is what a reading is held against.
type Rule string

// Rules. No limit is ours: it is typed from the maker's manual, or set in the configuration.
const (
	NoRule  Rule = ""
	AtLeast Rule = "at-least"
	AtMost  Rule = "at-most"
	Between Rule = "between"
)

// Rules lists those that a configuration can name.
var Rules = []string{string(AtLeast), string(AtMost), string(Between)}

// HasMin and HasMax report which limits an item's reading has.
func (i *Item) HasMin() bool { return i.Rule == AtLeast || i.Rule == Between }

// HasMax: see HasMin.
func (i *Item) HasMax() bool { return i.Rule == AtMost || i.Rule == Between }

// Results of a reading held against its limits.
const (
	Within = "within"
	Below  = "below"
	Above  = "above"
)

// Judge returns how a reading compares with limits, empty where there is none to compare with.
func Judge(value float64, low, high *float64) string {
	switch {
	case low == nil && high == nil:
		return ""
	case low != nil && value < *low:
		return Below
	case high != nil && value > *high:
		return Above
	}
	return Within
}

// Cautions that an area can have: where hands go near posts, under the platform, into the
// hydraulics.
var Cautions = []string{"posts", "platform", "oil"}

// DefaultChecklist is what a unit gets whose configuration has none: what is looked at on a
// battery-powered hydraulic lift. Common practice, no source; the maker's manual goes before it.
func DefaultChecklist() []Area {
	look := func(id, text string) Item { return Item{ID: id, Text: text} }
	measure := func(id, text, unit string, rule Rule) Item { return Item{ID: id, Text: text, Unit: unit, Rule: rule} }
	rated := func(id, text string) Item {
		return Item{ID: id, Text: text, Unit: "A", Rule: AtMost, Reads: "Rating printed on it", Folded: true}
	}
	return []Area{
		{"battery-box", "Battery box", "posts", []Item{
			look("dry", "Box dry, drains and vents open"), look("hold-down", "Hold-downs tight, cases not cracked"),
			look("posts", "Posts and lugs clean and tight"), look("cables", "Battery cables whole and secured"),
			look("patch-cables", "Patch cables whole, on the right posts"),
			measure("level", "Electrolyte above the plates (flooded)", "mm", AtLeast),
			look("covers", "Post covers in place"), rated("charge-breaker", "30 A charge breaker"),
			rated("motor-breaker", "150 A motor breaker"),
		}},
		{"feed", "Feed", "posts", []Item{
			look("plug", "Tractor plug and receptacle: pins, seal, latch"), look("cable", "Cable secured, not cut or chafed"),
			look("converter", "Converter secure and dry, breaker on"), look("wake", "Wake line switches the converter"),
			rated("indicator-fuse", "2 A indicator fuse"),
		}},
		{"pump-motor", "Pump and motor", "oil", []Item{
			look("noise", "Runs without unusual noise"), look("contactor", "Contactor closes and opens, terminals tight"),
			look("relays", "Relays seated, terminals clean"), rated("control-breaker", "15/20 A control breaker"),
			look("motor-lugs", "Motor terminal and ground tight"), measure("raise-time", "Time to raise, empty", "s", AtMost),
		}},
		{"oil", "Oil", "oil", []Item{
			look("clear", "Oil clear: no water, no foam"),
			{ID: "oil-level", Text: "Oil level at the mark", Unit: "mm", Rule: Between, Reads: "Measured in the tank"},
			look("filter", "Filter"), look("breather", "Breather cap clean"), look("leaks", "No leaks at tank, pump, valves"),
			look("valves", "Valve solenoids: plugs tight, each one clicks"),
			measure("relief-up", "Relief pressure, raising", "psi", Between),
			measure("relief-down", "Relief pressure, lowering", "psi", Between),
		}},
		{"hoses-wiring", "Hoses and wiring", "oil", []Item{
			look("hoses", "Hoses: no blisters or chafing, fittings dry"),
			{ID: "bends", Text: "Hose bends: no kinks, not too tight", Unit: "mm", Rule: AtLeast, Reads: "Tightest bend, radius"},
			look("hose-guide", "Hose guide over the tires holds the hoses clear"),
			look("wires", "Control wiring secured, seals intact"), look("grounds", "Grounds clean and tight"),
		}},
		{"switches", "Switches", "", []Item{
			look("control", "Control switch and pendant"), look("disconnect", "Disconnect turns and cuts off the motor"),
			look("interlocks", "Interlocks and lamp"),
		}},
		{"platform", "Platform and latches", "platform", []Item{
			look("latches", "Latches and stow hooks hold"), look("pins", "Pins, bushings, chains: wear and grease"),
			look("welds", "Welds and hinges: no cracks"), look("levels", "Lowers level and stops where it should"),
		}},
		{"decals-lights", "Decals and lights", "", []Item{
			look("decals", "Warning decals in place and legible"), look("lights", "Lights and reflectors"),
			look("manual", "Operating instructions on the unit"),
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
	States    = []string{"ok", "attention", "not-applicable", "not-checked"}
	OilLevels = []string{"low", "right", "high"}
	// Positions of the platform that the oil's level was read in: the cylinders hold oil while it
	// is up.
	Positions = []string{"lowered", "raised", "stowed", "other"}
)

// anyReading bounds what a reading of the checklist can be, whatever its unit is.
const anyReading = 1e6

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
			if i.Unit == "" {
				text(key + ".reading")
			} else {
				number(key+".reading", i.Unit, -anyReading, anyReading)
			}
			if i.HasMin() && i.Min == nil {
				number(key+".limit_min", i.Unit, -anyReading, anyReading)
			}
			if i.HasMax() && i.Max == nil {
				number(key+".limit_max", i.Unit, -anyReading, anyReading)
			}
			text(key + ".photo")
		}
		note("area." + a.ID + ".note")
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
	number("meter.bank.voltage_v", "V", 0, 60) // of batteries in series together
	number("meter.feed.voltage_v", "V", 0, 60)
	number("meter.motor.voltage_v", "V", 0, 40)
	number("meter.motor.current_a", "A", 0, 2000)
	choice("oil.level", OilLevels)
	choice("oil.position", Positions)
	choice("oil.wanted_position", Positions)
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
	Ambiguous Problem = "ambiguous" // 1,250: a thousand or one?
	WrongUnit Problem = "wrong-unit"
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
		v, trouble := f.quantity(value)
		if trouble != "" {
			return "", trouble
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
