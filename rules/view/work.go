package view

import "time"

// Work is work under way: somebody works on the unit, so that nothing that is measured is the unit's
// own doing. Findings are suppressed by design meanwhile (ISA-18.2).
type Work struct {
	On    bool
	Kind  WorkKind
	By    string        // who began it
	Since time.Duration // monotonic
	Ends  time.Duration // when it ends by itself
}

// WorkKind is how work was begun.
type WorkKind uint8

// Kinds of work under way.
const (
	BySwitch WorkKind = iota
	ByVisit           // it ends with the visit
)

// String returns the word for it.
func (k WorkKind) String() string {
	if k == ByVisit {
		return "visit"
	}
	return "switch"
}
