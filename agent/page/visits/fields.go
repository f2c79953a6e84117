package visits

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	settings "liftbank/agent/technician"
	"liftbank/agent/visit"
)

// fieldOf is what the template of an input sees.
type fieldOf struct {
	fieldView
	None, AgentWord string
}

type areaView struct {
	visit.Area
	Title, Caution string
	Items          []itemView
	Note           fieldView
	Photos         []photoView
	Checked, Of    int
	Attention      int
}

// Left is how many items nobody has looked at.
func (a *areaView) Left() int { return a.Of - a.Checked }

// Counted returns how far an area is.
func (a *areaView) Counted(to *words.Reader) string {
	text := words.Fill(to.W["CountOf"], "n", strconv.Itoa(a.Checked), "all", strconv.Itoa(a.Of))
	if a.Attention > 0 {
		text += ", " + to.W["Attention"] + ": " + strconv.Itoa(a.Attention)
	}
	return text
}

type itemView struct {
	Text     string
	Key, ID  string
	Unit     string
	State    fieldView
	Note     fieldView
	Readings []fieldView // the reading and its limits
	Folded   bool        // until somebody wants to read it
	Measured bool        // something stands in the inputs of its reading
	Judged   judged
	Photo    fieldView // a name that somebody typed, in a record of an earlier version
	Photos   []photoView
	Open     bool // something stands in the details
}

// judged is what comes of a reading and its limits.
type judged struct {
	Text string `json:"text"`
	Bad  bool   `json:"bad"`
}

// fieldView is one input.
type fieldView struct {
	Key, ID     string
	Label, Unit string
	Value       string
	Agents      string // the agent's figure now
	Choices     []view.Choice
	Error       string
	Multi       bool
	Decimal     bool
}

type workView struct {
	visit.Work
	Text, At, State string
	Undo            string // page that undoes a change of a setting; empty: none
}

type refusalView struct{ Label, Value, Why, ID string }

func areaOf(to *words.Reader, a visit.Area, d *visit.Draft, field func(string) fieldView) areaView {
	v := areaView{Area: a, Title: to.Translate(a.Title), Of: len(a.Items), Note: field("area." + a.ID + ".note")}
	v.Note.Label = to.W["AreaNote"]
	if a.Caution != "" {
		v.Caution = to.Label("Caution", a.Caution)
	}
	for _, i := range a.Items {
		key := visit.ItemKey(a.ID, i.ID)
		item := itemView{
			Text: to.Translate(i.Text), Key: key, ID: idOf(key), Unit: i.Unit,
			State: field(key + ".state"), Note: field(key + ".note"), Photo: field(key + ".photo"),
			Judged: judgeReading(to, d, &i, key),
		}
		item.readings(to, &i, field)
		item.Folded = i.Folded
		item.Measured = slices.ContainsFunc(item.Readings, func(f fieldView) bool { return f.Value+f.Error != "" })
		item.Open = item.Note.Value+item.Note.Error+item.Photo.Value != ""
		switch item.State.Value {
		case "ok", "not-applicable":
			v.Checked++
		case "attention":
			v.Checked++
			v.Attention++
		}
		v.Items = append(v.Items, item)
	}
	return v
}

// readings puts in the inputs of what is measured.
func (v *itemView) readings(to *words.Reader, i *visit.Item, field func(string) fieldView) {
	reading := field(v.Key + ".reading")
	if i.Unit == "" {
		if reading.Value+reading.Error != "" { // of an earlier version
			v.Readings = append(v.Readings, reading)
		}
		return
	}
	if i.Reads != "" {
		reading.Label = to.Translate(i.Reads)
	}
	v.Readings = append(v.Readings, reading)
	if i.HasMin() && i.Min == nil {
		v.Readings = append(v.Readings, field(v.Key+".limit_min"))
	}
	if i.HasMax() && i.Max == nil {
		v.Readings = append(v.Readings, field(v.Key+".limit_max"))
	}
}

// judgeReading holds the reading of an item against its limits, in words.
func judgeReading(to *words.Reader, d *visit.Draft, i *visit.Item, key string) judged {
	low, high := d.Limits(i, key)
	value, ok := visit.ParseNumber(d.Fields[key+".reading"])
	limits := limitText(to, low, high, i.Unit)
	result := visit.Judge(value, low, high)
	switch {
	case i.Rule == visit.NoRule:
		return judged{}
	case !ok && limits == "":
		return judged{}
	case !ok:
		return judged{Text: words.Fill(to.W["LimitIs"], "limit", limits)}
	case result == "":
		return judged{Text: to.W["LimitNone"]}
	}
	return judged{Text: words.Fill(to.Label("Judged", result), "limit", limits), Bad: result != visit.Within}
}

// limitText returns limits in words, empty for none.
func limitText(to *words.Reader, low, high *float64, unit string) string {
	pairs := []string{"min", view.Measured(to, low, unit), "max", view.Measured(to, high, unit)}
	switch {
	case low != nil && high != nil:
		return words.Fill(to.W["LimitBoth"], pairs...)
	case low != nil:
		return words.Fill(to.W["LimitMin"], pairs...)
	case high != nil:
		return words.Fill(to.W["LimitMax"], pairs...)
	}
	return ""
}

func idOf(key string) string { return "f-" + strings.ReplaceAll(key, ".", "-") }

// inputOf returns an input for a field.
func inputOf(to *words.Reader, f *visit.Field, value string) fieldView {
	last := f.Key[strings.LastIndexByte(f.Key, '.')+1:]
	section, _, _ := strings.Cut(f.Key, ".")
	label, ok := to.W["Field."+section+"."+last]
	if !ok {
		label = to.Label("Field", last)
	}
	v := fieldView{
		Key: f.Key, ID: idOf(f.Key), Label: label, Unit: f.Unit,
		Multi: f.Kind == visit.Note, Decimal: f.Kind == visit.Number,
	}
	if f.Unit == "°C" {
		v.Unit = to.TempUnit()
	}
	for _, c := range f.Choices {
		v.Choices = append(v.Choices, view.Choice{Value: c, Text: to.Label("Choice", c)})
	}
	v.show(shown(to, f, value))
	return v
}

// show puts a value into an input.
func (v *fieldView) show(value string) {
	v.Value = value
	for i := range v.Choices {
		v.Choices[i].Chosen = v.Choices[i].Value == value
	}
}

// shown returns a field's value as its reader sees it: temperatures in the unit that was chosen.
func shown(to *words.Reader, f *visit.Field, value string) string {
	if c, ok := visit.ParseNumber(value); ok && f.Unit == "°C" && to.Fahrenheit {
		return strconv.FormatFloat(visit.ToFahrenheit(c), 'f', -1, 64)
	}
	return value
}

// sentBy returns a value as the reader means it: a temperature without a unit is in the one that
// their pages show.
func sentBy(to *words.Reader, f *visit.Field, value string) string {
	if f.Unit == "°C" && to.Fahrenheit && strings.ContainsAny(value, "0123456789") &&
		!strings.ContainsFunc(value, unicode.IsLetter) {
		return value + fahrenheit
	}
	return value
}

const fahrenheit = " °F"

// bare takes off what sentBy has put on.
func bare(to *words.Reader, f *visit.Field, value string) string {
	if f.Unit == "°C" && to.Fahrenheit {
		return strings.TrimSuffix(value, fahrenheit)
	}
	return value
}

func trouble(to *words.Reader, f *visit.Field, why visit.Problem) string {
	limit := visit.TextLimit
	if f.Kind == visit.Note {
		limit = visit.NoteLimit
	}
	low, high, unit := f.Min, f.Max, f.Unit
	if unit == "°C" && to.Fahrenheit {
		low, high, unit = words.ToFahrenheit(low), words.ToFahrenheit(high), to.TempUnit()
	}
	return words.Fill(
		to.Label("Trouble", string(why)), "n", strconv.Itoa(limit), "min", figures.Number(low, 0),
		"max", figures.Number(high, 0), "unit", unit,
	)
}

func workOf(to *words.Reader, w visit.Work) workView {
	v := workView{
		Work: w, Text: to.Label("Work", w.Kind), At: w.At.UTC().Format("2006-01-02 15:04 UTC"),
		State: to.W["WorkNoted"],
	}
	if w.Subject != "" {
		v.Text += " " + w.Subject
	}
	if w.Calibrated != nil {
		v.Work.Note = Calibrated(to, w.Calibrated)
	}
	if s := w.Setting; s != nil {
		v.Text += " " + settingText(to, s)
		if w.TakenBack == nil {
			v.Undo = "/settings/undo?" + url.Values{"seq": {strconv.Itoa(s.Seq)}, "back": {"/visit/work"}}.Encode()
		}
	}
	switch {
	case w.TakenBack != nil && w.Setting != nil:
		v.State = words.Fill(to.W["SettingTakenBack"], "time", w.TakenBack.UTC().Format("15:04 UTC"))
	case w.TakenBack != nil:
		v.State = words.Fill(to.W["WorkTakenBack"], "time", w.TakenBack.UTC().Format("15:04 UTC"))
	case w.Error != "":
		v.State = to.W["WorkFailed"] + " " + w.Error
	case w.Acted:
		v.State = to.W["WorkActed"]
	}
	return v
}

// settingText says which setting was changed, and how.
func settingText(to *words.Reader, s *visit.Setting) string {
	value := func(text string) string {
		if text == "" {
			return figures.Unknown
		}
		if n, err := strconv.ParseFloat(text, 64); err == nil {
			_, after, _ := strings.Cut(text, ".")
			text = figures.Number(n, min(len(after), 2))
		}
		return strings.TrimSpace(to.Label("Choice", text) + noBreak + s.Unit)
	}
	return SettingName(to, s.Path) + ": " + value(s.Old) + " → " + value(s.New)
}

// SettingName names a setting; one that the page has no name for has its path.
func SettingName(to *words.Reader, path string) string {
	if rest, is := strings.CutPrefix(path, "bank.batteries."); is {
		if battery, what, found := strings.Cut(rest, "."); found {
			if name, named := to.W["Set.battery."+what]; named {
				return to.W["Battery"] + " " + battery + ": " + name
			}
		}
	}
	if channel, part, is := settings.CorrectionOf(path); is {
		return ChannelName(to, channel) + ": " + to.W["Set.channel."+part]
	}
	if battery, is := strings.CutPrefix(path, "passport."); is {
		return words.Fill(to.W["Set.passport"], "battery", battery)
	}
	return to.Label("Set", path)
}

// where returns the name of a field.
func where(to *words.Reader, form *visit.Form, key string) string {
	label := inputOf(to, form.Field(key), "").Label
	for _, a := range form.Areas {
		if key == "area."+a.ID+".note" {
			return to.Translate(a.Title) + ": " + label
		}
		for _, i := range a.Items {
			if strings.HasPrefix(key, visit.ItemKey(a.ID, i.ID)+".") {
				return to.Translate(a.Title) + ": " + to.Translate(i.Text) + ": " + label
			}
		}
	}
	section, rest, more := strings.Cut(key, ".")
	if subject, _, is := strings.Cut(rest, "."); more && is {
		return to.Label("Section", section) + " " + subject + ": " + label
	}
	return label
}
