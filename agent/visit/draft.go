package visit

import (
	"maps"
	"slices"
	"strings"
	"time"

	"liftbank/agent/snapshot"
)

// Draft is a visit under way.
type Draft struct {
	Schema       string                   `json:"schema"`
	ID           string                   `json:"id"`
	Unit         string                   `json:"unit"`
	Revision     int                      `json:"revision"` // grows with each change
	Begun        time.Time                `json:"begun"`
	Changed      time.Time                `json:"changed"`
	ClockTrusted bool                     `json:"clock_trusted"`
	Start        Counters                 `json:"start"`
	Before       Figures                  `json:"before"`
	Fields       map[string]string        `json:"fields"`
	Beside       map[string]MonitorFigure `json:"beside"`            // the agent's figures when the technician's were noted
	Monitor      map[string]MonitorFacts  `json:"monitor,omitempty"` // by test and battery
	Found        []Remaining              `json:"found,omitempty"`   // findings that stood at the beginning
	Work         []Work                   `json:"work"`
	Log          []Change                 `json:"log"`
	ToSettle     []Clash                  `json:"to_settle,omitempty"`
	Clashes      int                      `json:"clashes,omitempty"` // so far: the last one's ID
	Photos       []Photo                  `json:"photos,omitempty"`
	PhotoCount   int                      `json:"photo_count,omitempty"` // taken so far: the last one's number
}

// MonitorFigure is the agent's figure at the moment that the technician's was noted.
type MonitorFigure struct {
	Value *float64  `json:"value"`
	At    time.Time `json:"at"`
}

// Change is one field changed. A change that was refused because somebody else had changed the
// field is kept too.
type Change struct {
	Revision int       `json:"revision"`
	At       time.Time `json:"at"`
	Key      string    `json:"key"`
	Old      string    `json:"old"`
	New      string    `json:"new"`
	Refused  bool      `json:"refused,omitempty"`
	By       string    `json:"by,omitempty"` // who wrote it, where a phone has said so
}

// logLimit is how many changes are kept; more than any visit has. The oldest half goes first.
const logLimit = 4000

// Facts is what the agent knows at a moment. Snapshot may be nil.
type Facts struct {
	At           time.Time
	ClockTrusted bool
	Snapshot     *snapshot.Snapshot
	By           string // who sends what is to be saved, as far as known
	Phone        string // the browser that sends it, by a name of its own
	InLoop       bool   // the caller is the agent's loop, which whatever asks it would wait for: work under way and kept batteries are left alone
}

// Conflict is a field that somebody else has changed meanwhile.
type Conflict struct{ Key, Base, Saved, Mine string }

// Refusal is a value that can't be taken.
type Refusal struct {
	Key, Value string
	Why        Problem
}

// Result is what came of a save.
type Result struct {
	Draft     *Draft
	Conflicts []Conflict
	Refusals  []Refusal
}

// copy returns a copy of d that shares nothing that changes.
func (d *Draft) copy() *Draft {
	c := *d
	c.Fields, c.Beside = maps.Clone(d.Fields), maps.Clone(d.Beside)
	c.Work, c.Log = slices.Clone(d.Work), slices.Clone(d.Log)
	c.ToSettle, c.Photos = slices.Clone(d.ToSettle), slices.Clone(d.Photos)
	return &c
}

// base returns a field's value at an earlier revision; ok is false if the log does not go back that
// far.
func (d *Draft) base(key string, revision int) (value string, ok bool) {
	value = d.Fields[key]
	for _, c := range slices.Backward(d.Log) {
		if c.Revision <= revision {
			return value, true
		}
		if c.Key == key && !c.Refused {
			value = c.Old
		}
	}
	// The log begins with the first change unless it has been cut.
	return value, len(d.Log) == 0 || d.Log[0].Revision == 1 || revision >= d.Log[0].Revision
}

// apply takes in what a form has sent, made from a revision: fields not sent stay as they are; of
// those sent only the ones that the technician has changed are looked at. It reports whether the
// draft has changed.
func (d *Draft) apply(form *Form, revision int, sent map[string]string, now Facts) (r Result, changed bool) {
	next := d.Revision + 1
	for _, f := range form.Fields { // in the form's order, so that the log doesn't hang on a map's
		raw, given := sent[f.Key]
		if !given {
			continue
		}
		saved := d.Fields[f.Key]
		base, known := d.base(f.Key, revision)
		mine, trouble := f.clean(raw)
		if trouble != "" {
			r.Refusals = append(r.Refusals, Refusal{f.Key, Tidy(raw, f.Kind == Note), trouble})
			continue
		}
		mine = f.asShown(raw, mine, base, saved)
		switch {
		case mine == saved:
			changed = d.withdraw(f.Key, now, next) || changed
		case known && mine == base:
		case known && base == saved:
			d.set(form, f.Key, mine, next, now)
			changed = true
		default:
			r.Conflicts = append(r.Conflicts, Conflict{f.Key, base, saved, mine})
			changed = d.clash(f.Key, base, mine, next, now) || changed
		}
	}
	if changed {
		d.Revision, d.Changed = next, now.At
	}
	return r, changed
}

func (d *Draft) set(form *Form, key, value string, revision int, now Facts) {
	d.note(Change{Revision: revision, At: now.At, Key: key, Old: d.Fields[key], New: value, By: now.By})
	d.ToSettle = slices.DeleteFunc(d.ToSettle, func(c Clash) bool { return c.Key == key && c.Mine == value })
	if value == "" {
		delete(d.Fields, key)
	} else {
		d.Fields[key] = value
	}
	d.noteMonitor(key, now)
	section, rest, _ := strings.Cut(key, ".")
	if section != "meter" && section != "test" {
		return
	}
	subject, figure, _ := strings.Cut(rest, ".")
	delete(d.Beside, key)
	if value != "" && form.Field(key).Kind == Number {
		d.Beside[key] = MonitorFigure{Value: AgentFigure(now.Snapshot, subject, figure), At: now.At}
	}
}

func (d *Draft) note(c Change) {
	if len(d.Log) >= logLimit {
		d.Log = slices.Delete(d.Log, 0, logLimit/2)
	}
	d.Log = append(d.Log, c)
}

// finish returns the finished visit of a draft.
func (d *Draft) finish(form *Form, now Facts) *Visit {
	v := d.Preview(form, now)
	v.Finished = now.At
	return v
}

// Preview returns the visit as if it ended now.
func (d *Draft) Preview(form *Form, now Facts) *Visit {
	v := &Visit{
		Schema: Schema, ID: d.ID, Unit: d.Unit, By: d.Fields["by"], Place: d.Fields["place"], Begun: d.Begun,
		ClockTrusted: d.ClockTrusted && now.ClockTrusted, Start: d.Start, End: countersOf(now.Snapshot),
		Areas: []CheckedArea{}, Readings: []Reading{}, Tests: []Test{},
		Oil: Oil{
			Level: d.Fields["oil.level"], Position: d.Fields["oil.position"], Note: d.Fields["oil.note"],
			WantedPosition: d.Fields["oil.wanted_position"],
		},
		Work: append(
			[]Work{}, d.Work...,
		), Before: d.Before, After: figuresOf(now.Snapshot), Findings: remainingOf(now.Snapshot),
		Note: d.Fields["note"], Revision: d.Revision, Photos: slices.Clone(d.Photos),
	}
	if now.Snapshot != nil {
		v.Services = slices.Clone(now.Snapshot.Motor.Since)
	}
	// A clock that was set back meanwhile makes both times doubtful.
	v.ClockTrusted = v.ClockTrusted && !now.At.Before(d.Begun)
	for _, a := range form.Areas {
		v.Areas = append(v.Areas, d.area(a))
	}
	for _, f := range form.Fields {
		value, ok := ParseNumber(d.Fields[f.Key])
		rest, meter := strings.CutPrefix(f.Key, "meter.")
		if subject, figure, _ := strings.Cut(rest, "."); meter && ok {
			b := d.Beside[f.Key]
			v.Readings = append(v.Readings, Reading{
				Subject: subject, Figure: figure, Value: value, Unit: f.Unit, Agent: b.Value, At: b.At,
			})
		}
	}
	for _, b := range form.Batteries {
		if t, any := d.test(b); any {
			v.Tests = append(v.Tests, t)
		}
	}
	d.addMore(v, form, now)
	return v
}

func (d *Draft) area(a Area) CheckedArea {
	out := CheckedArea{
		ID: a.ID, Title: a.Title, Items: []CheckedItem{}, Note: d.Fields["area."+a.ID+".note"],
		Photos: d.photosOf("area." + a.ID),
	}
	for _, i := range a.Items {
		key := ItemKey(a.ID, i.ID)
		item := CheckedItem{
			ID: i.ID, Text: i.Text, State: d.Fields[key+".state"], Note: d.Fields[key+".note"],
			Reading: d.Fields[key+".reading"], Unit: i.Unit, Photo: d.Fields[key+".photo"], Photos: d.photosOf(key),
		}
		if item.State == "" {
			item.State = "not-checked"
		}
		if v, ok := ParseNumber(item.Reading); ok && i.Unit != "" {
			item.Value = &v
			item.LimitMin, item.LimitMax = d.Limits(&i, key)
			item.Judged = Judge(v, item.LimitMin, item.LimitMax)
		}
		out.Items = append(out.Items, item)
	}
	return out
}

// Limits returns what the reading of an item is held against: set in the configuration, or typed
// from the manual.
func (d *Draft) Limits(i *Item, key string) (low, high *float64) {
	limit := func(has bool, set *float64, name string) *float64 {
		if !has || set != nil {
			return set
		}
		if v, ok := ParseNumber(d.Fields[key+name]); ok {
			return &v
		}
		return nil
	}
	return limit(i.HasMin(), i.Min, ".limit_min"), limit(i.HasMax(), i.Max, ".limit_max")
}

func (d *Draft) test(battery string) (t Test, any bool) {
	key := "test." + battery + "."
	figure := func(name string) *float64 {
		if v, ok := ParseNumber(d.Fields[key+name]); ok {
			any = true
			return &v
		}
		return nil
	}
	t = Test{
		Battery: battery, Method: d.Fields[key+"method"], LoadA: figure("load_a"), AfterS: figure(
			"after_s",
		), VoltageV: figure("voltage_v"),
		CrankingA: figure("cranking_a"), ResistanceMohm: figure("resistance_mohm"),
		AgentCrankingA: d.Beside[key+"cranking_a"].Value, AgentResistanceMohm: d.Beside[key+"resistance_mohm"].Value,
	}
	d.judgeTest(&t, figure)
	return t, any || t.Method != ""
}
