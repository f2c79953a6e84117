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
	all   []running
	pace  [paces][]running // the same, by pace
}

// running is one finding at work.
type running interface {
	name() string
	pace() Pace
	judge(f *view.Frame)
	gap()
	worked(f *view.Frame, w Work, battery int)
	hangs(w Work) bool
	save() (json.RawMessage, error)
	restore(json.RawMessage) error
	declared() []limit.Limit
	leader(f *view.Frame, i int) int
}

// work is a finding of one unit: its limits' values, and a memory and a record for each subject.
type work[L, M any] struct {
	*Finding[L, M]
	limit    L
	subjects []view.Subject
	memory   []M
	first    int // record of the first subject in the book; the others follow
}

func (k *Finding[L, M]) start(f *view.Frame, values limit.Values) (running, error) {
	w := &work[L, M]{Finding: k, first: len(f.Book.Records)}
	if err := limit.Apply(k.limits(&w.limit), values); err != nil {
		return nil, err
	}
	if k.On != nil && !k.On(f, &w.limit) {
		return w, nil
	}
	var hold, release Times
	if k.Times != nil {
		hold, release = k.Times(&w.limit)
	}
	kinds := k.Of
	if kinds == nil {
		kinds = []view.Kind{view.OfUnit}
	}
	for _, kind := range kinds {
		for _, s := range f.Subjects(kind) {
			w.subjects = append(w.subjects, s)
			f.Book.Add(finding.NewRecord(&k.Definition, s.Name, hold, release))
		}
	}
	w.memory = make([]M, len(w.subjects))
	return w, nil
}

func (w *work[L, M]) name() string            { return w.Name }
func (w *work[L, M]) pace() Pace              { return w.Pace }
func (w *work[L, M]) declared() []limit.Limit { return w.limits(&w.limit) }

func (w *work[L, M]) judge(f *view.Frame) {
	if why := f.Lacks(w.Needs); why != nil {
		w.unjudged(f, why)
		return
	}
	if w.Clean != nil && w.Clean(f) && finding.Calm(f.Book.Records[w.first:w.first+len(w.subjects)]) {
		return
	}
	for i := range w.subjects {
		v := w.Judge(view.Of(f, &w.subjects[i]), &w.limit, &w.memory[i])
		f.Book.Judge(w.first+i, f.At.Mono, v)
	}
}

func (w *work[L, M]) unjudged(f *view.Frame, why *unit.Text) {
	for i := range w.subjects {
		if w.Lapse != nil {
			w.Lapse(&w.memory[i])
		}
		f.Book.Judge(w.first+i, f.At.Mono, finding.Unjudged(why))
	}
}

func (w *work[L, M]) gap() {
	for i := range w.memory {
		if w.Gap != nil {
			w.Gap(&w.memory[i])
		}
	}
}

func (w *work[L, M]) hangs(done Work) bool {
	return slices.Contains(w.Ends, done) || slices.Contains(w.Renews, done)
}

func (w *work[L, M]) worked(f *view.Frame, done Work, battery int) {
	if !w.hangs(done) {
		return
	}
	ends := slices.Contains(w.Ends, done)
	for i, s := range w.subjects {
		var none M
		w.memory[i] = none
		if ends && (s.Kind != view.OfBattery || s.Index == battery) {
			f.Book.End(w.first+i, f.At.Mono)
		}
	}
}

// save returns the memory by subject; nothing for a finding without one.
func (w *work[L, M]) save() (json.RawMessage, error) {
	if _, none := any(new(M)).(*None); none || len(w.subjects) == 0 {
		return nil, nil
	}
	by := map[string]*M{}
	for i := range w.subjects {
		by[w.subjects[i].Name] = &w.memory[i]
	}
	return json.Marshal(by)
}

func (w *work[L, M]) restore(text json.RawMessage) error {
	by := map[string]M{}
	if err := json.Unmarshal(text, &by); err != nil {
		return err
	}
	for i, s := range w.subjects {
		m, ok := by[s.Name]
		if !ok {
			continue
		}
		if w.Sane != nil {
			if err := w.Sane(&m); err != nil {
				return err
			}
		}
		w.memory[i] = m
	}
	return nil
}

// leader returns the first record of this finding that stands for record i of it: raised at the
// same time, for one cause. Negative: none.
func (w *work[L, M]) leader(f *view.Frame, i int) int {
	own := i - w.first
	if w.OneCause == nil || own < 0 || own >= len(w.subjects) {
		return -1
	}
	all := f.Book.Records
	r := &all[i]
	for c := w.first; c < i; c++ {
		k := &all[c]
		together := k.Active() && k.RaisedAt >= r.RaisedAt-sameFailure && k.RaisedAt <= r.RaisedAt+sameFailure
		if together && w.OneCause(w.subjects[c-w.first], w.subjects[own], k, r) {
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
	var errs []error
	for _, k := range kinds {
		r, err := k.start(f, values)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", k.About().Name, err))
			continue
		}
		s.all = append(s.all, r)
		s.pace[r.pace()] = append(s.pace[r.pace()], r)
	}
	return s, errors.Join(errs...)
}

// Limits returns the limits of all findings at work, with their values.
func (s *Set) Limits() (all []limit.Limit) {
	for _, r := range s.all {
		all = append(all, r.declared()...)
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
			out[r.name()] = text
		}
	}
	return out
}

// Restore takes over saved memories. A finding whose memory can't be starts again, and the error
// names it; the others are restored all the same.
func (s *Set) Restore(m Memory) error {
	var errs []error
	for _, r := range s.all {
		text, ok := m[r.name()]
		if !ok {
			continue
		}
		if err := r.restore(text); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", r.name(), err))
		}
	}
	return errors.Join(errs...)
}

// Hangs reports whether a finding's memory hangs on what such work changes.
func (s *Set) Hangs(name string, w Work) bool {
	for _, r := range s.all {
		if r.name() == name && r.hangs(w) {
			return true
		}
	}
	return false
}

// TakeBack takes over the memories that such work has made worthless: it was not done.
func (s *Set) TakeBack(m Memory, w Work) error {
	some := Memory{}
	for _, r := range s.all {
		if text, ok := m[r.name()]; ok && r.hangs(w) {
			some[r.name()] = text
		}
	}
	return s.Restore(some)
}
