package detect

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// Set is the findings of one unit at work.
type Set struct {
	frame *view.Frame
	all   []*work
	pace  [paces][]*work // the same, by pace
}

// work is a finding of one unit: what is known of it, and a record for each subject. What depends on the
// types of its limits and its memory is behind kept, so that the program has the rest once, not once a finding.
type work struct {
	*finding.Definition
	plain
	kept     kept
	subjects []view.Subject
	first    int // record of the first subject in the book; the others follow
}

// plain is what a finding says without its limits and its memory.
type plain struct {
	pace         Pace
	needs        view.Need
	ends, renews []Work
	clean        func(*view.Frame) bool
	oneCause     func(a, b view.Subject, x, y *finding.Record) bool
}

// kept is what a finding keeps for one unit: its limits' values, and a memory for each subject.
type kept interface {
	limits() []limit.Limit
	begin(f *view.Frame) (on bool, hold, release Times)
	room(subjects int)
	judge(v view.View, i int) finding.Verdict
	lose(i int, to loss)
	memory(i int) any // a pointer to it; nil: there is none
	restore(i int, text json.RawMessage) error
}

// loss is why a memory is lost, and how much of it.
type loss uint8

const (
	toLapse loss = iota // what a need that is not met makes worthless
	toGap               // what has to last
	toWork              // all of it
)

// keeps is kept with these types.
type keeps[L, M any] struct {
	finding *Finding[L, M]
	limit   L
	of      []M // by subject
}

func (k *keeps[L, M]) limits() []limit.Limit { return k.finding.limits(&k.limit) }
func (k *keeps[L, M]) room(subjects int)     { k.of = make([]M, subjects) }

func (k *keeps[L, M]) begin(f *view.Frame) (on bool, hold, release Times) {
	if k.finding.Times != nil {
		hold, release = k.finding.Times(&k.limit)
	}
	return k.finding.On == nil || k.finding.On(f, &k.limit), hold, release
}

func (k *keeps[L, M]) judge(v view.View, i int) finding.Verdict {
	return k.finding.Judge(v, &k.limit, &k.of[i])
}

func (k *keeps[L, M]) lose(i int, to loss) {
	switch {
	case to == toWork:
		k.of[i] = *new(M)
	case to == toLapse && k.finding.Lapse != nil:
		k.finding.Lapse(&k.of[i])
	case to == toGap && k.finding.Gap != nil:
		k.finding.Gap(&k.of[i])
	}
}

func (k *keeps[L, M]) memory(i int) any {
	if _, none := any(&k.of[i]).(*None); none {
		return nil
	}
	return &k.of[i]
}

func (k *keeps[L, M]) restore(i int, text json.RawMessage) error {
	var m M
	if err := json.Unmarshal(text, &m); err != nil {
		return err
	}
	if k.finding.Sane != nil {
		if err := k.finding.Sane(&m); err != nil {
			return err
		}
	}
	k.of[i] = m
	return nil
}

func (k *Finding[L, M]) atWork() (*finding.Definition, []view.Kind, plain, kept) {
	return &k.Definition, k.Of, plain{k.Pace, k.Needs, k.Ends, k.Renews, k.Clean, k.OneCause}, &keeps[L, M]{finding: k}
}

// begin puts a finding of a unit to work.
func begin(k Kind, f *view.Frame, values limit.Values) (*work, error) {
	w := &work{first: len(f.Book.Records)}
	var kinds []view.Kind
	w.Definition, kinds, w.plain, w.kept = k.atWork()
	if err := limit.Apply(w.kept.limits(), values); err != nil {
		return nil, err
	}
	limit.InSeries(w.kept.limits(), f.Layout.Blocks())
	on, hold, release := w.kept.begin(f)
	if !on {
		return w, nil
	}
	if kinds == nil {
		kinds = []view.Kind{view.OfUnit}
	}
	for _, kind := range kinds {
		for _, s := range f.Subjects(kind) {
			w.subjects = append(w.subjects, s)
			f.Book.Add(finding.NewRecord(w.Definition, s.Name, hold, release))
		}
	}
	w.kept.room(len(w.subjects))
	return w, nil
}

func (w *work) judge(f *view.Frame) {
	if why := f.Lacks(w.needs); why != nil {
		w.unjudged(f, why)
		return
	}
	if w.clean != nil && w.clean(f) && finding.Calm(f.Book.Records[w.first:w.first+len(w.subjects)]) {
		return
	}
	for i := range w.subjects {
		f.Book.Judge(w.first+i, f.At.Mono, w.kept.judge(view.Of(f, &w.subjects[i]), i))
	}
}

func (w *work) unjudged(f *view.Frame, why *unit.Text) {
	for i := range w.subjects {
		w.kept.lose(i, toLapse)
		f.Book.Judge(w.first+i, f.At.Mono, finding.Unjudged(why))
	}
}

func (w *work) gap() {
	for i := range w.subjects {
		w.kept.lose(i, toGap)
	}
}

func (w *work) hangs(done Work) bool {
	return slices.Contains(w.ends, done) || slices.Contains(w.renews, done)
}

func (w *work) worked(f *view.Frame, done Work, battery int) {
	if !w.hangs(done) {
		return
	}
	ends := slices.Contains(w.ends, done)
	for i, s := range w.subjects {
		w.kept.lose(i, toWork)
		if ends && (s.Kind != view.OfBattery || s.Index == battery) {
			f.Book.End(w.first+i, f.At.Mono)
		}
	}
}

// save returns the memory by subject; nothing for a finding without one.
func (w *work) save() (json.RawMessage, error) {
	by := map[string]any{}
	for i, s := range w.subjects {
		if m := w.kept.memory(i); m != nil {
			by[s.Name] = m
		}
	}
	if len(by) == 0 {
		return nil, nil
	}
	return json.Marshal(by)
}

func (w *work) restore(text json.RawMessage) error {
	by := map[string]json.RawMessage{}
	if err := json.Unmarshal(text, &by); err != nil {
		return err
	}
	for i, s := range w.subjects {
		if text, ok := by[s.Name]; ok {
			if err := w.kept.restore(i, text); err != nil {
				return err
			}
		}
	}
	return nil
}

// leader returns the first record of this finding that stands for record i of it: raised at the
// same time, for one cause. Negative: none.
func (w *work) leader(f *view.Frame, i int) int {
	own := i - w.first
	if w.oneCause == nil || own < 0 || own >= len(w.subjects) {
		return -1
	}
	all := f.Book.Records
	r := &all[i]
	for c := w.first; c < i; c++ {
		k := &all[c]
		together := k.Active() && k.RaisedAt >= r.RaisedAt-sameFailure && k.RaisedAt <= r.RaisedAt+sameFailure
		if together && w.oneCause(w.subjects[c-w.first], w.subjects[own], k, r) {
			return c
		}
	}
	return -1
}

// Start puts all findings of a unit to work, with a record of each in the frame's book. values are
// the limits that were set.
func Start(f *view.Frame, values limit.Values) (*Set, error) { return start(All, f, values) }

func start(kinds []Kind, f *view.Frame, values limit.Values) (*Set, error) {
	s := &Set{frame: f}
	f.Names = f.Names[:0]
	for k := range f.Layout.Strings(len(f.Spec)) {
		f.Names = append(f.Names, f.StringName(k))
	}
	var errs []error
	for _, k := range kinds {
		r, err := begin(k, f, values)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", k.About().Name, err))
			continue
		}
		s.all = append(s.all, r)
		s.pace[r.pace] = append(s.pace[r.pace], r)
	}
	return s, errors.Join(errs...)
}

// Limits returns the limits of all findings at work, with their values.
func (s *Set) Limits() (all []limit.Limit) {
	for _, r := range s.all {
		all = append(all, r.kept.limits()...)
	}
	return all
}

// Judge judges the findings of one pace, in the order of All.
func (s *Set) Judge(p Pace) {
	for _, r := range s.pace[p] {
		r.judge(s.frame)
	}
}

// Gap ends what has to last before it is said: scans were missed.
func (s *Set) Gap() {
	for _, r := range s.all {
		r.gap()
	}
}

// Worked ends what work on the unit makes worthless.
func (s *Set) Worked(w Work, battery int) {
	for _, r := range s.all {
		r.worked(s.frame, w, battery)
	}
}

// Memory is what the findings remember, by finding, to be saved.
type Memory map[string]json.RawMessage

// Save returns what the findings remember. A memory that can't be written is left out: its finding
// starts again after a restart.
func (s *Set) Save() Memory {
	out := Memory{}
	for _, r := range s.all {
		if text, err := r.save(); err == nil && text != nil {
			out[r.Name] = text
		}
	}
	return out
}

// Restore takes over saved memories. A finding whose memory can't be starts again, and the error
// names it; the others are restored all the same.
func (s *Set) Restore(m Memory) error {
	var errs []error
	for _, r := range s.all {
		text, ok := m[r.Name]
		if !ok {
			continue
		}
		if err := r.restore(text); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", r.Name, err))
		}
	}
	return errors.Join(errs...)
}

// Hangs reports whether a finding's memory hangs on what such work changes.
func (s *Set) Hangs(name string, w Work) bool {
	for _, r := range s.all {
		if r.Name == name && r.hangs(w) {
			return true
		}
	}
	return false
}

// TakeBack takes over the memories that such work has made worthless: it was not done.
func (s *Set) TakeBack(m Memory, w Work) error {
	some := Memory{}
	for _, r := range s.all {
		if text, ok := m[r.Name]; ok && r.hangs(w) {
			some[r.Name] = text
		}
	}
	return s.Restore(some)
}
