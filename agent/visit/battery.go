package visit

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"liftbank/agent/snapshot"
)

// Fitted is a battery as its label and whoever put it in have it.
type Fitted struct {
	Chemistry string             `json:"chemistry"`
	RatedAh   float64            `json:"rated_ah"`
	RatedCCA  float64            `json:"rated_cca_a"`
	Passport  *snapshot.Passport `json:"passport,omitempty"` // nil: nothing is known of it
}

// Removed is a battery that was taken out, as it was at the end.
type Removed struct {
	Fitted
	At         BatteryFigures    `json:"at_the_end"`
	RunsJudged *uint64           `json:"runs,omitempty"` // motor runs of the unit when it was taken out
	Tests      *Test             `json:"load_test,omitempty"`
	Cells      *Cells            `json:"cells,omitempty"`
	Fields     map[string]string `json:"fields,omitempty"` // of the draft: what was noted of it
}

// Labeled is a battery with what is known of it.
type Labeled struct {
	Battery string `json:"battery"`
	Fitted
}

// Fitter changes which battery stands in a place. Each method returns when it is done or has failed;
// after an error nothing has changed.
type Fitter interface {
	// FitBattery starts afresh with another battery. What was known of the old one is kept for
	// TakeBackBattery.
	FitBattery(ctx context.Context, battery string, now Fitted, by string) error
	// TakeBackBattery says that the battery was not replaced: it is the one that was.
	TakeBackBattery(ctx context.Context, battery string, was Fitted, by string) error
	// DescribeBattery changes what is known of a battery, which stays the same one.
	DescribeBattery(ctx context.Context, battery string, p snapshot.Passport, by string) error
	// SettleBatteries drops what is kept of batteries that were replaced.
	SettleBatteries(ctx context.Context) error
}

// FitKeys are the fields of a battery's label, after "fit.", the battery and a point, in the order
// in which they are asked for.
var FitKeys = []string{
	"make", "serial", "date_code", "chemistry", "place", "rated_ah", "rated_cca_a", "installed", "warranty_until",
}

// Chemistries are those that a label may say; the configuration refuses others.
var Chemistries = []string{"flooded", "agm", "gel"}

func (f *Form) addLabels(batteries []string) {
	for _, b := range batteries {
		for _, what := range FitKeys {
			field := Field{Key: "fit." + b + "." + what}
			switch what {
			case "chemistry":
				field.Kind, field.Choices = Choice, Chemistries
			case "rated_ah":
				field.Kind, field.Unit, field.Min, field.Max = Number, "Ah", 20, 400
			case "rated_cca_a":
				field.Kind, field.Unit, field.Min, field.Max = Number, "A", 100, 2000
			case "installed", "warranty_until":
				field.Kind = Date
			}
			f.Fields = append(f.Fields, field)
		}
	}
}

// fittedOf returns what a snapshot says of a battery.
func fittedOf(s *snapshot.Snapshot, battery string) (f Fitted, ok bool) {
	if s == nil || s.Index(battery) < 0 {
		return Fitted{}, false
	}
	b := &s.Batteries[s.Index(battery)]
	return Fitted{Chemistry: b.Chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA, Passport: b.Passport}, true
}

// Label returns the fields of a battery's label as they would be asked for: what was typed, else what
// is known of the place and would be so of its next battery too.
func (d *Draft) Label(battery string, now Facts) map[string]string {
	out := map[string]string{}
	has, ok := fittedOf(now.Snapshot, battery)
	if ok {
		out["chemistry"] = has.Chemistry
		out["rated_ah"] = strconv.FormatFloat(has.RatedAh, 'f', -1, 64)
		out["rated_cca_a"] = strconv.FormatFloat(has.RatedCCA, 'f', -1, 64)
		if has.Passport != nil {
			out["place"] = has.Passport.Place
		}
	}
	if now.ClockTrusted {
		out["installed"] = now.At.UTC().Format(time.DateOnly)
	}
	for _, what := range FitKeys {
		if typed, has := d.Fields["fit."+battery+"."+what]; has {
			out[what] = typed
		}
	}
	return out
}

// typed returns the fields of a battery's label that somebody has filled in.
func (d *Draft) typed(battery string) map[string]string {
	out := map[string]string{}
	for _, what := range FitKeys {
		out[what] = d.Fields["fit."+battery+"."+what]
	}
	return out
}

// passportOf returns a label's fields as a passport.
func passportOf(label map[string]string, now Facts) snapshot.Passport {
	return snapshot.Passport{
		Place: label["place"], Make: label["make"], Serial: label["serial"], DateCode: label["date_code"],
		Made: MadeBy(label["date_code"], now), Installed: label["installed"], WarrantyUntil: label["warranty_until"],
	}
}

func likelyYear(y int) bool { return y >= 1990 && y < 2100 }

// NotDate says that a value is no date.
const NotDate Problem = "not-date"

// cleanDate returns a date as it is kept: 2025-10-16 or 2025-10. A month before a year is taken too,
// since it can mean one thing only; a day and a month in figures can mean two.
func cleanDate(value string) (string, Problem) {
	for _, l := range []struct{ read, write string }{
		{"2006-01-02", "2006-01-02"}, {"2006-01", "2006-01"}, {"01/2006", "2006-01"}, {"1/2006", "2006-01"},
		{"2 Jan 2006", "2006-01-02"}, {"2 January 2006", "2006-01-02"}, {"January 2, 2006", "2006-01-02"},
		{"Jan 2, 2006", "2006-01-02"}, {"Jan 2006", "2006-01"}, {"January 2006", "2006-01"},
	} {
		if t, err := time.Parse(l.read, value); err == nil && likelyYear(t.Year()) {
			return t.Format(l.write), ""
		}
	}
	return "", NotDate
}

// Errors of a replacement.
var (
	ErrNoFitter   = errors.New("visit: this unit can't replace batteries")
	ErrNoSuchWork = errors.New("visit: no such replacement to take back")
)

// Missing returns the fields that a replacement needs and that are empty or impossible.
func (d *Draft) Missing(battery string, now Facts) (keys []string) {
	label := d.Label(battery, now)
	for _, what := range []string{"chemistry", "rated_ah", "rated_cca_a"} {
		if label[what] == "" {
			keys = append(keys, "fit."+battery+"."+what)
		}
	}
	return keys
}

// ReplaceBattery notes that a battery was replaced by the one whose label is in the draft's fields,
// and lets it act on the agent. What was measured of the old one goes with it. The same work ID a
// second time does nothing.
func (k *Store) ReplaceBattery(ctx context.Context, id, workID, battery string, now Facts) (*Draft, error) {
	d := k.Draft()
	if d == nil {
		return nil, ErrNoDraft
	}
	if d.ID != id {
		return nil, ErrWrongVisit
	}
	if missing := d.Missing(battery, now); len(missing) > 0 {
		return nil, fmt.Errorf("visit: replace battery %s: %s: want what is on its label", battery, missing[0])
	}
	label := d.Label(battery, now)
	ah, _ := ParseNumber(label["rated_ah"])
	cca, _ := ParseNumber(label["rated_cca_a"])
	p := passportOf(label, now)
	return k.AddWork(ctx, id, Work{
		ID: workID, Kind: BatteryReplaced, Subject: battery,
		Fitted: &Fitted{Chemistry: label["chemistry"], RatedAh: ah, RatedCCA: cca, Passport: &p},
	}, now)
}

// takeOut fills in what was known of the battery that work replaces.
func (d *Draft) takeOut(form *Form, w *Work, now Facts) {
	was, ok := fittedOf(now.Snapshot, w.Subject)
	if !ok {
		return
	}
	w.Removed = &Removed{Fitted: was, Fields: map[string]string{}}
	figures := figuresOf(now.Snapshot)
	if i := slices.IndexFunc(figures.Batteries, func(b BatteryFigures) bool { return b.ID == w.Subject }); i >= 0 {
		w.Removed.At = figures.Batteries[i]
	}
	runs := now.Snapshot.Motor.Runs
	w.Removed.RunsJudged = &runs
	if t, any := d.test(w.Subject); any {
		w.Removed.Tests = &t
	}
	if c, any := d.cells(w.Subject); any {
		w.Removed.Cells = &c
	}
	for _, f := range form.Fields {
		if value := d.Fields[f.Key]; value != "" && ofBattery(f.Key, w.Subject) {
			w.Removed.Fields[f.Key] = value
		}
	}
}

// ofBattery reports whether a field is of the battery itself: it goes with it.
func ofBattery(key, battery string) bool {
	for _, section := range []string{"test.", "hydro.", "fit."} {
		if len(key) > len(section)+len(battery) && key[:len(section)] == section &&
			key[len(section):len(section)+len(battery)+1] == battery+"." {
			return true
		}
	}
	return false
}

// swapFields takes the fields of a battery off the draft, and puts those of another in their place.
func (d *Draft) swapFields(form *Form, battery string, in map[string]string, now Facts) {
	for _, f := range form.Fields {
		if ofBattery(f.Key, battery) && d.Fields[f.Key] != in[f.Key] {
			d.set(form, f.Key, in[f.Key], d.Revision, now)
		}
	}
}

// TakeBack undoes a replacement of the open visit: the battery is the one that it was, with all that
// was learned of it and noted of it.
func (k *Store) TakeBack(ctx context.Context, id, workID string, now Facts) (*Draft, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(d.Work, func(w Work) bool { return w.ID == workID })
	if i < 0 || d.Work[i].Kind != BatteryReplaced || d.Work[i].Removed == nil || later(d.Work[i+1:], d.Work[i].Subject) {
		return nil, ErrNoSuchWork
	}
	w := &d.Work[i]
	if w.TakenBack != nil { // sent twice
		return d, nil
	}
	if k.o.Fitter == nil {
		return nil, ErrNoFitter
	}
	ctx, cancel := context.WithTimeout(ctx, actLimit)
	defer cancel()
	if err := k.o.Fitter.TakeBackBattery(ctx, w.Subject, w.Removed.Fitted, d.Fields["by"]); err != nil {
		return nil, err
	}
	at := now.At.UTC()
	w.TakenBack = &at
	d.Revision, d.Changed = d.Revision+1, now.At.UTC()
	d.swapFields(k.o.Form, w.Subject, w.Removed.Fields, now)
	return k.keep(d)
}

// later reports whether a battery was replaced again, and that was not taken back.
func later(work []Work, battery string) bool {
	return slices.ContainsFunc(work, func(w Work) bool {
		return w.Kind == BatteryReplaced && w.Subject == battery && w.TakenBack == nil
	})
}

// Describe notes what is known of a battery that stays, from its fields in the draft.
func (k *Store) Describe(ctx context.Context, id, battery string, now Facts) (*Draft, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return nil, err
	}
	if k.o.Fitter == nil {
		return nil, ErrNoFitter
	}
	p := passportOf(d.typed(battery), now)
	ctx, cancel := context.WithTimeout(ctx, actLimit)
	defer cancel()
	if err := k.o.Fitter.DescribeBattery(ctx, battery, p, d.Fields["by"]); err != nil {
		return nil, err
	}
	d.Revision, d.Changed = d.Revision+1, now.At.UTC()
	for _, what := range FitKeys { // they are the battery's now; the next one has its own
		if key := "fit." + battery + "." + what; d.Fields[key] != "" {
			d.set(k.o.Form, key, "", d.Revision, now)
		}
	}
	return k.keep(d)
}

// settle lets go of what is kept for taking back. That it fails costs nothing but memory: it is
// called at the beginning of each visit too. The agent's loop can't wait for itself.
func (k *Store) settle(inLoop bool) {
	if k.o.Fitter == nil || inLoop {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), actLimit)
	defer cancel()
	_ = k.o.Fitter.SettleBatteries(ctx)
}

// labelsOf returns the batteries of a snapshot with what is known of them.
func labelsOf(s *snapshot.Snapshot) (all []Labeled) {
	if s == nil {
		return nil
	}
	for i := range s.Batteries {
		f, _ := fittedOf(s, s.Batteries[i].ID)
		all = append(all, Labeled{s.Batteries[i].ID, f})
	}
	return all
}
