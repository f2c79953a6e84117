package visit

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"liftbank/agent/disk"
	"liftbank/agent/safefile"
)

// Options say where visits are kept.
type Options struct {
	Dir     string // made where it isn't there
	Unit    string
	Form    *Form
	Outlet  Outlet  // nil: none
	Actions Actions // nil: work is noted and acts on nothing
	Switch  Switch  // turned on with a visit and off with its end; nil: none
	Log     *slog.Logger
	Fitter  Fitter // nil: a replaced battery is noted alone
}

// Store keeps one unit's visits: one draft at the most, and those that are finished. It is safe for
// any number of goroutines.
//
// In its folder are draft.json, a file for each finished visit, and beside one that the outlet has
// taken an empty file of the same name with .sent. A draft that was thrown away or can't be read
// stays under another name.
type Store struct {
	o       Options
	mu      sync.Mutex
	handing sync.Mutex // one visit is offered at a time
	draft   *Draft
	photo   chan struct{} // one photo is taken in at a time: it needs the memory
	damaged string        // file that a draft that couldn't be read was moved to
}

const draftFile = "draft.json"

// Errors that a caller branches on.
var (
	ErrNoDraft    = errors.New("visit: none is open")
	ErrVisitOpen  = errors.New("visit: another one is open")
	ErrWrongVisit = errors.New("visit: the form is from another visit: reload the page")
	ErrNone       = errors.New("visit: no such visit")
	ErrNoName     = errors.New("visit: want the name of the technician")
)

var idForm = regexp.MustCompile(`^[0-9]{8}t[0-9]{6}-[0-9a-z]{6,32}$`)

// Open reads the folder. HandOver then offers the outlet what it hasn't had.
func Open(o Options) (*Store, error) {
	if err := safefile.MakeDir(o.Dir, 0o750); err != nil {
		return nil, fmt.Errorf("visits: %w", err)
	}
	entries, err := disk.Now().ReadDir(o.Dir)
	if err != nil {
		return nil, fmt.Errorf("visits: %w", err)
	}
	for _, e := range entries { // the agent was killed while it wrote: what they were to replace is whole
		if left, err := filepath.Match(safefile.Unfinished, e.Name()); err != nil || !left {
			continue
		}
		if err := disk.Now().Remove(filepath.Join(o.Dir, e.Name())); err != nil {
			return nil, fmt.Errorf("visits: %w", err)
		}
	}
	k := &Store{o: o, photo: make(chan struct{}, 1)}
	if err := k.readDraft(); err != nil {
		return nil, err
	}
	return k, k.dropStrayPhotos()
}

func (k *Store) readDraft() error {
	path := filepath.Join(k.o.Dir, draftFile)
	b, err := disk.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("visits: %w", err)
	}
	var d Draft
	if err := json.Unmarshal(b, &d); err != nil || d.Schema != DraftSchema || !idForm.MatchString(d.ID) {
		k.damaged, err = k.setAside(path, "damaged")
		return err
	}
	if d.Fields == nil {
		d.Fields = map[string]string{}
	}
	if d.Beside == nil {
		d.Beside = map[string]MonitorFigure{}
	}
	if _, err := disk.Now().Stat(k.path(d.ID)); err == nil { // killed between the end of the visit and that of its draft
		return k.remove(path)
	}
	k.draft = &d
	return nil
}

// setAside renames a file to a free name.
func (k *Store) setAside(path, why string) (string, error) {
	for i := 1; ; i++ {
		to := filepath.Join(k.o.Dir, fmt.Sprintf("draft-%s-%d.json", why, i))
		if _, err := disk.Now().Stat(to); errors.Is(err, os.ErrNotExist) {
			if err := disk.Now().Rename(path, to); err != nil {
				return "", fmt.Errorf("visits: %w", err)
			}
			return to, safefile.SyncDir(k.o.Dir)
		}
	}
}

// Damaged returns the file that an unreadable draft was moved to at start, empty if there was none.
func (k *Store) Damaged() string { return k.damaged }

// Form returns the fields of a visit.
func (k *Store) Form() *Form { return k.o.Form }

// Draft returns a copy of the open visit, nil if there is none.
func (k *Store) Draft() *Draft {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.draft == nil {
		return nil
	}
	return k.draft.copy()
}

// Begin begins a visit. token is random text of a-z and 0-9, 6 to 32 of them, that makes its name
// unique.
func (k *Store) Begin(by, token string, now Facts) (*Draft, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.draft != nil {
		return k.draft.copy(), ErrVisitOpen
	}
	by, trouble := k.o.Form.Field("by").clean(by)
	if by == "" || trouble != "" {
		return nil, ErrNoName
	}
	d := &Draft{
		Schema: DraftSchema, ID: now.At.UTC().Format(
			"20060102t150405",
		) + "-" + token, Unit: k.o.Unit, Begun: now.At.UTC(), Changed: now.At.UTC(),
		ClockTrusted: now.ClockTrusted, Start: countersOf(now.Snapshot), Before: figuresOf(now.Snapshot),
		Fields: map[string]string{}, Beside: map[string]MonitorFigure{}, Work: []Work{}, Log: []Change{},
		Found: remainingOf(now.Snapshot),
	}
	if !idForm.MatchString(d.ID) {
		return nil, fmt.Errorf("visit: id %q: want a token of a-z and 0-9", d.ID)
	}
	d.set(k.o.Form, "by", by, 1, now)
	k.presetLimits(d, now)
	d.Revision = 1
	k.settle(now.InLoop)
	kept, err := k.keep(d)
	if err == nil {
		k.turn("begin", now.InLoop, func(ctx context.Context, s Switch) error { return s.BeginWork(ctx, ByVisit, by) })
	}
	return kept, err
}

// turn turns the switch of work under way. A visit goes on without: the page has the switch, too.
func (k *Store) turn(what string, inLoop bool, turn func(context.Context, Switch) error) {
	if k.o.Switch == nil || inLoop {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), actLimit)
	defer cancel()
	if err := turn(ctx, k.o.Switch); err != nil && k.o.Log != nil {
		k.o.Log.Warn("work under way: visit could not "+what+" it", "err", err)
	}
}

// endWork ends work under way with the visit of a technician.
func (k *Store) endWork(by string, inLoop bool) {
	k.turn("end", inLoop, func(ctx context.Context, s Switch) error { return s.EndWork(ctx, by) })
}

// presetLimits takes over the limits that were typed from the manual at the last visit: they are the
// machine's.
func (k *Store) presetLimits(d *Draft, now Facts) {
	last, _, err := k.List(1)
	if err != nil || len(last) == 0 {
		return
	}
	for _, a := range last[0].Areas {
		for _, i := range a.Items {
			k.presetLimit(d, ItemKey(a.ID, i.ID)+".limit_min", i.LimitMin, now)
			k.presetLimit(d, ItemKey(a.ID, i.ID)+".limit_max", i.LimitMax, now)
		}
	}
}

func (k *Store) presetLimit(d *Draft, key string, limit *float64, now Facts) {
	if f := k.o.Form.Field(key); f != nil && limit != nil && f.takes(*limit) {
		d.set(k.o.Form, key, strconv.FormatFloat(*limit, 'f', -1, 64), 1, now)
	}
}

// keep writes a draft and then makes it the present one.
func (k *Store) keep(d *Draft) (*Draft, error) {
	if err := k.write(filepath.Join(k.o.Dir, draftFile), d); err != nil {
		return nil, err
	}
	k.draft = d
	return d.copy(), nil
}

// edit returns a copy of the draft with this ID, to be changed.
func (k *Store) edit(id string) (*Draft, error) {
	if k.draft == nil {
		return nil, ErrNoDraft
	}
	if k.draft.ID != id {
		return nil, ErrWrongVisit
	}
	return k.draft.copy(), nil
}

// Save takes in what a form sent that was made from a revision of a draft. What can be taken is on
// the disk when it returns; conflicts and refusals are in the result.
func (k *Store) Save(id string, revision int, sent map[string]string, now Facts) (Result, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return Result{}, err
	}
	r, changed := d.apply(k.o.Form, revision, sent, now)
	if changed {
		if _, err := k.keep(d); err != nil {
			return Result{}, err
		}
	}
	r.Draft = d.copy()
	return r, nil
}

// AddWork notes work done and lets it act on the agent. The same work ID a second time does
// nothing. What the agent refuses is noted with the work, not an error.
func (k *Store) AddWork(ctx context.Context, id string, w Work, now Facts) (*Draft, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return nil, err
	}
	if slices.ContainsFunc(d.Work, func(have Work) bool { return have.ID == w.ID }) {
		return d, nil
	}
	if !slices.Contains(WorkKinds, w.Kind) {
		return nil, fmt.Errorf("visit: work %q: want one of %s", w.Kind, strings.Join(WorkKinds, ", "))
	}
	if w.Kind == BatteryReplaced != (w.Subject != "") || w.Subject != "" && !slices.Contains(
		k.o.Form.Batteries, w.Subject,
	) {
		return nil, fmt.Errorf(
			"visit: work %s: battery %q: want one of %s for a replaced battery, none for other work", w.Kind, w.Subject,
			strings.Join(k.o.Form.Batteries, ", "),
		)
	}
	note := Field{Kind: Note}
	text, trouble := note.clean(w.Note)
	if trouble != "" {
		return nil, fmt.Errorf("visit: note: %s: want at most %d characters", trouble, NoteLimit)
	}
	w.Note, w.At, w.By, w.Acted = text, now.At.UTC(), d.Fields["by"], false
	w.Error = "interrupted: the agent stopped, so this may or may not have been applied"
	if w.Fitted != nil {
		d.takeOut(k.o.Form, &w, now)
	}
	d.Work = append(d.Work, w)
	d.Revision, d.Changed = d.Revision+1, now.At.UTC()
	if _, err := k.keep(d); err != nil { // first noted, then done: never done and forgotten
		return nil, err
	}
	d = d.copy()
	done := &d.Work[len(d.Work)-1]
	done.Error = ""
	if err := k.act(ctx, done); err != nil {
		done.Error = err.Error()
	}
	if done.Acted && done.Removed != nil {
		d.swapFields(k.o.Form, w.Subject, nil, now)
	}
	return k.keep(d)
}

// act lets work act on the agent.
func (k *Store) act(ctx context.Context, w *Work) error {
	if w.Fitted != nil && k.o.Fitter != nil {
		ctx, cancel := context.WithTimeout(ctx, actLimit)
		defer cancel()
		err := k.o.Fitter.FitBattery(ctx, w.Subject, *w.Fitted, w.By)
		w.Acted = err == nil
		return err
	}
	if w.Calibrated != nil { // it was applied before it was noted
		w.Acted = true
		return nil
	}
	a := k.o.Actions
	if a == nil || w.Kind == OtherWork || w.Kind == ChannelCompared || w.Kind == ChannelCalibrated {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, actLimit)
	defer cancel()
	var err error
	switch w.Kind {
	case BatteryReplaced:
		err = a.ReplaceBattery(ctx, w.Subject, w.By)
	case JointCleaned, CableReplaced:
		err = a.JointCleaned(ctx, w.By)
	case FilterChanged:
		err = a.ResetService(ctx, "filter", w.By)
	case OilChanged:
		err = a.ResetService(ctx, "oil", w.By)
	case ServiceDone:
		err = a.ResetService(ctx, "service", w.By)
	}
	w.Acted = err == nil
	return err
}

// Finish ends the visit under way and hands it to the outlet.
func (k *Store) Finish(id string, now Facts) (*Visit, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return nil, err
	}
	if d.Fields["by"] == "" {
		return nil, ErrNoName
	}
	if len(d.ToSettle) > 0 {
		return nil, ErrToSettle
	}
	v := d.finish(k.o.Form, now)
	if err := k.write(k.path(v.ID), v); err != nil {
		return nil, err
	}
	// The record of the changes goes with it.
	if err := k.write(strings.TrimSuffix(k.path(v.ID), ".json")+".draft", d); err != nil {
		return nil, err
	}
	if err := k.remove(filepath.Join(k.o.Dir, draftFile)); err != nil {
		return nil, err
	}
	k.draft = nil
	k.settle(now.InLoop)
	k.endWork(v.By, now.InLoop)
	return v, k.HandOver()
}

// ErrNotSent is a visit that is finished and kept, and that the outlet didn't take; it will be
// offered again.
var ErrNotSent = errors.New("visit: saved, not forwarded yet")

func (k *Store) offer(v *Visit) error {
	if err := k.o.Outlet.Visit(v); err != nil {
		return fmt.Errorf("%w: %w", ErrNotSent, err)
	}
	return k.write(k.path(v.ID)+".sent", nil)
}

// HandOver offers the outlet what it hasn't taken yet, oldest first, up to the first that it
// refuses. It is called with each visit's end; who joins an outlet calls it too when that takes
// visits again.
func (k *Store) HandOver() error {
	if k.o.Outlet == nil {
		return nil
	}
	k.handing.Lock()
	defer k.handing.Unlock()
	ids, err := k.ids()
	if err != nil {
		return err
	}
	for _, id := range ids {
		if _, err := disk.Now().Stat(k.path(id) + ".sent"); err == nil {
			continue
		}
		v, err := k.Get(id)
		if err != nil {
			continue // damaged: it can't be sent, and the others can
		}
		if err := k.offer(v); err != nil {
			return err
		}
	}
	return nil
}

// Discard ends the visit under way without a record. Its draft stays in the folder under another
// name.
func (k *Store) Discard(id string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return err
	}
	if _, err := k.setAside(filepath.Join(k.o.Dir, draftFile), "discarded"); err != nil {
		return err
	}
	k.draft = nil
	k.settle(false)
	k.endWork(d.Fields["by"], false)
	return nil
}

// Get returns a finished visit.
func (k *Store) Get(id string) (*Visit, error) {
	if !idForm.MatchString(id) {
		return nil, ErrNone
	}
	b, err := disk.ReadFile(k.path(id))
	if errors.Is(err, os.ErrNotExist) {
		return nil, ErrNone
	}
	if err != nil {
		return nil, fmt.Errorf("visits: %w", err)
	}
	var v Visit
	if err := json.Unmarshal(b, &v); err != nil {
		return nil, fmt.Errorf("visits: %s: %w", id, err)
	}
	return &v, nil
}

// List returns at most n finished visits, newest first, and the number of all. Unreadable ones are
// left out.
func (k *Store) List(n int) (newest []*Visit, all int, err error) {
	ids, err := k.ids()
	if err != nil {
		return nil, 0, err
	}
	for _, id := range slices.Backward(ids) {
		if len(newest) == n {
			break
		}
		if v, err := k.Get(id); err == nil {
			newest = append(newest, v)
		}
	}
	return newest, len(ids), nil
}

// ids returns the IDs of the finished visits, oldest first.
func (k *Store) ids() ([]string, error) {
	entries, err := disk.Now().ReadDir(k.o.Dir)
	if err != nil {
		return nil, fmt.Errorf("visits: %w", err)
	}
	var ids []string
	for _, e := range entries {
		if id, is := strings.CutSuffix(e.Name(), ".json"); is && idForm.MatchString(id) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids, nil
}

func (k *Store) path(id string) string { return filepath.Join(k.o.Dir, id+".json") }

// write replaces a file in one step: whoever reads it later has the old or the new whole, whatever
// happens meanwhile. nil is an empty file.
func (k *Store) write(path string, what any) (err error) {
	var b []byte
	if what != nil {
		if b, err = json.MarshalIndent(what, "", " "); err != nil {
			return fmt.Errorf("visits: %w", err)
		}
	}
	if err := safefile.WriteFile(path, b); err != nil {
		return fmt.Errorf("visits: %w", err)
	}
	return nil
}

func (k *Store) remove(path string) error {
	if err := disk.Now().Remove(path); err != nil {
		return fmt.Errorf("visits: %w", err)
	}
	return safefile.SyncDir(k.o.Dir)
}

// Actions returns what a technician can make the agent do, nil for nothing.
func (k *Store) Actions() Actions { return k.o.Actions }

// actLimit bounds an action: the loop takes it up between two scans.
const actLimit = 5 * time.Second
