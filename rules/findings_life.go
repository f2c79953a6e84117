package rules

import (
	"time"

	"liftbank/rules/finding"
)

// What people do to findings. These belong to the goroutine that calls Step; what they change is told by the next Step's events, and
// shows in the output at once.

// Acknowledge says that somebody has seen a finding, and with it those that it explains.
func (e *Engine) Acknowledge(name, subject, who string, at time.Duration) error {
	return e.book.Acknowledge(name, subject, who, at)
}

// Shelve puts a finding aside for a time.
func (e *Engine) Shelve(name, subject, who string, at, span time.Duration) error {
	return e.book.Shelve(name, subject, who, at, span)
}

// Unshelve ends a shelving before its time.
func (e *Engine) Unshelve(name, subject, who string, at time.Duration) error {
	return e.book.Unshelve(name, subject, who, at)
}

// Note writes a remark to a finding.
func (e *Engine) Note(name, subject, who, text string, at time.Duration) error {
	return e.book.Remark(name, subject, who, text, at)
}

// TakeOut takes a finding out of service, PutBack returns it.
func (e *Engine) TakeOut(name, subject, who string, at time.Duration) error {
	return e.book.TakeOut(name, subject, who, at)
}

// PutBack: see TakeOut.
func (e *Engine) PutBack(name, subject, who string, at time.Duration) error {
	return e.book.PutBack(name, subject, who, at)
}

// Now gives the moment of the last input, for those who act between inputs.
func (e *Engine) Now() Moment { return e.out.At }

// Flooded reports whether so many findings came at once that only urgent ones are told one by one.
func (e *Engine) Flooded() bool { return e.book.Flooded(e.last) }

// tellFindings hands what happened to findings on as events.
func (e *Engine) tellFindings() {
	e.out.Findings = e.book.Records
	for _, c := range e.book.Take() {
		kind := FindingChanged
		switch c.Kind {
		case finding.Raised:
			kind = FindingRaised
		case finding.Cleared:
			kind = FindingCleared
		}
		e.out.Events = append(e.out.Events, Event{Kind: kind, Finding: c.Record, Change: c})
	}
}
