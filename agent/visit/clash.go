package visit

import (
	"errors"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Clash is what somebody has written into a field that somebody else had changed meanwhile. Both
// texts are kept until a person chooses: what was saved first stands in the field, the other one
// here.
type Clash struct {
	ID    int       `json:"id"`
	Key   string    `json:"key"`
	Base  string    `json:"base"` // what both have changed
	Mine  string    `json:"mine"` // what came second
	At    time.Time `json:"at"`
	By    string    `json:"by,omitempty"`
	Phone string    `json:"phone,omitempty"`
}

// Settled is what to keep of two texts.
type Settled uint8

// Choices.
const (
	KeepSaved Settled = iota // what stands in the field
	KeepOther                // what came second
	KeepBoth                 // one after the other; texts only
	Rewrite                  // a new text in place of both
)

// ErrToSettle is a visit that can't be finished while two texts stand for one field.
var ErrToSettle = errors.New("visit: two people changed the same field: choose what to keep first")

// clash keeps a value that came second. Of one phone the last one is kept; all are in the log. It
// reports whether that is news.
func (d *Draft) clash(key, base, mine string, revision int, now Facts) bool {
	same := func(c Clash) bool { return c.Key == key && (c.Mine == mine || now.Phone != "" && c.Phone == now.Phone) }
	i := slices.IndexFunc(d.ToSettle, same)
	if i >= 0 && d.ToSettle[i].Mine == mine {
		return false
	}
	d.note(Change{
		Revision: revision, At: now.At, Key: key, Old: d.Fields[key], New: mine, Refused: true, By: now.By,
	})
	d.Clashes++
	c := Clash{ID: d.Clashes, Key: key, Base: base, Mine: mine, At: now.At.UTC(), By: now.By, Phone: now.Phone}
	if i >= 0 {
		d.ToSettle[i] = c
	} else {
		d.ToSettle = append(d.ToSettle, c)
	}
	return true
}

// withdraw ends a clash of the phone that now sends what stands in the field anyway.
func (d *Draft) withdraw(key string, now Facts, revision int) bool {
	i := slices.IndexFunc(d.ToSettle, func(c Clash) bool {
		return c.Key == key && now.Phone != "" && c.Phone == now.Phone
	})
	if i < 0 {
		return false
	}
	d.note(Change{
		Revision: revision, At: now.At, Key: key, Old: d.ToSettle[i].Mine, New: d.Fields[key], Refused: true, By: now.By,
	})
	d.ToSettle = slices.Delete(d.ToSettle, i, i+1)
	return true
}

// Author returns who wrote what stands in a field, and when, as far as the log says.
func (d *Draft) Author(key string) (by string, at time.Time) {
	for _, c := range slices.Backward(d.Log) {
		if c.Key == key && !c.Refused {
			return c.By, c.At
		}
	}
	return "", time.Time{}
}

// Both returns two texts as one.
func Both(kind Kind, saved, other string) string {
	between := "; "
	if kind == Note {
		between = "\n"
	}
	return strings.Trim(saved+between+other, between)
}

// Settle ends a clash. One that is over already changes nothing. text is for Rewrite alone.
func (k *Store) Settle(id string, clash int, how Settled, text string, now Facts) (Result, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, err := k.edit(id)
	if err != nil {
		return Result{}, err
	}
	i := slices.IndexFunc(d.ToSettle, func(c Clash) bool { return c.ID == clash })
	if i < 0 {
		return Result{Draft: d}, nil
	}
	c := d.ToSettle[i]
	f, saved := k.o.Form.Field(c.Key), d.Fields[c.Key]
	if f == nil { // the checklist has changed: its text stays in the log
		f, how = &Field{Key: c.Key, Kind: Note}, KeepSaved
	}
	value := saved
	switch how {
	case KeepOther:
		value = c.Mine
	case KeepBoth:
		if f.Kind != Text && f.Kind != Note {
			return Result{Draft: d, Refusals: []Refusal{{c.Key, c.Mine, NotChoice}}}, nil
		}
		value = Both(f.Kind, saved, c.Mine)
	case Rewrite:
		value = text
	}
	kept, trouble := f.clean(value)
	if how != KeepSaved && trouble != "" {
		return Result{Draft: d, Refusals: []Refusal{{c.Key, Tidy(value, f.Kind == Note), trouble}}}, nil
	}
	next := d.Revision + 1
	d.ToSettle = slices.Delete(d.ToSettle, i, i+1)
	if how == KeepSaved || kept == saved {
		d.note(Change{Revision: next, At: now.At, Key: c.Key, Old: c.Mine, New: saved, Refused: true, By: now.By})
	} else {
		d.set(k.o.Form, c.Key, kept, next, now)
	}
	d.Revision, d.Changed = next, now.At
	d, err = k.keep(d)
	return Result{Draft: d}, err
}

// inFahrenheit is a temperature typed in °F.
var inFahrenheit = regexp.MustCompile(`(?i)^(.*?)\s*[°º]?\s*f$`)

// asShown returns a value as it was, where what was sent is what a page shows for it: a form has all
// its fields, and those in °F are shown rounded.
func (f *Field) asShown(raw, mine, base, saved string) string {
	m := inFahrenheit.FindStringSubmatch(strings.TrimSpace(raw))
	if f.Unit != "°C" || f.Kind != Number || m == nil {
		return mine
	}
	typed, ok := ParseNumber(m[1])
	if !ok {
		return mine
	}
	for _, was := range []string{saved, base} {
		c, err := strconv.ParseFloat(was, 64)
		if err == nil && math.Abs(ToFahrenheit(c)-typed) < 0.01 {
			return was
		}
	}
	return mine
}
