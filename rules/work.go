package rules

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// Refusals of work under way, to branch on.
var (
	ErrWorkOn   = errors.New("work is under way already")
	ErrNoWork   = errors.New("no work is under way")
	ErrWorkTime = errors.New("want a time that can be")
)

// Limits of work under way.
const (
	MinWork     = 15 * time.Minute // least time until it ends by itself; our choice
	MaxWork     = 24 * time.Hour   // most: a unit that was forgotten must be watched again the next day; our choice
	DefaultWork = 4 * time.Hour    // a long service visit; our choice

	MaxWorker = 64 // count: characters of who begins it; our choice
)

// Work is what is remembered of work under way. It is saved as it is.
type Work struct {
	view.Work
	Settling bool          // it is over, and a motor run that began with it is not
	EndedAt  time.Duration // when it was over last
}

// BeginWork says that somebody works on the unit, for span at the longest: opening the disconnect,
// parting links, a charger or a tester of the workshop, a meter in the circuit. Until it ends no
// finding is raised or cleared and nothing is learned; charge, motor runs and lift cycles are
// counted on. A switch's work is taken over by a visit, which then ends it. It is for between two
// steps.
func (e *Engine) BeginWork(kind view.WorkKind, by string, span time.Duration) error {
	w := &e.work
	switch {
	case w.On && (w.Kind == kind || kind == view.BySwitch):
		return ErrWorkOn
	case span < MinWork || span > MaxWork:
		return fmt.Errorf("work for %v: want %v to %v: %w", span, MinWork, MaxWork, ErrWorkTime)
	case strings.TrimSpace(by) == "" || !utf8.ValidString(by) || utf8.RuneCountInString(by) > MaxWorker:
		return fmt.Errorf("work by %.20q: want a name of 1 to %d characters", by, MaxWorker)
	}
	since := e.last
	if w.On {
		since = w.Since
	} else if !w.Settling {
		e.interrupt()
	}
	w.Work = view.Work{On: true, Kind: kind, By: by, Since: since, Ends: e.last + span}
	w.Settling, e.out.Work = false, w.Work
	return nil
}

// EndWork says that nobody works on the unit any more.
func (e *Engine) EndWork() error {
	if !e.work.On {
		return ErrNoWork
	}
	e.endWork()
	return nil
}

// endWork ends the work. What has to last before it is said starts again, and what is learned waits
// for a motor run that began with the work.
func (e *Engine) endWork() {
	w := &e.work
	e.away.Add(e.last, e.last-w.Since) // nobody judged meanwhile
	running, _ := e.motor.Running()
	w.Work, w.EndedAt, w.Settling = view.Work{}, e.last, running
	e.out.Work = w.Work
	e.interrupt()
}

// interrupt drops all that waits to be said or learned, as a gap does, and what was being watched:
// from one reading to the next the unit is another.
func (e *Engine) interrupt() {
	e.book.ResetHolds()
	e.found.Gap()
	e.trust.Worked()
	e.net.Interrupt()
	e.middle.Interrupt()
	e.ahead.meter.Interrupt()
	e.ahead.ended = false
	e.pump.Interrupt()
	e.count.IsQuiet, e.output.HasAmps = false, false
	for _, m := range e.cells.load {
		m.Interrupt()
	}
	e.days.Service()
	e.frame.QuietFor, e.frame.DayEnded = 0, false
}

// suppressed reports whether findings are suppressed and nothing is learned in this step: somebody
// works on the unit, or a motor run that began with that is not over.
func (e *Engine) suppressed() bool {
	w := &e.work
	if w.On && e.last >= w.Ends {
		by, kind := w.By, w.Kind
		e.endWork()
		e.out.Events = append(e.out.Events, Event{Kind: WorkEnded, Work: view.Work{By: by, Kind: kind}})
	}
	if w.Settling {
		running, _ := e.motor.Running()
		if w.Settling = running && e.last-w.EndedAt < longestRun; !w.Settling {
			e.interrupt()
		}
	}
	return w.On || w.Settling
}

// stepWork is the rest of a step while findings are suppressed: charge, motor runs, lift cycles and
// the feed's time are counted, and what is read is shown.
func (e *Engine) stepWork(bankV, bankA Reading, dt time.Duration) {
	e.frame.Ended = e.frame.Ended[:0]
	for i := range e.cfg.Batteries {
		e.cells.load[i].Forget()
	}
	began := e.countRuns(bankV, bankA)
	e.countCharge(began)
	e.count.Energy(bankV, bankA, dt, began && e.cfg.HasCommand)
	e.stepFeed(bankA)
	e.frame.FeedA, e.frame.FeedAOK, e.frame.QuietFor = 0, false, 0
	e.summarizeWork(bankV, bankA)
	e.serve.fill(&e.out.State, &e.away, e.session)
	e.emitFindings()
}

// countRuns counts motor runs, and has nobody learn from them.
func (e *Engine) countRuns(bankV, bankA Reading) (began bool) {
	count := func(b, ended bool) {
		began = began || b
		if ended {
			e.out.Events = append(e.out.Events, Event{Kind: RunEnded, Run: e.motor.Last()})
		}
	}
	dead := e.motor.DeadCommands()
	for _, edge := range e.read.CommandEdges {
		count(e.motor.Edge(edge.On, edge.At))
	}
	count(e.motor.Step(e.motorInput(bankV, bankA)))
	e.motor.SetDeadCommands(dead)
	return began
}

// countCharge counts the charge of each battery, with what may pass by the sensors as doubt.
func (e *Engine) countCharge(began bool) {
	facts := estimateFacts(e, began)
	facts.Work = true
	for i, est := range e.cells.est {
		b := e.read.Battery[i]
		b.VoltageV, b.TempC = e.evened(i, b.VoltageV), e.frame.Temps[i]
		facts.Zero = e.frame.Zeros[i]
		facts.NeighborA = unit.Reading{} // parted links share nothing
		est.Step(e.last, &b, facts)
		e.cells.labeled[i].step(e.last, &b, &facts)
	}
}

// summarizeWork fills in what was read and counted; what was learned stays as it is shown.
func (e *Engine) summarizeWork(bankV, bankA Reading) {
	e.slow = false
	for i := range e.cfg.Batteries {
		e.cells.charge(i, e.out.At, &e.out.Battery[i])
	}
	e.linksNow()
	e.out.Bank.ParkedDrawA = e.parked.DrawA()
	e.summarizeBank(bankV, bankA)
}

// check refuses a saved memory that can't be.
func (w *Work) check() error {
	var c unit.Check
	c.Time("work", w.Since, w.Ends, w.EndedAt)
	if w.On && (w.Ends < w.Since || w.Ends-w.Since > MaxWork*2 || w.Kind > view.ByVisit) {
		c.Wrong("work from %v to %v: want up to %v", w.Since, w.Ends, MaxWork)
	}
	if err := c.Err(); err != nil {
		return fmt.Errorf("work: %w", err)
	}
	return nil
}
