package desk

import (
	"strings"
	"time"

	"liftbank/agent/fleet/worklist"
)

// Difference returns the fields in which the data of a unit differ, before and after, as the audit trail
// keeps them.
func Difference(before, after Data) (was, is string) {
	var a, b []string
	for _, f := range dataFields {
		if x, y := f.Get(before), f.Get(after); x != y {
			a, b = append(a, f.Name+"="+x), append(b, f.Name+"="+y)
		}
	}
	return strings.Join(a, "; "), strings.Join(b, "; ")
}

// WorkEntry returns the entry of a change of work.
func WorkEntry(by string, at time.Time, unit string, before, after worklist.Work) AuditEntry {
	return AuditEntry{
		At: at, Who: by, Action: ActionWork, Unit: unit, What: strings.TrimSpace(after.Name + " " + after.Subject),
		Before: workWords(before), After: workWords(after),
	}
}

func workWords(w worklist.Work) string {
	parts := []string{string(w.State)}
	for _, p := range []string{w.Date, w.Who, w.Reason} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, "; ")
}

// AccountEntry returns the entry of a change of an account. Nothing of a password is in it.
func AccountEntry(by string, at time.Time, name string, before, after *Account) AuditEntry {
	e := AuditEntry{At: at, Who: by, Action: ActionAccount, What: name}
	if before != nil {
		e.Before = string(before.Role)
	}
	switch {
	case after == nil:
		e.After = "removed"
	case before != nil && before.Hash != "" && before.Hash != after.Hash:
		e.After = string(after.Role) + ", new password"
	default:
		e.After = string(after.Role)
	}
	return e
}
