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
	ErrUnknown      = errors.New("no such finding on this unit")
	ErrCleared      = errors.New("nothing to acknowledge: the finding has cleared")
	ErrAlreadyAcked = errors.New("already acknowledged")
	ErrShelved      = errors.New("shelved or out of service")
	ErrNotShelved   = errors.New("neither shelved nor out of service")
	ErrShelveTime   = errors.New("want an end time")
	ErrNoName       = errors.New("want a name")
	ErrNoText       = errors.New("want a text")
)

// Limits of what people may write.
const (
	maxName = 64   // count: characters of a name; our choice
	maxText = 1000 // count: characters of a remark; our choice
)

// Acknowledge records that somebody has seen a finding, and with it those that it explains. One
// that has cleared unseen is normal again by it.
func (b *Book) Acknowledge(name, subject, who string, at time.Duration) error {
	i, err := b.act("acknowledge", name, subject, who)
	if err != nil {
		return err
	}
	switch r := &b.Records[i]; {
	case r.IsShelved || r.IsOut:
		return refuse("acknowledge", name, subject, ErrShelved)
	case !r.Unacked && r.Holding:
		return refuse("acknowledge", name, subject, ErrAlreadyAcked)
	case !r.Unacked:
		return refuse("acknowledge", name, subject, ErrCleared)
	}
	b.acknowledge(i, who, at)
	for k := range b.Records {
		if r := &b.Records[k]; k != i && r.CausedBy == i && r.Unacked && !r.IsShelved && !r.IsOut {
			b.acknowledge(k, who, at)
		}
	}
	return nil
}

func (b *Book) acknowledge(i int, who string, at time.Duration) {
	r := &b.Records[i]
	r.Unacked, r.AckBy, r.AckAt = false, who, at
	r.updateState(at)
	b.logChange(i, Change{Kind: WasAcknowledged, At: at, By: who})
}

// Shelve suppresses a finding for a time: it is still judged, but nobody is called for it. Shelving
// a shelved one sets a new end.
func (b *Book) Shelve(name, subject, who string, at, span time.Duration) error {
	i, err := b.act("shelve", name, subject, who)
	if err != nil {
		return err
	}
	if span <= 0 || span > b.MaxShelve {
		return fmt.Errorf(
			"shelve %s: for %v: want more than 0, up to %v: %w",
			label(name, subject),
			span,
			b.MaxShelve,
			ErrShelveTime,
		)
	}
	r := &b.Records[i]
	if r.IsOut {
		return refuse("shelve", name, subject, ErrShelved)
	}
	r.IsShelved, r.ShelvedBy, r.ShelvedTo = true, who, at+span
	r.updateState(at)
	b.logChange(i, Change{Kind: WasShelved, At: at, By: who})
	return nil
}

// Unshelve ends a shelving. If the condition holds, it is unacknowledged again.
func (b *Book) Unshelve(name, subject, who string, at time.Duration) error {
	i, err := b.act("unshelve", name, subject, who)
	if err != nil {
		return err
	}
	if !b.Records[i].IsShelved {
		return refuse("unshelve", name, subject, ErrNotShelved)
	}
	b.unshelve(i, who, at)
	return nil
}

func (b *Book) unshelve(i int, who string, at time.Duration) {
	r := &b.Records[i]
	r.IsShelved, r.ShelvedBy, r.ShelvedTo = false, "", 0
	r.Unacked = r.Holding
	r.updateState(at)
	b.logChange(i, Change{Kind: WasUnshelved, At: at, By: who})
}

// TakeOut takes a finding out of service: nobody is called for it until it is put back.
func (b *Book) TakeOut(name, subject, who string, at time.Duration) error {
	i, err := b.act("take out of service", name, subject, who)
	if err != nil {
		return err
	}
	r := &b.Records[i]
	if r.IsOut {
		return refuse("take out of service", name, subject, ErrShelved)
	}
	r.IsOut, r.OutBy, r.IsShelved, r.ShelvedBy, r.ShelvedTo, r.Unacked = true, who, false, "", 0, false
	r.updateState(at)
	b.logChange(i, Change{Kind: TakenOut, At: at, By: who})
	return nil
}

// PutBack returns a finding to service. If the condition holds, it is unacknowledged.
func (b *Book) PutBack(name, subject, who string, at time.Duration) error {
	i, err := b.act("return to service", name, subject, who)
	if err != nil {
		return err
	}
	r := &b.Records[i]
	if !r.IsOut {
		return refuse("return to service", name, subject, ErrNotShelved)
	}
	r.IsOut, r.OutBy, r.Unacked = false, "", r.Holding
	r.updateState(at)
	b.logChange(i, Change{Kind: PutBack, At: at, By: who})
	return nil
}

// Remark writes a remark on a finding, normal ones included.
func (b *Book) Remark(name, subject, who, text string, at time.Duration) error {
	i, err := b.act("remark on", name, subject, who)
	if err != nil {
		return err
	}
	text = strings.TrimSpace(text)
	if text == "" || !validText(text, maxText) {
		return fmt.Errorf("remark on %s: want 1 to %d characters: %w", label(name, subject), maxText, ErrNoText)
	}
	r := &b.Records[i]
	if len(r.Remarks) >= MaxRemarks {
		r.Remarks = append([]Remark(nil), r.Remarks[len(r.Remarks)-MaxRemarks+1:]...)
	}
	r.Remarks = append(r.Remarks, Remark{At: at, By: who, Text: text})
	b.logChange(i, Change{Kind: Remarked, At: at, By: who, Text: text})
	return nil
}

// act returns the index of the finding that an action is about, and checks who does it.
func (b *Book) act(what, name, subject, who string) (int, error) {
	i := b.Find(name, subject)
	if i < 0 {
		return 0, refuse(what, name, subject, ErrUnknown)
	}
	if strings.TrimSpace(who) == "" || !validText(who, maxName) {
		return 0, fmt.Errorf(
			"%s %s: by %.20q: want a name of 1 to %d characters: %w",
			what,
			label(name, subject),
			who,
			maxName,
			ErrNoName,
		)
	}
	return i, nil
}

func validText(s string, longest int) bool {
	return utf8.ValidString(s) && utf8.RuneCountInString(s) <= longest
}

func refuse(what, name, subject string, err error) error {
	return fmt.Errorf("%s %s: %w", what, label(name, subject), err)
}

func label(name, subject string) string {
	if subject == "" {
		return fmt.Sprintf("%.60q", name)
	}
	return fmt.Sprintf("%.60q of %.60q", name, subject)
}
