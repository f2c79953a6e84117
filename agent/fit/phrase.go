package fit

import (
	"errors"
	"fmt"
	"unicode"
	"unicode/utf8"
)

// Phrase is a text with what is filled into it, so that it can be said in another language. Its English form
// is the key of its translations.
type Phrase struct {
	Form    string // in English, as fmt.Sprintf takes it
	With    []any  // phrases among them are translated too
	Capital bool   // it begins a sentence
}

func phrase(form string, with ...any) Phrase { return Phrase{Form: form, With: with} }

// capital returns the phrase as the beginning of a sentence.
func (p Phrase) capital() Phrase { p.Capital = true; return p }

// Empty reports whether there is nothing to say.
func (p Phrase) Empty() bool { return p.Form == "" }

// String returns the phrase in English.
func (p Phrase) String() string { return p.In(func(form string) string { return form }) }

// In returns the phrase with each form as say has it, which must take what the English one takes.
func (p Phrase) In(say func(form string) string) string {
	text := say(p.Form)
	if len(p.With) > 0 {
		with := make([]any, len(p.With))
		for i, w := range p.With {
			if q, is := w.(Phrase); is {
				w = q.In(say)
			}
			with[i] = w
		}
		text = fmt.Sprintf(text, with...)
	}
	if first, size := utf8.DecodeRuneInString(text); p.Capital && size > 0 {
		text = string(unicode.ToUpper(first)) + text[size:]
	}
	return text
}

// list joins phrases: two of them by the form both.
func list(all []Phrase, both string) Phrase {
	switch n := len(all); n {
	case 0:
		return phrase("nothing")
	case 1:
		return all[0]
	default:
		first := all[0]
		for _, p := range all[1 : n-1] {
			first = phrase("%s, %s", first, p)
		}
		return Phrase{Form: both, With: []any{first, all[n-1]}}
	}
}

// Forms that join two phrases.
const (
	bothOf   = "%s and %s"
	eitherOf = "%s or %s"
)

// Refusal is why something is not taken.
type Refusal struct {
	Phrase
	Wait bool // it may be taken later
}

// Error returns the reason in English.
func (r *Refusal) Error() string {
	if r.Wait {
		return ErrWait.Error() + ": " + r.String()
	}
	return r.String()
}

// Is reports whether it is ErrWait.
func (r *Refusal) Is(target error) bool { return r.Wait && target == ErrWait }

func refuse(form string, with ...any) error { return &Refusal{Phrase: phrase(form, with...)} }

func wait(form string, with ...any) error { return &Refusal{Phrase: phrase(form, with...), Wait: true} }

// ErrWait says that a step needs more time before it can be answered.
var ErrWait = errors.New("not yet")

// Why returns why something was refused, as a phrase.
func Why(err error) Phrase {
	if r, is := errors.AsType[*Refusal](err); is {
		return r.Phrase
	}
	return Phrase{Form: err.Error()}
}
