package view

import (
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// DueText says when a service is due: the day at the usual duty, or what is left where that is not
// known; empty where it has no interval.
func DueText(to *words.Reader, s *snapshot.SinceService, now time.Time) string {
	what := to.Label("DueKind", s.Kind)
	switch {
	case s.NextBy == "":
		return ""
	case s.NextOn != "" && s.NextOn <= now.UTC().Format(time.DateOnly):
		return words.Fill(to.W["DueNow"], "what", what, "by", to.Label("DueBy", s.NextBy))
	case s.NextOn != "":
		return words.Fill(to.W["DueOn"], "what", what, "date", s.NextOn, "by", to.Label("DueBy", s.NextBy))
	}
	var left []string
	if n := s.DueLiftCycles; n != nil {
		left = append(left, figures.Count(*n-min(s.LiftCycles, *n))+" "+to.W["CyclesWord"])
	}
	if n := s.DueRunTimeS; n != nil {
		left = append(left, figures.Number(max(*n-s.RunTimeS, 0)/3600, 0)+"\u00a0"+"h")
	}
	if n := s.DueDays; n != nil && s.Days != nil {
		left = append(left, figures.Number(max(*n-*s.Days, 0), 0)+"\u00a0"+"d")
	}
	if len(left) == 0 {
		return words.Fill(to.W["DueNoDate"], "what", what)
	}
	return words.Fill(to.W["DueLeft"], "what", what, "left", strings.Join(left, ", "))
}
