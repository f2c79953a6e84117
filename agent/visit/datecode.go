package visit

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// codeYears is how far back a date code of the trade is looked for: in one of the last ten years. A battery of a lift is
// replaced before (common practice, no source), and a year's last digit comes again after ten.
const codeYears = 10

var (
	isoWeek    = regexp.MustCompile(`^([0-9]{4})-?W([0-9]{2})(-?[1-7])?$`) // ISO 8601
	letterCode = regexp.MustCompile(`^([A-M])[ -]?([0-9]{1,2})$`)
	pairCode   = regexp.MustCompile(`^([0-9]{2})([-/. ]?)([0-9]{2})$`)
)

// Made says what a date code means.
type Made struct {
	// What it can mean, the earliest first: a date, a month or a week as ISO 8601 has it. One: that is certain. None: it is
	// its maker's own, as many are, and nothing is read from it.
	Can []string
	// Trade is set where the code is one of the trade's, not of ISO 8601: it is read as of the last ten years.
	Trade bool
}

// Certain returns when a battery was made, empty where the code does not say so for certain.
func (m Made) Certain() string {
	if len(m.Can) == 1 {
		return m.Can[0]
	}
	return ""
}

// ReadDateCode reads a battery's date code. Dates, months and weeks as ISO 8601 has them are read as they are. Codes of the
// trade are read where they can mean one thing only, at a time that is known; now is zero where it isn't:
//
//   - a letter for the month and one or two digits for the year, H5, H25. Common practice, no source: A to L, or A to M
//     without I; both are in use, so J, K and L are two months each.
//   - month and year, 08/25 or 0825; year and week, 2533. Common practice, no source. Year and month, 2508, is in use,
//     too: it is not read, but leaves what it could be in doubt.
func ReadDateCode(code string, now time.Time) Made {
	code = strings.ToUpper(strings.TrimSpace(code))
	if m := isoWeek.FindStringSubmatch(code); m != nil {
		year, _ := strconv.Atoi(m[1])
		week, _ := strconv.Atoi(m[2])
		if likelyYear(year) && week >= 1 && week <= weeksOf(year) {
			return Made{Can: []string{m[1] + "-W" + m[2]}}
		}
		return Made{}
	}
	for _, layout := range [][2]string{{"2006-01-02", "2006-01-02"}, {"20060102", "2006-01-02"}, {"2006-01", "2006-01"}} {
		if t, err := time.Parse(layout[0], code); err == nil && likelyYear(t.Year()) {
			return Made{Can: []string{t.Format(layout[1])}}
		}
	}
	if now.IsZero() {
		return Made{}
	}
	var c candidates
	c.now = now.UTC()
	if m := letterCode.FindStringSubmatch(code); m != nil {
		c.letter(m[1][0], m[2])
	} else if m := pairCode.FindStringSubmatch(code); m != nil {
		first, _ := strconv.Atoi(m[1])
		second, _ := strconv.Atoi(m[3])
		c.month(2000+second, first)
		if m[2] == "" {
			c.week(2000+first, second)
		}
		if len(c.can) > 0 {
			c.month(2000+first, second)
		}
	}
	slices.Sort(c.can)
	return Made{Can: slices.Compact(c.can), Trade: len(c.can) > 0}
}

// MadeBy returns when a battery was made by its date code, empty where that is not certain.
func MadeBy(code string, now Facts) string { return ReadDateCode(code, now.sure()).Certain() }

// sure returns the time where the clock is set, zero otherwise.
func (f Facts) sure() time.Time {
	if !f.ClockTrusted {
		return time.Time{}
	}
	return f.At
}

// candidates are what a code of the trade can mean.
type candidates struct {
	now time.Time
	can []string
}

// within reports whether a battery in use may have been made then.
func (c *candidates) within(from time.Time) bool {
	return !from.After(c.now) && from.After(c.now.AddDate(-codeYears, 0, 0))
}

func (c *candidates) month(year, month int) {
	if month >= 1 && month <= 12 && c.within(time.Date(year, time.Month(month), 1, 0, 0, 0, 0, time.UTC)) {
		c.can = append(c.can, fmt.Sprintf("%04d-%02d", year, month))
	}
}

func (c *candidates) week(year, week int) {
	if week < 1 || week > weeksOf(year) {
		return
	}
	monday := time.Date(year, time.January, 4, 0, 0, 0, 0, time.UTC) // ISO 8601: it is in the first week
	monday = monday.AddDate(0, 0, 7*(week-1)-(int(monday.Weekday())+6)%7)
	if c.within(monday) {
		c.can = append(c.can, fmt.Sprintf("%04d-W%02d", year, week))
	}
}

// letter takes a letter for the month, and the last one or two digits of the year.
func (c *candidates) letter(letter byte, digits string) {
	n := int(letter-'A') + 1
	months := []int{n} // A is January, L December
	switch {
	case letter == 'M':
		months = []int{12} // without I
	case letter > 'I':
		months = append(months, n-1)
	}
	year, _ := strconv.Atoi(digits)
	for _, m := range months {
		if len(digits) == 2 {
			c.month(2000+year, m)
			continue
		}
		for y := c.now.Year(); y >= c.now.Year()-codeYears; y-- {
			if y%10 == year {
				c.month(y, m)
			}
		}
	}
}

// weeksOf returns how many weeks a year has by ISO 8601.
func weeksOf(year int) int {
	_, week := time.Date(year, time.December, 28, 0, 0, 0, 0, time.UTC).ISOWeek() // it is in the last week
	return week
}
