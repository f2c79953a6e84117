package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/fit"
	"liftbank/agent/safefile"
	settings "liftbank/agent/technician"
	"liftbank/agent/visit"
	"liftbank/sensors/calibration"
)

// File is the configuration's file, as the fitting on the page may change it.
type File struct {
	Path string // where it was read; empty: it can't be written
	Text []byte // as it was read; nil: nobody fits this unit
	// Write replaces it or a file beside it, for its owner and mode. nil: it can't be written.
	Write func(path string, data []byte) error
	// Restarts: whoever started the agent starts it again when it ends, with the file as it is then.
	Restarts bool
}

// How a board is read while somebody fits it.
const (
	fitEvery = 250 * time.Millisecond // between scans at rest, as liftbank fit does
	fitIdle  = 10 * time.Minute       // after which nobody looks any more
)

const mostFitted = 400 // times that a step is done or skipped in one fitting: what is kept has an end

// fitDesk leads through the fitting of a running unit. It measures by the configuration alone, without what
// is corrected at the unit.
type fitDesk struct {
	agent *Agent
	hash  string // of the configuration that the unit runs with
	path  string // of the state; empty: in memory only

	acting sync.Mutex // one act at a time; it is held while the card is written, and mu is not: the loop wants that

	mu      sync.Mutex // of what follows
	session *fit.Session
	id      string
	work    bool // it has begun work under way
	forms   []string
	watch   fit.ChipWatch
	frame   fit.Frame
	begun   bool // there was a scan
	said    fit.Phrase
	saidOf  string // step
	looked  time.Time
	left    *fit.State // kept of one that is not open
	over    *fit.State // the last one that ended, where a terminal's can't be removed
	last    fit.Finished
	lastOf  string // form that finished it
}

var _ fit.Desk = (*fitDesk)(nil)

// deskState is the state as the desk keeps it. A terminal reads the first part.
type deskState struct {
	fit.State
	Session string `json:"session,omitempty"` // of one that is open
	Work    bool   `json:"work,omitempty"`
}

// openFitDesk takes up a fitting that was open when the agent stopped.
func (a *Agent) openFitDesk() *fitDesk {
	d := &fitDesk{agent: a, hash: fit.Hash(a.opts.File.Text)}
	if dir := a.opts.Config.Visits.Dir; dir != "" {
		d.path = filepath.Join(dir, fit.UnitState)
	}
	own := d.load()
	d.left = d.later(&own.State)
	if d.left.Stands(d.hash) == fit.GoesOn && own.Session != "" && d.left == &own.State {
		d.open(own.State, own.Session, own.Work)
	}
	if d.left != nil && d.left.Ended {
		d.over = d.left
	}
	return d
}

// load reads the state that the desk has kept. One that can't be read is set aside.
func (d *fitDesk) load() *deskState {
	var s deskState
	if d.path == "" {
		return &s
	}
	text, err := safefile.Load(d.path)
	if err != nil {
		d.agent.opts.Log.Warn("fitting under way can't be read", "err", err)
	}
	if len(text) == 0 {
		return &s
	}
	if err := json.Unmarshal(text, &s); err != nil {
		to, _ := safefile.SetAside(d.path)
		d.agent.opts.Log.Warn("fitting under way can't be read: set aside", "file", to, "err", err)
		return &deskState{}
	}
	return &s
}

// later returns the later one of the desk's own state and that which a terminal left.
func (d *fitDesk) later(own *fit.State) *fit.State {
	if own.Config == "" {
		own = nil
	}
	return fit.Later(own, d.ofTerminal())
}

// ofTerminal reads what a terminal left, nil for nothing.
func (d *fitDesk) ofTerminal() *fit.State {
	if d.agent.opts.File.Path == "" {
		return nil
	}
	text, err := safefile.Look(fit.StateFile(d.agent.opts.File.Path))
	if err != nil {
		d.agent.opts.Log.Warn("fitting on the terminal can't be read", "err", err)
	}
	var s fit.State
	if len(text) == 0 || json.Unmarshal(text, &s) != nil || s.Config == "" {
		return nil
	}
	return &s
}

// open begins a session from a state; the caller holds the lock, or is alone.
func (d *fitDesk) open(s fit.State, id string, work bool) {
	s.Records = maps.Clone(s.Records)
	d.session, d.id, d.work, d.left = fit.NewSession(&d.agent.base, s), id, work, nil
	d.said, d.saidOf, d.looked, d.last, d.lastOf = fit.Phrase{}, "", d.agent.opts.Now(), fit.Finished{}, ""
}

// keep writes down how it stands. Nobody but the one who acts calls it.
func (d *fitDesk) keep(s deskState) error {
	text, err := json.Marshal(s)
	if err == nil {
		err = d.write(text)
	}
	return err
}

func (d *fitDesk) write(text []byte) error {
	if d.path == "" {
		return nil
	}
	err := safefile.MakeDir(filepath.Dir(d.path), 0o750)
	if err == nil {
		err = safefile.Save(d.path, text)
	}
	if err != nil {
		return fmt.Errorf("fitting under way: %w", err)
	}
	return nil
}

// keepNow writes down how the open fitting stands.
func (d *fitDesk) keepNow() error {
	d.mu.Lock()
	text, err := json.Marshal(deskState{d.session.State(), d.id, d.work}) // the loop adds to it
	d.mu.Unlock()
	if err == nil {
		err = d.write(text)
	}
	return err
}

// live reports whether somebody fits the unit now.
func (d *fitDesk) live() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.session != nil && d.agent.opts.Now().Sub(d.looked) < fitIdle
}

// feed takes a scan, in the loop's goroutine. It does so while no fitting is open too: one that is opened
// shows what the board reads now, not what it read when the last one was closed.
func (d *fitDesk) feed(c *Core) {
	if d.agent.opts.File.Text == nil {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.begun = true
	base := &d.agent.base
	d.frame = fit.Scanned(base, c.scan)
	for i := range d.frame.Readings {
		if r := &d.frame.Readings[i]; r.Fault == "" {
			k := base.Board.Channels[i].Calibration
			r.Value = calibration.Correction{OffsetAdd: k.Offset, Gain: k.Gain}.Apply(c.correction(i).Undo(r.Value))
		}
	}
	d.watch.Mark(base, c.Stats(), &d.frame)
	if d.session == nil {
		return
	}
	d.session.Feed(d.frame)
	st, _ := d.session.Step()
	if text := d.session.Say(); !text.Empty() {
		d.said, d.saidOf = text, st.ID
	}
	if d.saidOf != st.ID {
		d.said = fit.Phrase{}
	}
}

// Look returns how it stands.
func (d *fitDesk) Look() (v fit.View, ok bool) {
	if v, ok, open := d.look(); open {
		return v, ok
	}
	left := d.found()
	switch stands := left.Stands(d.hash); stands {
	case fit.GoesOn, fit.Foreign:
		v.Left = &fit.Left{By: left.By, Begun: left.Begun, Done: left.Done(), Foreign: stands == fit.Foreign}
	}
	v.Changed = d.changed() != nil
	v.Restarts = v.Changed && d.agent.opts.File.Restarts
	return v, true
}

// Restart ends the agent, to be started again with the configuration's file as it is now. A file that can't be used
// would leave the unit without an agent: it is refused.
func (d *fitDesk) Restart(by string) error {
	d.acting.Lock()
	defer d.acting.Unlock()
	f := &d.agent.opts.File
	if !f.Restarts || d.changed() == nil {
		return fit.ErrNoRestart
	}
	text, err := disk.ReadFile(f.Path)
	if err != nil {
		return err
	}
	cfg, err := config.Parse(f.Path, text)
	if err == nil {
		_, err = RulesConfig(&cfg)
	}
	if err != nil {
		return fmt.Errorf("%w: %w", fit.ErrUnusable, err)
	}
	technician{d.agent}.log("restart for another configuration", by)
	select {
	case d.agent.again <- struct{}{}:
	default: // it is ending already
	}
	return nil
}

// found returns the fitting that was left last, here or on a terminal.
func (d *fitDesk) found() *fit.State {
	d.mu.Lock()
	left, over := d.left, d.over
	d.mu.Unlock()
	return fit.Later(fit.Later(left, over), d.ofTerminal())
}

// look returns how an open fitting stands; ok is false before the first scan.
func (d *fitDesk) look() (v fit.View, ok, open bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.begun || d.session == nil {
		return v, false, !d.begun
	}
	d.looked = d.agent.opts.Now()
	s := d.session
	state := s.State()
	v = fit.View{Session: d.id, By: state.By, Begun: state.Begun, Revision: state.Done(), Steps: s.Steps(), Verdicts: s.Verdicts(),
		Said: d.said, Runs: s.Runs()}
	v.Step, v.Some = s.Step()
	v.ToDo, v.Of = s.Left()
	v.Wait = s.Ready()
	if d.frame.Readings == nil {
		return v, true, true
	}
	for i := range d.agent.base.Board.Channels {
		c, r := &d.agent.base.Board.Channels[i], d.frame.Readings[i]
		if v.Step.Shows(c) {
			v.Now = append(v.Now, fit.Shown{Channel: c.Name(), Unit: c.Unit(), Value: r.Value, Fault: r.Fault})
		}
	}
	for i, c := range d.agent.base.Board.Contacts {
		if v.Step.ShowsContacts() {
			v.Contacts = append(v.Contacts, fit.ShownContact{Signal: string(c.Signal), Level: d.frame.Contacts[i]})
		}
	}
	return v, true, true
}

// changed reports that the configuration's file is another one than the unit runs with.
func (d *fitDesk) changed() error {
	f := &d.agent.opts.File
	if f.Path == "" {
		return nil
	}
	text, err := disk.ReadFile(f.Path)
	if err == nil && fit.Hash(text) != d.hash {
		return fit.ErrChanged
	}
	return nil // one that can't be read now is seen when it is written
}

// Begin opens a fitting, and work under way with it.
func (d *fitDesk) Begin(ctx context.Context, session, by string, anew bool) error {
	if by == "" {
		return fit.ErrNoName
	}
	t := technician{d.agent}
	wall, _, err := t.wall(ctx)
	if err != nil {
		return err
	}
	d.acting.Lock()
	defer d.acting.Unlock()
	if d.isOpen() {
		return nil
	}
	if err := d.begin(session, by, anew, wall.UTC()); err != nil {
		return err
	}
	t.log("fitting begun", by)
	d.works(ctx, by)
	return nil
}

func (d *fitDesk) isOpen() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.session != nil
}

// begin opens the one that was left, or a new one.
func (d *fitDesk) begin(session, by string, anew bool, now time.Time) error {
	if err := d.changed(); err != nil {
		return err
	}
	state, left := fit.State{Config: d.hash, Begun: now}, d.found()
	if left != nil && !state.Begun.After(left.Begun) { // a clock that was not set: it must be the later one
		state.Begun = left.Begun.Add(time.Second)
	}
	if !anew {
		switch left.Stands(d.hash) {
		case fit.Foreign:
			return fit.ErrForeign
		case fit.GoesOn:
			state = *left
			state.After = ""
		}
	}
	state.By = by
	if state.Records == nil {
		state.Records = map[string][]fit.Record{}
	}
	if err := d.keep(deskState{State: state, Session: session}); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.open(state, session, false)
	return nil
}

// works has the unit be worked on, as long as it is fitted. The fitting is open.
func (d *fitDesk) works(ctx context.Context, by string) {
	if snap := d.agent.hub.Current(); snap != nil && snap.Work != nil {
		return
	}
	if err := (technician{d.agent}).BeginWork(ctx, visit.BySwitch, by); err != nil {
		d.agent.opts.Log.Warn("fitting: work under way not begun", "err", err)
		return
	}
	d.mu.Lock()
	again := d.work
	d.work = true
	d.mu.Unlock()
	if again {
		return
	}
	if err := d.keepNow(); err != nil {
		d.agent.opts.Log.Warn("fitting under way not kept", "err", err)
	}
}

// rests ends work under way that the fitting has begun.
func (d *fitDesk) rests(ctx context.Context, work bool, by string) error {
	snap := d.agent.hub.Current()
	if !work || snap == nil || snap.Work == nil || snap.Work.Kind != visit.BySwitch {
		return nil
	}
	return technician{d.agent}.EndWork(ctx, by)
}

// check refuses a form that is not of what is up now; the caller holds the lock. twice says that it was done.
func (d *fitDesk) check(a *fit.Act) (twice bool, err error) {
	switch {
	case a.Form != "" && slices.Contains(d.forms, a.Form):
		return true, nil
	case d.session == nil || d.id != a.Session:
		return false, fit.ErrNoSession
	case d.revision() != a.Revision:
		return false, fit.ErrMoved
	}
	return false, nil
}

func (d *fitDesk) revision() int { s := d.session.State(); return s.Done() }

const formsKept = 32

func (d *fitDesk) done(form string) {
	d.forms = append(d.forms, form)
	if len(d.forms) > formsKept {
		d.forms = slices.Delete(d.forms, 0, 1)
	}
}

// Do does something in the step that is up.
func (d *fitDesk) Do(ctx context.Context, a fit.Act) error {
	wall, _, err := technician{d.agent}.wall(ctx)
	if err != nil {
		return err
	}
	d.acting.Lock()
	defer d.acting.Unlock()
	twice, err := d.act(&a, wall.UTC())
	if err != nil || twice {
		return err
	}
	if err := d.keepNow(); err != nil {
		return fmt.Errorf("%w: %w", fit.ErrNotKept, err)
	}
	d.works(ctx, a.By)
	return nil
}

// act does it; twice says that it was done already.
func (d *fitDesk) act(a *fit.Act, now time.Time) (twice bool, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if twice, err := d.check(a); twice || err != nil {
		return twice, err
	}
	st, some := d.session.Step()
	if a.Do != fit.DoGo && (!some || st.ID != a.Step) {
		return false, fit.ErrMoved
	}
	switch a.Do {
	case fit.DoAnswer, fit.DoSkip:
		if d.revision() >= mostFitted {
			return false, fit.ErrLong
		}
		if a.Do == fit.DoSkip {
			d.session.Skip(a.Text, now)
		} else {
			err = d.session.Answer(a.Typed, now)
		}
	case fit.DoBack:
		d.session.Back()
	default:
		err = d.session.Choose(a.Text)
	}
	if err == nil {
		d.done(a.Form)
	}
	return false, err
}

// Stop closes the fitting for now.
func (d *fitDesk) Stop(ctx context.Context, session, by string) error {
	d.acting.Lock()
	defer d.acting.Unlock()
	d.mu.Lock()
	if d.session == nil || d.id != session {
		d.mu.Unlock()
		return fit.ErrNoSession
	}
	state, work, id := d.session.State(), d.work, d.id
	state.Trouble = slices.Clone(state.Trouble) // the loop adds to it
	d.session, d.left, d.work = nil, &state, false
	d.mu.Unlock()
	if err := d.keep(deskState{State: state}); err != nil {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.open(state, id, work)
		return err
	}
	technician{d.agent}.log("fitting stopped", by)
	return d.rests(ctx, work, by)
}

// Propose returns what the configuration would have to say.
func (d *fitDesk) Propose() (*fit.Proposal, error) {
	d.acting.Lock()
	defer d.acting.Unlock()
	if !d.isOpen() {
		return nil, fit.ErrNoSession
	}
	p := d.propose()
	if p.Text != nil {
		p.Locked = d.locked()
	}
	return p, nil
}

func (d *fitDesk) propose() *fit.Proposal {
	f := &d.agent.opts.File
	d.mu.Lock()
	p := &fit.Proposal{Changes: fit.Changes(d.session.Verdicts()), File: f.Path}
	d.mu.Unlock()
	if len(p.Changes) > 0 {
		name := f.Path
		if name == "" {
			name = "unit.yaml"
		}
		p.Text, p.Problem = fit.Edit(name, f.Text, p.Changes)
		if p.Problem == nil {
			p.Diff = fit.Diff(f.Text, p.Text)
		}
	}
	if d.agent.settings == nil {
		p.Stored = append(p.Stored, fit.Unread())
	}
	for _, s := range d.stored(p) {
		p.Stored = append(p.Stored, s.Say(&d.agent.base))
	}
	return p
}

// stored returns what is corrected at the unit, and what becomes of it.
func (d *fitDesk) stored(p *fit.Proposal) []fit.Stored {
	a := d.agent
	if a.settings == nil {
		return nil
	}
	next := a.base
	if p.Text != nil {
		if n, err := fit.Apply(a.base, p.Changes); err == nil {
			next = n
		}
	}
	return StoredOf(a.settings.Carried(&a.base, &next))
}

// StoredOf returns what becomes of corrections as a fitting has it.
func StoredOf(all []settings.Carried) (stored []fit.Stored) {
	for _, c := range all {
		fate := map[settings.Fate]fit.Fate{settings.Kept: fit.Stays, settings.Turned: fit.Turns, settings.Dropped: fit.Lapses}[c.Fate]
		stored = append(stored, fit.Stored{Channel: c.Channel, To: c.To, Offset: c.Now.Offset, Gain: c.Now.Gain, By: c.By, At: c.At, Fate: fate})
	}
	return stored
}

// locked returns why the configuration's file can't be written: it is tried with one beside it.
func (d *fitDesk) locked() error {
	f := &d.agent.opts.File
	if f.Path == "" || f.Write == nil {
		return errors.New("it was not read from a file")
	}
	probe := f.Path + ".fit-probe"
	if err := f.Write(probe, nil); err != nil {
		return err
	}
	return disk.Now().Remove(probe)
}

// Finish writes the record, then the configuration with the old one beside it. The state goes last.
func (d *fitDesk) Finish(ctx context.Context, a fit.Act, write bool) (fit.Finished, error) {
	if a.By == "" {
		return fit.Finished{}, fit.ErrNoName
	}
	wall, _, err := technician{d.agent}.wall(ctx)
	if err != nil {
		return fit.Finished{}, err
	}
	d.acting.Lock()
	defer d.acting.Unlock()
	d.mu.Lock()
	twice, last := a.Form != "" && a.Form == d.lastOf, d.last
	if !twice {
		_, err = d.check(&a)
	}
	work := d.work
	d.mu.Unlock()
	if twice || err != nil {
		return last, err
	}
	done, err := d.finish(a.By, wall.UTC(), write)
	if err != nil {
		return done, err
	}
	d.mu.Lock()
	d.last, d.lastOf = done, a.Form
	d.mu.Unlock()
	technician{d.agent}.log("fitting finished", a.By, "record", done.Record, "configuration written", done.Written)
	if err := d.rests(ctx, work, a.By); err != nil {
		d.agent.opts.Log.Warn("fitting: work under way not ended", "err", err)
	}
	return done, nil
}

// finish writes everything.
func (d *fitDesk) finish(by string, now time.Time, write bool) (done fit.Finished, err error) {
	f := &d.agent.opts.File
	p := d.propose()
	after := d.hash
	if write {
		switch err := d.changed(); {
		case p.Text == nil:
			return done, errors.New("nothing is to be written")
		case err != nil:
			return done, err
		}
		if err := d.locked(); err != nil {
			return done, fmt.Errorf("nothing was changed: %w", err)
		}
	}
	if p.Text != nil {
		after = fit.Hash(p.Text)
	}
	stored := d.stored(p)
	d.mu.Lock()
	d.session.Sign(by)
	doc := d.session.Document(now, "liftbank "+d.agent.opts.Version+", on the page", after)
	doc.Stored = stored
	data, err := json.MarshalIndent(doc, "", "  ")
	if write {
		d.session.SetAfter(after)
	}
	d.mu.Unlock()
	if err != nil {
		return done, err
	}
	stamp := fmt.Sprintf("fit-%s-%s", d.agent.base.Unit.ID, now.Format("20060102T150405Z"))
	if err := d.keepNow(); err != nil {
		return done, fmt.Errorf("nothing was changed: %w", err)
	}
	if p.Text != nil {
		done.File = stamp + ".yaml"
		if err := d.paper(done.File, p.Text); err != nil {
			return done, fmt.Errorf("nothing was changed: %w", err)
		}
	}
	done.Record = stamp + ".json"
	if err := d.paper(done.Record, append(data, '\n')); err != nil {
		return done, fmt.Errorf("nothing was changed: record: %w", err)
	}
	if write {
		done.Kept = f.Path + ".before-" + now.Format("20060102T150405Z")
		if err := f.Write(done.Kept, f.Text); err != nil {
			return done, fmt.Errorf("nothing was changed: keep the old configuration: %w", err)
		}
		if err := f.Write(f.Path, p.Text); err != nil {
			return done, fmt.Errorf("configuration (the old one is in %s too): %w", done.Kept, err)
		}
		done.Written = true
	}
	d.end()
	return done, nil
}

// end has nothing be left to take up. Where a terminal's state can't be removed, it is known that it is over.
func (d *fitDesk) end() {
	d.mu.Lock()
	state := d.session.State()
	brief := fit.State{Unit: state.Unit, Config: state.Config, By: state.By, Begun: state.Begun, Ended: true}
	d.session, d.left, d.over, d.work = nil, nil, &brief, false
	d.mu.Unlock()
	if file := d.agent.opts.File.Path; file != "" {
		for _, name := range []string{fit.StateFile(file) + ".previous", fit.StateFile(file)} {
			if err := disk.Now().Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
				d.agent.opts.Log.Warn("state of a fitting on the terminal can't be removed: it is over", "file", name, "err", err)
			}
		}
	}
	if err := d.keep(deskState{State: brief}); err != nil {
		d.agent.opts.Log.Warn("the end of the fitting can't be noted", "err", err)
	}
}

// papers is where records are kept: with the visits, or beside the configuration.
func (d *fitDesk) papers() string {
	if d.path != "" {
		return filepath.Dir(d.path)
	}
	if f := d.agent.opts.File.Path; f != "" {
		return filepath.Dir(f)
	}
	return ""
}

func (d *fitDesk) paper(name string, data []byte) error {
	dir := d.papers()
	if dir == "" {
		return errors.New("nowhere to keep it: want visits.dir or store.dir in the configuration")
	}
	if err := safefile.MakeDir(dir, 0o750); err != nil {
		return err
	}
	return safefile.WriteFile(filepath.Join(dir, name), data)
}

var paperName = regexp.MustCompile(`^fit-[a-zA-Z0-9-]{1,64}-(\d{8}T\d{6}Z)\.(json|yaml)$`)

// mostPapers is how many are listed.
const mostPapers = 20

// Papers returns what is kept of fittings, newest first.
func (d *fitDesk) Papers() (all []fit.Paper) {
	dir := d.papers()
	if dir == "" {
		return nil
	}
	entries, err := disk.Now().ReadDir(dir)
	if err != nil {
		return nil
	}
	for _, e := range entries {
		m := paperName.FindStringSubmatch(e.Name())
		if m == nil {
			continue
		}
		at, err := time.Parse("20060102T150405Z", m[1])
		if err == nil {
			all = append(all, fit.Paper{Name: e.Name(), At: at, Record: m[2] == "json"})
		}
	}
	slices.SortFunc(all, func(a, b fit.Paper) int {
		if c := b.At.Compare(a.At); c != 0 {
			return c
		}
		return strings.Compare(a.Name, b.Name)
	})
	return all[:min(len(all), mostPapers)]
}

// Read returns a paper.
func (d *fitDesk) Read(name string) ([]byte, error) {
	dir := d.papers()
	if dir == "" || !paperName.MatchString(name) {
		return nil, fit.ErrNoPaper
	}
	text, err := disk.ReadFile(filepath.Join(dir, name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fit.ErrNoPaper
	}
	return text, err
}
