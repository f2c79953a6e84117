package visits

import (
	"strconv"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
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
	Checked, Of    int
	Attention      int
}

type itemView struct {
	Text                 string
	Key, Unit            string
	State                fieldView
	Note, Reading, Photo fieldView
	Open                 bool // something stands in the details
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
}

type refusalView struct{ Label, Value, Why, ID string }

func areaOf(to *words.Reader, a visit.Area, field func(string) fieldView) areaView {
	v := areaView{Area: a, Title: to.Translate(a.Title), Of: len(a.Items)}
	if a.Caution != "" {
		v.Caution = to.Label("Caution", a.Caution)
	}
	for _, i := range a.Items {
		key := visit.ItemKey(a.ID, i.ID)
		item := itemView{
			Text: to.Translate(i.Text), Key: key, Unit: i.Unit,
			State: field(key + ".state"), Note: field(key + ".note"),
			Reading: field(key + ".reading"), Photo: field(key + ".photo"),
		}
		item.Reading.Unit = i.Unit
		for _, f := range []fieldView{item.Note, item.Reading, item.Photo} {
			item.Open = item.Open || f.Value+f.Error != ""
		}
		switch item.State.Value {
		case "ok":
			v.Checked++
		case "attention":
			v.Checked++
			v.Attention++
		}
		v.Items = append(v.Items, item)
	}
	return v
}

// inputOf returns an input for a field.
func inputOf(to *words.Reader, f *visit.Field, value string) fieldView {
	last := f.Key[strings.LastIndexByte(f.Key, '.')+1:]
	section, _, _ := strings.Cut(f.Key, ".")
	label, ok := to.W["Field."+section+"."+last]
	if !ok {
		label = to.Label("Field", last)
	}
	v := fieldView{
		Key: f.Key, ID: "f-" + strings.ReplaceAll(f.Key, ".", "-"), Label: label, Unit: f.Unit, Value: value,
		Multi: f.Kind == visit.Note, Decimal: f.Kind == visit.Number,
	}
	for _, c := range f.Choices {
		v.Choices = append(v.Choices, view.Choice{Value: c, Text: to.Label("Choice", c), Chosen: c == value})
	}
	return v
}

func trouble(to *words.Reader, f *visit.Field, why visit.Problem) string {
	limit := visit.TextLimit
	if f.Kind == visit.Note {
		limit = visit.NoteLimit
	}
	return words.Fill(
		to.Label("Trouble", string(why)), "n", strconv.Itoa(limit), "min", figures.Number(f.Min, 0),
		"max", figures.Number(f.Max, 0), "unit", f.Unit,
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
	switch {
	case w.TakenBack != nil:
		v.State = words.Fill(to.W["WorkTakenBack"], "time", w.TakenBack.UTC().Format("15:04 UTC"))
	case w.Error != "":
		v.State = to.W["WorkFailed"] + " " + w.Error
	case w.Acted:
		v.State = to.W["WorkActed"]
	}
	return v
}

// where returns the name of a field.
func where(to *words.Reader, form *visit.Form, key string) string {
	label := inputOf(to, form.Field(key), "").Label
	for _, a := range form.Areas {
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
