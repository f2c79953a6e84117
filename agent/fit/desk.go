package fit

import (
	"context"
	"errors"
	"time"
)

// Desk is where somebody fits a running unit. It is safe for any number of goroutines.
type Desk interface {
	// Look returns how it stands; ok is false before the first scan.
	Look() (v View, ok bool)
	// Begin opens the fitting: the one that was left, or a new one. One that is open is joined.
	Begin(ctx context.Context, session, by string, anew bool) error
	// Do does something in the step that is up, once for each form.
	Do(ctx context.Context, a Act) error
	// Stop closes the fitting for now; what was done is kept.
	Stop(ctx context.Context, session, by string) error
	// Propose returns what the configuration would have to say.
	Propose() (*Proposal, error)
	// Finish writes the record, and the configuration if it is to follow.
	Finish(ctx context.Context, a Act, write bool) (Finished, error)
	// Restart has the monitor start again with the configuration's file as it is now.
	Restart(by string) error
	// Papers are the records and configurations that are kept, newest first.
	Papers() []Paper
	// Read returns one of them.
	Read(name string) ([]byte, error)
}

// View is how a fitting stands.
type View struct {
	Session  string // of the one that is open; empty: none
	By       string
	Begun    time.Time
	Revision int
	Left     *Left // one that can be taken up; nil: none
	Changed  bool  // the configuration's file is another one than the monitor runs with
	Restarts bool  // and the monitor can be restarted with it

	Step     Step
	Some     bool // a step is to be done
	ToDo, Of int
	Steps    []StepDone
	Verdicts []Verdict
	Wait     error  // why the step can't be answered yet; nil: it can
	Said     Phrase // of the run, last
	Runs     bool   // the pump runs
	Now      []Shown
	Contacts []ShownContact
}

// Left is a fitting that was left.
type Left struct {
	By      string
	Begun   time.Time
	Done    int
	Foreign bool // the configuration was changed since: it can't be gone on with
}

// StepDone is a step with what was done of it.
type StepDone struct {
	Step
	Done, Skipped bool
	Why           string
}

// Shown is what a channel shows.
type Shown struct {
	Channel, Unit string
	Value         float64
	Fault         string // empty: there is a value
}

// ShownContact is what a contact shows.
type ShownContact struct {
	Signal string
	Level  Level
}

// Act is a form.
type Act struct {
	Session, Form, By string
	Step              string // that it was made for
	Revision          int
	Do                string // Answer, Skip, Back or Go
	Typed             map[string]string
	Text              string // why it is skipped, or which step to go to
}

// What an act does.
const (
	DoAnswer = "answer"
	DoSkip   = "skip"
	DoBack   = "back"
	DoGo     = "go"
)

// Proposal is what the configuration would have to say.
type Proposal struct {
	Changes []Change
	Diff    []string
	Text    []byte // the whole new file; nil: nothing changes, or it can't be edited
	Problem error  // why it can't be edited
	Stored  []Phrase
	File    string // that would be written
	Locked  error  // why the monitor can't write it; nil: it can
}

// Finished is what came of a fitting.
type Finished struct {
	Record  string // name of the paper
	File    string // of the new configuration's; empty: nothing was changed
	Written bool   // it took its place
	Kept    string // where the old one is then
}

// Paper is a record, or a configuration that came of a fitting.
type Paper struct {
	Name   string
	At     time.Time
	Record bool
}

// Refusals, to branch on.
var (
	ErrNoSession = errors.New("no fitting is open")
	ErrMoved     = errors.New("somebody else has gone on meanwhile")
	ErrNoName    = errors.New("want a name")
	ErrChanged   = errors.New("the configuration's file has changed since the monitor started: restart it")
	ErrForeign   = errors.New("the configuration has changed since the fitting was begun: begin a new one")
	ErrNotKept   = errors.New("done, and it can't be stored")
	ErrNoRestart = errors.New("there is no other configuration, or nobody to start the monitor again")
	ErrUnusable  = errors.New("the configuration's file can't be used")
	ErrNoPaper   = errors.New("no such paper")
	ErrLong      = errors.New("too many records: write this one and begin a new fitting")
)

// StateFile returns where the state of a fitting is that a terminal leaves.
func StateFile(config string) string { return config + ".fit" }

// UnitState is the name of the file of a fitting's state among what the unit keeps.
const UnitState = "fit.json"
