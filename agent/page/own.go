package page

import (
	"html/template"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// ownDraw says in a line what the monitor's own board draws and why, what it took since the unit was
// parked, and for how long the bank stands with it and without.
func ownDraw(to *words.Reader, s *snapshot.Snapshot) (lines []pair) {
	p := s.Power
	if p == nil {
		return nil
	}
	why := ""
	if p.Why != nil {
		why = to.Plain(*p.Why)
	}
	text := words.Fill(to.W["OwnDrawNow"], "level", to.Label("PowerLevel", p.Level),
		"time", figures.Rough(s.At.Sub(p.Since)), "why", why, "ma", rounded(1000*p.DrawA))
	if p.Asleep != nil {
		text = to.W["OwnSleepByLine"]
		if p.Asleep.Until != nil {
			text = words.Fill(to.W["OwnSleepUntil"], "time", figures.TimeOfDay(*p.Asleep.Until, s.At))
		}
	}
	lines = append(lines, said(to.W["OwnDraw"], text))
	if parked := time.Duration(p.ParkedS) * time.Second; parked >= time.Hour {
		lines = append(lines, said(to.W["OwnDrawParkedName"], words.Fill(to.W["OwnDrawParked"],
			"ah", tenths(p.DrawnAh), "pct", tenths(p.DrawnPct), "time", figures.Rough(parked))))
	}
	if p.StandsDays != nil && p.StandsWithoutDays != nil {
		lines = append(lines, said(to.W["ParkedLifts"], words.Fill(to.W["StandsDays"],
			"with", standsFor(to, *p.StandsDays), "without", standsFor(to, *p.StandsWithoutDays))))
	}
	if p.LateWord {
		lines = append(lines, said(to.W["LateWordName"], to.W["LateWord"]))
	}
	return lines
}

// ownShareFrom is the part of the capacity from which a low bank's card names what the board took.
const ownShareFrom = 5.0 // %; our choice: what a board of 60 mA takes of 200 Ah in a week

// nameOwnShare adds to the cards of a low bank what the monitor took of it since it was parked.
func nameOwnShare(to *words.Reader, s *snapshot.Snapshot, all []view.Finding) {
	p := s.Power
	if p == nil || p.DrawnPct < ownShareFrom {
		return
	}
	text := words.Fill(to.W["OwnShare"], "ah", rounded(p.DrawnAh), "pct", rounded(p.DrawnPct),
		"time", figures.Rough(time.Duration(p.ParkedS)*time.Second))
	for i := range all {
		switch all[i].Key {
		case "bank-low", "bank-flat", "bank-undercharged":
			all[i].Status = append(all[i].Status, template.HTML(template.HTMLEscapeString(text)))
		}
	}
}

// standsFor writes for how many days a bank stands; nobody looks further ahead than a year.
func standsFor(to *words.Reader, days float64) string {
	if days >= 365 {
		return to.W["OverAYear"]
	}
	return figures.Rough(time.Duration(days * 24 * float64(time.Hour)))
}

func rounded(x float64) string { return figures.Short(&x, 0, false) }

func tenths(x float64) string { return figures.Short(&x, 1, false) }
