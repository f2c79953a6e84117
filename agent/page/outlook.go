package page

import (
	"fmt"

	"liftbank/agent/snapshot"
)

// outlook is a line for something ahead; while it is not known it says what it waits for.
func outlook(name, shown string, e snapshot.Estimate, waitsFor string) pair {
	if e.Value == nil && waitsFor != "" {
		return pair{name, shown, waitsFor}
	}
	return pair{name, shown, ""}
}

// timeEstimate gives a time ahead with its uncertainty, as people say times.
func timeEstimate(e snapshot.Estimate) string {
	if e.Value == nil {
		return unknown
	}
	shown := seconds(*e.Value)
	if e.Sigma != nil {
		shown += " ±\u00a0" + seconds(*e.Sigma)
	}
	return shown
}

// sinceService gives the lift cycles since the lift's own service.
func (to *reader) sinceService(since []snapshot.SinceService) string {
	for _, s := range since {
		if s.Kind == "service" {
			return fmt.Sprint(s.LiftCycles)
		}
	}
	return unknown
}
