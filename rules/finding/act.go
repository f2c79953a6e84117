package finding

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// Refusals, to branch on.
var (
	ErrUnknown  = errors.New("no such finding on this unit")
	ErrGone     = errors.New("nothing to acknowledge: the finding is gone")
	ErrDone     = errors.New("acknowledged already")
	ErrAside    = errors.New("shelved or out of service")
	ErrNotAside = errors.New("neither shelved nor out of service")
	ErrEnd      = errors.New("want an end")
	ErrActor    = errors.New("want who does it")
	ErrText     = errors.New("want a text")
)

// Limits of what people may write.
const (
	longestName = 64
	longestText = 1000
)

// Acknowledge says that somebody has seen a finding, and with it those that it explains. One that is over, and was not seen before,
// is normal again by it.
func (b *Book) Acknowledge(name, subject, who string, at time.Duration) error {
	i, err := b.act("acknowledge", name, subject, who)
	if err != nil {
		return err
	}
	switch r := &b.Records[i]; {
	case r.shelved || r.out:
		return refuse("acknowledge", name, subject, ErrAside)
	case !r.owed && r.holds:
		return refuse("acknowledge", name, subject, ErrDone)
	case !r.owed:
		return refuse("acknowledge", name, subject, ErrGone)
	}
	b.acknowledge(i, who, at)
	for k := range b.Records {
		if r := &b.Records[k]; k != i && r.CausedBy == i && r.owed && !r.shelved && !r.out {
			b.acknowledge(k, who, at)
		}
	}
	return nil
}

func (b *Book) acknowledge(i int, who string, at time.Duration) {
	r := &b.Records[i]
	r.owed, r.AckBy, r.AckAt = false, who, at
	r.settle(at)
	b.note(i, Change{Kind: WasAcknowledged, At: at, By: who})
}

// Shelve puts a finding aside for a time: it is judged on, but nobody is called for it. Shelving a shelved one sets a new end.
func (b *Book) Shelve(name, subject, who string, at, span time.Duration) error {
	i, err := b.act("shelve", name, subject, who)
	if err != nil {
		return err
	}
	longest := b.Longest
	if longest == 0 {
		longest = DefaultLongest
	}
	if span <= 0 || span > longest {
		return fmt.Errorf("shelve %s: for %v: want more than 0, to %v: %w", named(name, subject), span, longest, ErrEnd)
	}
	r := &b.Records[i]
	if r.out {
		return refuse("shelve", name, subject, ErrAside)
	}
	r.shelved, r.ShelvedBy, r.ShelvedTo = true, who, at+span
	r.settle(at)
	b.note(i, Change{Kind: WasShelved, At: at, By: who})
	return nil
}

// Unshelve ends a shelving. If the condition holds, it is unacknowledged again.
func (b *Book) Unshelve(name, subject, who string, at time.Duration) error {
	i, err := b.act("unshelve", name, subject, who)
	if err != nil {
		return err
	}
	if !b.Records[i].shelved {
		return refuse("unshelve", name, subject, ErrNotAside)
	}
	b.unshelve(i, who, at)
	return nil
}

func (b *Book) unshelve(i int, who string, at time.Duration) {
	r := &b.Records[i]
	r.shelved, r.ShelvedBy, r.ShelvedTo = false, "", 0
	r.owed = r.holds
	r.settle(at)
	b.note(i, Change{Kind: WasUnshelved, At: at, By: who})
}

// TakeOut takes a finding out of service: nobody is called for it until it is put back.
func (b *Book) TakeOut(name, subject, who string, at time.Duration) error {
	i, err := b.act("take out of service", name, subject, who)
	if err != nil {
		return err
	}
	r := &b.Records[i]
	if r.out {
		return refuse("take out of service", name, subject, ErrAside)
	}
	r.out, r.OutBy, r.shelved, r.ShelvedBy, r.ShelvedTo, r.owed = true, who, false, "", 0, false
	r.settle(at)
	b.note(i, Change{Kind: TakenOut, At: at, By: who})
	return nil
}

// PutBack returns a finding to service. If the condition holds, it is unacknowledged.
func (b *Book) PutBack(name, subject, who string, at time.Duration) error {
	i, err := b.act("return to service", name, subject, who)
	if err != nil {
		return err
	}
	r := &b.Records[i]
	if !r.out {
		return refuse("return to service", name, subject, ErrNotAside)
	}
	r.out, r.OutBy, r.owed = false, "", r.holds
	r.settle(at)
	b.note(i, Change{Kind: PutBack, At: at, By: who})
	return nil
}

// Remark writes a note to a finding, normal ones included.
func (b *Book) Remark(name, subject, who, text string, at time.Duration) error {
	i, err := b.act("note on", name, subject, who)
	if err != nil {
		return err
	}
	text = strings.TrimSpace(text)
	if text == "" || !plain(text, longestText) {
		return fmt.Errorf("note on %s: want 1 to %d characters: %w", named(name, subject), longestText, ErrText)
	}
	r := &b.Records[i]
	if len(r.Remarks) >= MaxRemarks {
		r.Remarks = append([]Remark(nil), r.Remarks[len(r.Remarks)-MaxRemarks+1:]...)
	}
	r.Remarks = append(r.Remarks, Remark{At: at, By: who, Text: text})
	b.note(i, Change{Kind: Remarked, At: at, By: who, Text: text})
	return nil
}

// act finds what an action is about and checks who does it.
func (b *Book) act(what, name, subject, who string) (int, error) {
	i := b.Find(name, subject)
	if i < 0 {
		return 0, refuse(what, name, subject, ErrUnknown)
	}
	if strings.TrimSpace(who) == "" || !plain(who, longestName) {
		return 0, fmt.Errorf("%s %s: by %.20q: want a name of 1 to %d characters: %w", what, named(name, subject), who, longestName, ErrActor)
	}
	return i, nil
}

func plain(s string, longest int) bool {
	return utf8.ValidString(s) && utf8.RuneCountInString(s) <= longest
}

func refuse(what, name, subject string, err error) error {
	return fmt.Errorf("%s %s: %w", what, named(name, subject), err)
}

func named(name, subject string) string {
	if subject == "" {
		return fmt.Sprintf("%.60q", name)
	}
	return fmt.Sprintf("%.60q of %.60q", name, subject)
}
