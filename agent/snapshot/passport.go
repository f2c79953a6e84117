package snapshot

import (
	"strconv"
	"strings"
	"time"
)

// MadeAt returns when a battery was made, or else when it was put in; ok is false where neither is written
// in a way that can be read.
func (p *Passport) MadeAt() (at time.Time, ok bool) {
	if p == nil {
		return at, false
	}
	for _, text := range []string{p.Made, p.Installed} {
		if year, week, is := strings.Cut(text, "-W"); is {
			y, err := strconv.Atoi(year)
			w, err2 := strconv.Atoi(week)
			if err == nil && err2 == nil && y > 0 && w >= 1 && w <= 53 {
				// January 4 is always in the first week (ISO 8601).
				return time.Date(y, time.January, 4+7*(w-1), 0, 0, 0, 0, time.UTC), true
			}
			continue
		}
		for _, layout := range []string{time.DateOnly, "2006-01"} {
			if at, err := time.Parse(layout, text); err == nil {
				return at, true
			}
		}
	}
	return at, false
}
