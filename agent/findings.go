package agent

import (
	"context"
	"errors"
	"sort"
	"time"

	"liftbank/agent/snapshot"
	"liftbank/rules"
	"liftbank/rules/finding"
)

// ErrStopped is given to whoever asks an agent for something that has stopped.
var ErrStopped = errors.New("the agent has stopped")

// order is a piece of work for the loop.
type order struct {
	do   func(*rules.Engine) error
	done chan<- error // of capacity 1: the loop never waits for it
}

// Do has the loop call do with the engine, between two scans, and gives what it returned. It waits
// at most one scan's time for its turn (board.scan.rest_every). A new snapshot follows at once. do
// must not keep the engine, nor wait for anything.
func (a *Agent) Do(ctx context.Context, do func(*rules.Engine) error) error {
	done := make(chan error, 1)
	select {
	case a.orders <- order{do, done}:
		return <-done
	case <-a.stopped:
		return ErrStopped
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// takeOrders does what waits to be done, and reports whether there was anything.
func (a *Agent) takeOrders() (any bool) {
	for {
		select {
		case o := <-a.orders:
			o.done <- o.do(a.core.engine)
			any = true
		default:
			return any
		}
	}
}

// changeOf gives a finding as it was changed by an event.
func changeOf(out *rules.Output, ev rules.Event, l *timeline) snapshot.Finding {
	f := findingOf(out.Findings, ev.Finding, l)
	f.Seq, f.Change, f.Muted = ev.Change.Seq, ev.Change.Kind.String(), ev.Change.Muted
	f.State = ev.Change.State.String()
	return f
}

// findingsOf adds the findings: worst first, and each that another explains right after its cause.
func (c *Core) findingsOf(s *snapshot.Snapshot, out *rules.Output, l *timeline) {
	s.Flood = c.engine.Findings().Flooded(out.At.Mono)
	var roots []int
	for i := range out.Findings {
		rec := &out.Findings[i]
		if rec.Def.Optional {
			s.OptionalFindings = append(s.OptionalFindings, rec.Def.Name)
		}
		if rec.Because != nil {
			s.NotJudged = append(
				s.NotJudged,
				snapshot.NotJudged{
					Name: rec.Def.Name, Subject: rec.Subject, Because: *textOf(rec.Because),
					Have: int(rec.Progress.Have), Want: int(rec.Progress.Want),
				},
			)
		}
		if rec.Listed() && !explained(out.Findings, rec) {
			roots = append(roots, i)
		}
	}
	sort.SliceStable(roots, func(i, j int) bool {
		a, b := &out.Findings[roots[i]], &out.Findings[roots[j]]
		if a, b := shown(a), shown(b); a != b {
			return a > b
		}
		return worst(out.Findings, roots[i]) > worst(out.Findings, roots[j])
	})
	for _, i := range roots {
		s.Findings = append(s.Findings, findingOf(out.Findings, i, l))
		for k := range out.Findings {
			if rec := &out.Findings[k]; rec.CausedBy == i && rec.Listed() {
				s.Findings = append(s.Findings, findingOf(out.Findings, k, l))
			}
		}
	}
}

// worst gives the severity of a finding, or that of the worst standing one that it explains: a root
// is as urgent as what it brings about.
func worst(all []finding.Record, i int) finding.Severity {
	s := all[i].Def.Severity
	for k := range all {
		if r := &all[k]; r.CausedBy == i && r.Active() && r.Listed() {
			s = max(s, r.Def.Severity)
		}
	}
	return s
}

// explained reports whether a finding is shown under another.
func explained(all []finding.Record, rec *finding.Record) bool {
	return rec.CausedBy >= 0 && all[rec.CausedBy].Listed()
}

// shown says how near the top a finding belongs whatever its severity: those that hold, then those
// that are over and unseen, then those put aside.
func shown(rec *finding.Record) int {
	switch rec.State {
	case finding.Unacknowledged, finding.Acknowledged:
		return 2
	case finding.ReturnedUnacknowledged:
		return 1
	}
	return 0
}

func findingOf(all []finding.Record, i int, l *timeline) snapshot.Finding {
	rec := &all[i]
	d := rec.Def
	f := snapshot.Finding{
		Name: d.Name, Subject: rec.Subject, Severity: d.Severity.String(), State: rec.State.String(), Since: l.at(rec.Since),
		Title: rec.Title(), Summary: rec.Summary(), Evidence: []snapshot.Evidence{}, NextCheck: d.NextCheck, Clears: d.Clears,
		Seq: rec.Seq, Active: rec.Active(), Times: rec.Times, AckBy: rec.AckBy, ShelvedBy: rec.ShelvedBy, OutBy: rec.OutBy,
		Because: textOf(rec.Because),
	}
	stamp := func(set bool, at time.Duration) *time.Time {
		if !set {
			return nil
		}
		t := l.at(at)
		return &t
	}
	f.RaisedAt = stamp(rec.Times > 0, rec.BeganAt)
	f.AckAt, f.ShelvedUntil = stamp(rec.AckBy != "", rec.AckAt), stamp(rec.ShelvedBy != "", rec.ShelvedTo)
	if explained(all, rec) {
		f.CausedBy, f.CausedByOf = all[rec.CausedBy].Def.Name, all[rec.CausedBy].Subject
	}
	for _, c := range rec.Causes() {
		f.Causes = append(f.Causes, snapshot.Cause{Cause: *textOf(c.Cause), Reason: textOf(c.Reason)})
	}
	for _, e := range rec.Evidence {
		if e.What == nil {
			continue // saved by a version that had another number there
		}
		f.Evidence = append(f.Evidence, snapshot.Evidence{
			What: *textOf(e.What), Value: round(e.Value, evidenceDecimals(e.Unit)), Unit: e.Unit, Words: textOf(e.Words),
			Battery: e.Name, At: l.at(e.At),
		})
	}
	for _, m := range rec.Remarks {
		f.Remarks = append(f.Remarks, snapshot.Remark{At: l.at(m.At), By: m.By, Text: m.Text})
	}
	return f
}

// evidenceDecimals is how finely a figure of evidence is worth showing.
func evidenceDecimals(unit string) int {
	switch unit {
	case "A", "Ah", "Ah/day", "%", "°C", "h", "d", "min", "s":
		return 1
	case "mΩ":
		return mohmDecimals
	}
	return voltDecimals
}
