// Package fitting leads through the fitting of a board on a terminal: plain lines, as over SSH and on a
// serial console.
package fitting

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/fit"
	"liftbank/agent/safefile"
	settings "liftbank/agent/technician"
	"liftbank/sensors"
)

// Scanner is the board.
type Scanner interface {
	// Next waits for the next scan, which belongs to the board until the next call.
	Next(ctx context.Context) (*sensors.Scan, error)
	// Stats returns the counts since the start.
	Stats() *sensors.Stats
}

// Lines are what is typed.
type Lines interface {
	// Poll returns the next line if there is one. The error says that there will be none any more.
	Poll() (line string, ok bool, err error)
}

// Terminal leads through a fitting.
type Terminal struct {
	Path    string // of the configuration
	Text    []byte // of it
	Config  config.Config
	Board   Scanner
	Lines   Lines
	Out     io.Writer
	Now     func() time.Time
	Program string // that does it, with its version
	Restart bool   // forget what was done before
	// Kept is the folder of what the unit's agent keeps: a fitting that was begun on its page, and corrections.
	// Empty: not known.
	Kept string
	// Share lets the agent read the state, so that its page can go on; nil: it can.
	Share func(path string) error
	// Write replaces the configuration, for its owner and mode.
	Write func(path string, data []byte) error
	// Step, if set, is told each step that is shown.
	Step func(fit.Step)
}

// Result is what came of it.
type Result struct {
	Document fit.Document
	Record   string // file that the record was written to
	Written  bool   // the configuration was changed
}

// ErrLeft says that it was left before its end; what was done is kept.
var ErrLeft = errors.New("left before the end; what was done is kept: the same command goes on")

const liveEvery = 10 * time.Second

type dialog struct {
	*Terminal
	session *fit.Session
	watch   fit.ChipWatch
	scanAt  time.Duration
	liveAt  time.Duration

	shown    string            // step whose text was printed
	asking   int               // number of the figure that is asked for
	prompted bool              // it was
	typed    map[string]string // so far
	told     map[string]bool   // verdicts that were said
}

// Run leads through all steps.
func (t *Terminal) Run(ctx context.Context) (Result, error) {
	t.tidy()
	state, begun, err := t.load()
	if err != nil {
		return Result{}, err
	}
	if state.Stands(fit.Hash(t.Text)) == fit.Written {
		t.print("The last fitting had changed this configuration when it was interrupted. Its record is beside it; this is a new one.")
		state = fit.State{}
	}
	d := dialog{Terminal: t, told: map[string]bool{}}
	t.print("Fitting of unit %s. Enter answers. Besides: skip REASON, back, show, steps, go STEP, quit.", t.Config.Unit.ID)
	t.print("The board only reads: it never switches anything. Follow local codes and the lift maker's manual; work that needs a license is for those who have it.")
	if len(state.Records) > 0 {
		t.print("It is taken up where %s left it (begun %s).", state.By, state.Begun.UTC().Format(time.RFC3339))
	} else {
		state = fit.State{Config: fit.Hash(t.Text), Begun: t.Now().UTC()}
		if !state.Begun.After(begun) { // a clock that was not set: it must be the later one
			state.Begun = begun.Add(time.Second)
		}
	}
	if state.By, err = d.name(ctx, state.By); err != nil {
		return Result{}, err
	}
	d.session = fit.NewSession(&t.Config, state)
	for {
		if err := d.steps(ctx); err != nil {
			return Result{}, err
		}
		again, result, err := d.finish(ctx)
		if !again {
			return result, err
		}
	}
}

func (t *Terminal) print(format string, args ...any) { fmt.Fprintf(t.Out, format+"\n", args...) }

// tidy removes what a write that a power cut ended left beside the configuration. Another program may be
// writing there now: what is young stays.
func (t *Terminal) tidy() {
	dir := filepath.Dir(t.Path)
	entries, err := disk.Now().ReadDir(dir)
	if err != nil {
		return // it is seen where it matters
	}
	for _, e := range entries {
		if is, _ := filepath.Match(safefile.Unfinished, e.Name()); !is {
			continue
		}
		info, err := disk.Now().Stat(filepath.Join(dir, e.Name()))
		if err == nil && t.Now().Sub(info.ModTime()) > time.Hour {
			err = disk.Now().Remove(filepath.Join(dir, e.Name()))
		}
		if err != nil {
			t.print("%s is left of an earlier write and can't be removed: %v", e.Name(), err)
		}
	}
}

// load reads what was done before, here or on the unit's page: the later of both. begun is when that was.
func (t *Terminal) load() (state fit.State, begun time.Time, err error) {
	file := fit.StateFile(t.Path)
	data, err := safefile.Load(file)
	if err != nil && data == nil {
		return state, begun, fmt.Errorf("what was done before: %w", err)
	}
	own, err := t.read(file, data)
	if err != nil {
		return state, begun, err
	}
	if t.Kept != "" {
		file = filepath.Join(t.Kept, fit.UnitState)
		data, err := safefile.Look(file)
		if err != nil {
			t.print("What was done on the page can't be read: %v", err)
		}
		other, err := t.read(file, data)
		if err != nil {
			return state, begun, err
		}
		own = fit.Later(own, other)
	}
	if own == nil {
		return state, begun, nil
	}
	begun = own.Begun
	switch own.Stands(fit.Hash(t.Text)) {
	case fit.Nothing:
		return state, begun, nil
	case fit.Foreign:
		if !t.Restart {
			return state, begun, fmt.Errorf("%s has changed since the fitting was begun (%s): put the old one back, or begin anew with --restart",
				t.Path, begun.UTC().Format(time.RFC3339))
		}
	}
	if t.Restart {
		return state, begun, nil
	}
	return *own, begun, nil
}

func (t *Terminal) read(file string, data []byte) (*fit.State, error) {
	if data == nil {
		return nil, nil
	}
	var s fit.State
	if err := json.Unmarshal(data, &s); err != nil {
		if t.Restart {
			return nil, nil
		}
		return nil, fmt.Errorf("what was done before: %s: %w: want --restart", file, err)
	}
	if s.Config == "" { // none was begun
		return nil, nil
	}
	return &s, nil
}

func (d *dialog) save() error {
	data, err := json.Marshal(d.session.State())
	if err != nil {
		return err
	}
	if err := safefile.Save(fit.StateFile(d.Path), data); err != nil {
		d.print("What was done can't be stored: %v. It goes on, but an interruption would lose it.", err)
		return nil
	}
	if d.Share != nil {
		if err := d.Share(fit.StateFile(d.Path)); err != nil {
			d.print("The unit's page can't go on from here: %v", err)
		}
	}
	return nil
}

// line waits for a typed line, while the board goes on.
func (d *dialog) line(ctx context.Context) (string, error) {
	for {
		text, ok, err := d.Lines.Poll()
		if ok {
			return strings.TrimSpace(text), nil
		}
		if err != nil {
			d.print("")
			return "", fmt.Errorf("%w (%w)", ErrLeft, err)
		}
		if err := d.scan(ctx); err != nil {
			return "", err
		}
	}
}

// scan takes one look at the board and hands it in.
func (d *dialog) scan(ctx context.Context) error {
	s, err := d.Board.Next(ctx)
	if err != nil {
		d.print("")
		return fmt.Errorf("%w (%w)", ErrLeft, err)
	}
	d.scanAt = s.At
	if d.session == nil {
		return nil
	}
	f := fit.Scanned(&d.Config, s)
	d.watch.Mark(&d.Config, d.Board.Stats(), &f)
	d.session.Feed(f)
	if text := d.session.Say(); !text.Empty() {
		d.print("  %s", text)
		d.prompted = false
	}
	if d.scanAt-d.liveAt >= liveEvery && d.shown != "" && d.prompted {
		d.liveAt = d.scanAt
		d.live(s)
	}
	return nil
}

// live prints what the channels show that a step is about.
func (d *dialog) live(s *sensors.Scan) {
	st, ok := d.session.Step()
	if !ok || st.Kind == fit.Begin || st.Kind == fit.Label {
		return
	}
	d.print("  now: %s", d.values(s, st))
}

func (d *dialog) values(s *sensors.Scan, st fit.Step) string {
	var all []string
	for i := range d.Config.Board.Channels {
		c := &d.Config.Board.Channels[i]
		if !st.Shows(c) {
			continue
		}
		if r := s.Readings[i]; r.Fault == sensors.None || r.Fault == sensors.OutOfRange && r.Value != 0 {
			all = append(all, fmt.Sprintf("%s %.2f %s", c.Name(), r.Value, c.Unit()))
		} else {
			all = append(all, fmt.Sprintf("%s (%s)", c.Name(), r.Fault))
		}
	}
	if st.ShowsContacts() {
		for i, c := range d.Config.Board.Contacts {
			all = append(all, fmt.Sprintf("%s %s", c.Signal, map[bool]string{true: "on", false: "off"}[s.Contacts[i].On]))
		}
	}
	return strings.Join(all, ", ")
}

const longestName = 60

// name asks who does it.
func (d *dialog) name(ctx context.Context, usual string) (string, error) {
	for {
		if usual == "" {
			d.print("Your name, for the record:")
		} else {
			d.print("Your name, for the record [%s]:", usual)
		}
		text, err := d.line(ctx)
		if err != nil {
			return "", err
		}
		if text == "" {
			text = usual
		}
		if n := utf8.RuneCountInString(text); n > 0 && n <= longestName && utf8.ValidString(text) && !strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			return text, nil
		}
		d.print("  want 1 to %d characters", longestName)
	}
}

// steps goes through what is left to do.
func (d *dialog) steps(ctx context.Context) error {
	for {
		st, ok := d.session.Step()
		if !ok {
			return nil
		}
		d.show(st)
		d.prompt(st)
		line, err := d.line(ctx)
		if err != nil {
			return err
		}
		if err := d.take(st, line); err != nil {
			return err
		}
	}
}

// show prints a step when it comes up.
func (d *dialog) show(st fit.Step) {
	if d.shown == st.ID {
		return
	}
	d.shown, d.asking, d.prompted, d.typed, d.liveAt = st.ID, 0, false, map[string]string{}, d.scanAt
	left, of := d.session.Left()
	d.print("\n%s (step %s, %d of %d left)", st.Title, st.ID, left, of)
	for _, text := range st.Do {
		d.print("  %s", text)
	}
	if !st.Caution.Empty() {
		d.print("  CAUTION: %s", st.Caution)
	}
	if d.Step != nil {
		d.Step(st)
	}
}

func (d *dialog) prompt(st fit.Step) {
	if d.prompted {
		return
	}
	d.prompted = true
	if d.asking >= len(st.Asks) {
		d.print("Enter when that is done:")
		return
	}
	a := &st.Asks[d.asking]
	text := a.Text.String()
	if a.Unit != "" {
		text += ", " + a.Unit
	}
	switch {
	case a.Default != nil:
		text += fmt.Sprintf(" [%g]", *a.Default)
	case a.Optional:
		text += " [not measured]"
	}
	d.print("%s:", text)
}

// take takes a typed line for a step.
func (d *dialog) take(st fit.Step, line string) error {
	word, rest, _ := strings.Cut(line, " ")
	switch word {
	case "quit":
		return ErrLeft
	case "skip":
		d.session.Skip(strings.TrimSpace(rest), d.Now().UTC())
		d.shown = ""
		return d.save()
	case "back":
		if !d.session.Back() {
			d.print("  this is the first step")
		}
		d.shown = ""
		return nil
	case "go":
		if err := d.session.Choose(strings.TrimSpace(rest)); err != nil {
			d.print("  %v", err)
		}
		d.shown = ""
		return nil
	case "steps":
		for _, s := range d.session.All() {
			d.print("  %s: %s", s.ID, s.Title)
		}
		d.prompted = false
		return nil
	case "show":
		d.printVerdicts()
		d.prompted = false
		return nil
	}
	d.prompted = false
	if d.asking < len(st.Asks) {
		d.typed[st.Asks[d.asking].Name] = line
		if err := st.Asks[d.asking].Check(line); err != nil {
			d.print("  %v", err)
			return nil
		}
		if d.asking++; d.asking < len(st.Asks) {
			return nil
		}
	}
	if err := d.session.Answer(d.typed, d.Now().UTC()); err != nil {
		d.print("  %v", err)
		d.asking = max(0, len(st.Asks)-1)
		return nil
	}
	d.shown = ""
	d.tell(st)
	return d.save()
}

// tell says what is new about a step's subject.
func (d *dialog) tell(st fit.Step) {
	for _, v := range d.session.Verdicts() {
		about := v.Channel >= 0 && v.Channel == st.Channel || st.Battery != "" && strings.HasSuffix(v.Subject, "_"+st.Battery)
		// What is where, and what does not fit yet, is known at the end.
		if about && !d.told[v.Text] && v.Outcome != fit.Untested && (v.Test != "place" || v.Outcome == fit.Changed) {
			d.told[v.Text] = true
			d.print("  %s", v.Text)
		}
	}
}

var headings = []struct {
	outcome fit.Outcome
	text    string
}{
	{fit.Changed, "Wrong, and certain: the configuration can follow"},
	{fit.ByHand, "Wrong, to be looked at by hand: the configuration is left as it is"},
	{fit.Untested, "Not tested"},
	{fit.Good, "Right"},
}

func (d *dialog) printVerdicts() {
	all := d.session.Verdicts()
	for _, h := range headings {
		if !slices.ContainsFunc(all, func(v fit.Verdict) bool { return v.Outcome == h.outcome }) {
			continue
		}
		d.print("%s:", h.text)
		for _, v := range all {
			if v.Outcome == h.outcome {
				d.print("  %s: %s", v.Subject, v.Text)
			}
		}
	}
}

// finish shows what came of it, asks once whether the configuration is to follow, and writes the record.
// again says that a step is to be done again.
func (d *dialog) finish(ctx context.Context) (again bool, r Result, err error) {
	d.print("")
	d.printVerdicts()
	changes := fit.Changes(d.session.Verdicts())
	after, edited := fit.Hash(d.Text), []byte(nil)
	if len(changes) > 0 {
		edited, err = fit.Edit(d.Path, d.Text, changes)
		if err != nil {
			d.print("\n%v", err)
			changes = nil
		} else {
			d.print("\nChanges of %s:", d.Path)
			for _, line := range fit.Diff(d.Text, edited) {
				d.print("  %s", line)
			}
		}
	}
	stored := d.stored(changes)
	if len(stored) > 0 {
		d.print("\nCorrections stored at the unit:")
	}
	for i := range stored {
		d.print("  %s", stored[i].Say(&d.Config))
	}
	for {
		question := "Enter writes the record; go STEP does a step again:"
		if len(changes) > 0 {
			question = "Write these changes? yes, no, or go STEP to do a step again:"
		}
		d.print("%s", question)
		d.shown = ""
		line, err := d.line(ctx)
		if err != nil {
			return false, r, err
		}
		if id, is := strings.CutPrefix(line, "go "); is {
			if err := d.session.Choose(strings.TrimSpace(id)); err != nil {
				d.print("  %v", err)
				continue
			}
			return true, r, nil
		}
		if line == "quit" {
			return false, r, ErrLeft
		}
		if len(changes) == 0 && line == "" || line == "no" {
			edited, stored = nil, d.stored(nil)
			break
		}
		if len(changes) > 0 && line == "yes" {
			after = fit.Hash(edited)
			break
		}
	}
	r, err = d.write(after, edited, stored)
	return false, r, err
}

// write writes the record, then the configuration with the old one beside it. The state goes last.
func (d *dialog) write(after string, edited []byte, stored []fit.Stored) (r Result, err error) {
	now := d.Now().UTC()
	r.Document = d.session.Document(now, d.Program, after)
	r.Document.Stored = stored
	data, err := json.MarshalIndent(r.Document, "", "  ")
	if err != nil {
		return r, err
	}
	stamp := now.Format("20060102T150405Z")
	r.Record = filepath.Join(filepath.Dir(d.Path), fmt.Sprintf("fit-%s-%s.json", d.Config.Unit.ID, stamp))
	d.session.SetAfter(after)
	state, err := json.Marshal(d.session.State())
	if err == nil {
		err = safefile.Save(fit.StateFile(d.Path), state)
	}
	if err == nil {
		err = safefile.WriteFile(r.Record, append(data, '\n'))
	}
	if err != nil {
		return r, fmt.Errorf("nothing was changed: record: %w", err)
	}
	d.print("Record: %s", r.Record)
	if edited != nil {
		kept := d.Path + ".before-" + stamp
		if err := d.Write(kept, d.Text); err != nil {
			return r, fmt.Errorf("nothing was changed: keep the old configuration: %w", err)
		}
		if err := d.Write(d.Path, edited); err != nil {
			return r, fmt.Errorf("configuration (the old one is in %s too): %w", kept, err)
		}
		r.Written = true
		d.print("%s was changed; the old one is %s. The next start of the service reads it. Do the fitting again to see it right.", d.Path, kept)
	}
	d.end()
	return r, nil
}

// end has nothing be left to take up, here or on the page. Where that of the page can't be removed, it is known
// that it is over.
func (d *dialog) end() {
	file, over := fit.StateFile(d.Path), true
	names := []string{file + ".previous", file} // the one before goes first: alone it would be taken for what was done
	if d.Kept != "" {
		page := filepath.Join(d.Kept, fit.UnitState)
		names = append([]string{page + ".previous", page}, names...)
	}
	for _, name := range names {
		if err := disk.Now().Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			d.print("%s can't be removed: %v. It is of no use any more.", name, err)
			over = false
		}
	}
	if over {
		return
	}
	s := d.session.State()
	data, err := json.Marshal(fit.State{Unit: s.Unit, Config: s.Config, By: s.By, Begun: s.Begun, Ended: true})
	if err == nil {
		err = safefile.Save(file, data)
	}
	if err == nil && d.Share != nil {
		err = d.Share(file)
	}
	if err != nil {
		d.print("The end of the fitting can't be noted: %v", err)
	}
}

// stored returns what is corrected at the unit, and what becomes of it with changes.
func (d *dialog) stored(changes []fit.Change) []fit.Stored {
	if d.Kept == "" {
		return nil
	}
	over, err := settings.Look(filepath.Join(d.Kept, "technician.json"))
	if err != nil {
		d.print("What is corrected at the unit can't be read: %v", err)
	}
	over.Settle(&d.Config)
	next, err := fit.Apply(d.Config, changes)
	if err != nil {
		next = d.Config
	}
	return agent.StoredOf(over.Carried(&d.Config, &next))
}

// Paced returns a configuration whose board is read four times a second at rest, so that nobody waits for
// it.
func Paced(cfg config.Config) config.Config {
	cfg.Board.Scan.RestEvery = min(cfg.Board.Scan.RestEvery, 250*time.Millisecond)
	return cfg
}
