package page

import (
	"fmt"

	"liftbank/agent/snapshot"
)

// forecastPair is the line of a forecast. While the forecast is not known, the line says what it
// waits for.
func forecastPair(name, shown string, e snapshot.Estimate, waitsFor string) pair {
	if e.Value == nil && waitsFor != "" {
		return pair{name, shown, waitsFor}
	}
	return pair{name, shown, ""}
}

// timeEstimate returns a duration with its uncertainty.
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

// sinceService returns the lift cycles since the lift's last service.
func (to *reader) sinceService(since []snapshot.SinceService) string {
	for _, s := range since {
		if s.Kind == "service" {
			return fmt.Sprint(s.LiftCycles)
		}
	}
	return unknown
}
