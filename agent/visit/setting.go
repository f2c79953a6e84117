package visit

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Setting is a setting that was changed during a visit.
type Setting struct {
	Seq  int    `json:"seq"` // number of the change in the unit's journal
	Path string `json:"path"`
	Old  string `json:"old"`
	New  string `json:"new"`
	Unit string `json:"unit,omitempty"`
}

// NoteSetting notes in the open visit that a setting was changed, which is done. The same change a
// second time does nothing, and so does one without an open visit.
func (k *Store) NoteSetting(s Setting, by string, now Facts) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.draft == nil || slices.ContainsFunc(k.draft.Work, func(w Work) bool { return w.Setting != nil && w.Setting.Seq == s.Seq }) {
		return nil
	}
	d := k.draft.copy()
	d.Work = append(d.Work, Work{
		ID: "setting-" + strconv.Itoa(s.Seq), At: now.At.UTC(), Kind: SettingChanged, By: by, Acted: true, Setting: &s,
	})
	d.Revision, d.Changed = d.Revision+1, now.At.UTC()
	_, err := k.keep(d)
	return err
}

// UnnoteSetting notes that a change of a setting was undone. It reports whether the open visit has it.
func (k *Store) UnnoteSetting(seq int, now Facts) (bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.draft == nil {
		return false, nil
	}
	d := k.draft.copy()
	i := slices.IndexFunc(d.Work, func(w Work) bool { return w.Setting != nil && w.Setting.Seq == seq })
	if i < 0 {
		return false, nil
	}
	if d.Work[i].TakenBack != nil {
		return true, nil
	}
	d.Work[i].TakenBack = new(now.At.UTC())
	d.Revision, d.Changed = d.Revision+1, now.At.UTC()
	_, err := k.keep(d)
	return true, err
}

// thousands is a whole number with one or more groups of three.
var thousands = regexp.MustCompile(`^[1-9][0-9]{0,2}(?:[.,][0-9]{3})+$`)

// ParseWithin reads a number as people type it, with or without a unit, for something that takes low
// to high in that unit. Of a whole number a point or a comma before three digits is one between
// thousands.
func ParseWithin(text, unit string, low, high float64, whole bool) (float64, Problem) {
	text = withoutUnit(strings.TrimSpace(text), unit)
	if number, _, _ := strings.Cut(text, " "); whole && thousands.MatchString(number) {
		text = strings.NewReplacer(".", "", ",", "").Replace(number) + strings.TrimPrefix(text, number)
	}
	f := Field{Kind: Number, Unit: unit, Min: low, Max: high}
	v, why := f.quantity(text)
	if why == "" && whole && v != float64(int64(v)) {
		return 0, NotWhole
	}
	return v, why
}

// NotWhole says that a value is no whole number.
const NotWhole Problem = "not-whole"

// unitWords are the words that people write for a unit that has no other scale, longest first.
var unitWords = map[string][]string{
	"d": {"days", "días", "dias", "day", "día", "dia", "d"},
	"h": {"hours", "horas", "hour", "hora", "hrs", "hr", "h"},
}

// withoutUnit takes the word for a unit off a number.
func withoutUnit(text, unit string) string {
	lower := strings.ToLower(text)
	for _, word := range unitWords[unit] {
		if rest, is := strings.CutSuffix(lower, word); is && strings.ContainsAny(rest, "0123456789") {
			return strings.TrimSpace(rest)
		}
	}
	return text
}
