package worklist

import (
	"errors"
	"fmt"
	"slices"
	"time"
	"unicode/utf8"

	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// State is how far the work on a finding is.
type State string

// States of work.
const (
	Open      State = "open"
	Assigned  State = "assigned"  // to somebody
	Planned   State = "planned"   // with a date
	Done      State = "done"      // by hand, by a visit's record, or because the finding has cleared
	Dismissed State = "dismissed" // with a reason
)

// States are all in order.
var States = []State{Open, Assigned, Planned, Done, Dismissed}

// Settled reports whether nothing more is to be done.
func (s State) Settled() bool { return s == Done || s == Dismissed }

// Work is how far the work on one finding of a unit is.
type Work struct {
	Key
	State  State     `json:"state"`
	Who    string    `json:"who,omitempty"`    // who does it
	Date   string    `json:"date,omitempty"`   // planned for, YYYY-MM-DD
	Reason string    `json:"reason,omitempty"` // why it was dismissed, or what ended it
	By     string    `json:"by,omitempty"`     // who said so; empty: the fleet itself
	At     time.Time `json:"at,omitzero"`
	Visit  string    `json:"visit,omitempty"` // whose record closed it
}

// Reasons of the fleet itself.
const (
	BecauseVisit   = "visit"   // a visit's record covers the finding
	BecauseCleared = "cleared" // the finding has cleared
	BecauseRaised  = "raised"  // it was raised anew
)

// Refusals, to branch on.
var (
	ErrState  = errors.New("want open, assigned, planned, done or dismissed")
	ErrWho    = errors.New("want who does the work")
	ErrDate   = errors.New("want a date as YYYY-MM-DD, today or later")
	ErrReason = errors.New("want a reason")
	ErrLong   = errors.New("want at most 120 characters a name, 500 a reason")
)

// Limits of texts, in characters; our choice.
const (
	maxWho    = visit.TextLimit
	maxReason = 500
)

// Set returns the work as somebody wants it, or why it can't be so. What a state does not have is
// dropped: an open one has nobody and no date.
func Set(want Work, by string, at time.Time) (Work, error) {
	w := Work{
		Key: want.Key, State: want.State, Who: visit.Tidy(want.Who, false), Reason: visit.Tidy(want.Reason, false), By: by, At: at,
	}
	if utf8.RuneCountInString(w.Who) > maxWho || utf8.RuneCountInString(w.Reason) > maxReason {
		return Work{}, ErrLong
	}
	switch w.State {
	case Open:
		w.Who, w.Reason = "", ""
	case Assigned:
		if w.Who == "" {
			return Work{}, ErrWho
		}
		w.Reason = ""
	case Planned:
		day, err := time.Parse(time.DateOnly, want.Date)
		if err != nil || day.Before(at.UTC().Add(-24*time.Hour).Truncate(24*time.Hour)) || day.Year() > at.Year()+10 {
			return Work{}, ErrDate // a day back: it may be yesterday still where the desk is
		}
		w.Date, w.Reason = want.Date, ""
	case Done:
	case Dismissed:
		if w.Reason == "" {
			return Work{}, ErrReason
		}
	default:
		return Work{}, fmt.Errorf("state %.40q: %w", want.State, ErrState)
	}
	return w, nil
}

// covers lists the kinds of a visit's work that settle a finding; common practice, no source. Of
// battery-replaced the battery must be the one that the finding is about.
var covers = map[string][]string{
	"battery-failed": {visit.BatteryReplaced},
	"battery-tired":  {visit.BatteryReplaced},
	"label-mismatch": {visit.BatteryReplaced},
	"blocks-unequal": {visit.BatteryReplaced},
	"near-reversal":  {visit.BatteryReplaced},
	middleTap:        {visit.ChannelCompared},
	"link-resistive": {visit.JointCleaned, visit.CableReplaced},
	"motor-drop":     {visit.JointCleaned, visit.CableReplaced},
	"feed-weak":      {visit.JointCleaned, visit.CableReplaced},
	"feed-lost":      {visit.CableReplaced},
	serviceDue:       {visit.ServiceDone},
	"sense-fault":    {visit.ChannelCompared},
}

const serviceDue = "service-due"

// coversOf returns the kinds of a visit's work that settle a finding: of a filter or oil that is due,
// its own change.
func coversOf(k Key) []string {
	switch {
	case k.Name == serviceDue && k.Subject == "filter":
		return []string{visit.FilterChanged}
	case k.Name == serviceDue && k.Subject == "oil":
		return []string{visit.OilChanged}
	}
	return covers[k.Name]
}

// AfterVisit returns the work on a finding after a visit, and whether the visit's record settles it:
// the work that the finding needs was done, or the finding did not stand any more when the visit ended.
// A visit that ended before the finding was raised settles nothing, nor one that a later word of the
// desk follows. since is when the finding was raised.
func AfterVisit(w Work, since time.Time, v *visit.Visit) (Work, bool) {
	if w.State.Settled() || v.Finished.Before(since) || v.Finished.Before(w.At) {
		return w, false
	}
	// A record from a clock that was never set says nothing of before and after, and one that was
	// shortened may leave out what stands.
	if !v.ClockTrusted {
		return w, false
	}
	worked := slices.ContainsFunc(v.Work, func(done visit.Work) bool {
		if !slices.Contains(coversOf(w.Key), done.Kind) || done.At.Before(since) || done.TakenBack != nil {
			return false
		}
		return done.Kind != visit.BatteryReplaced || done.Subject == w.Subject
	})
	stands := slices.ContainsFunc(v.Findings, func(f visit.Remaining) bool { return f.Name == w.Name && f.Subject == w.Subject })
	if !worked && (stands || v.Shortened) {
		return w, false
	}
	w.State, w.Reason, w.By, w.At, w.Visit = Done, BecauseVisit, v.By, v.Finished, v.ID
	return w, true
}

// AfterFinding returns the work after a message of its finding, and whether it changed. One that was
// raised after the work was settled opens it; one that has cleared settles it. A message older than
// what is known changes nothing: a backlog brings old ones late.
func AfterFinding(w Work, f *snapshot.Finding) (Work, bool) {
	switch {
	case f.Active && w.State.Settled() && SinceOf(f).After(w.At):
		return Work{Key: w.Key, State: Open, Reason: BecauseRaised, At: SinceOf(f)}, true
	case !f.Active && !w.State.Settled() && f.Since.After(w.At):
		w.State, w.Reason, w.By, w.At = Done, BecauseCleared, "", f.Since
		return w, true
	}
	return w, false
}
