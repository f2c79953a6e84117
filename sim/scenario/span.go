package scenario

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Span is a time since the start, or a length of time. It is written as 90s, 300ms, 6h30m, 1d6h or 2w.
type Span time.Duration

// Duration gives the span as a time.Duration.
func (s Span) Duration() time.Duration { return time.Duration(s) }

// String gives the span as it is written in a file.
func (s Span) String() string {
	const day = Span(24 * time.Hour)
	if s < day {
		return time.Duration(s).String()
	}
	text := strconv.FormatInt(int64(s/day), 10) + "d"
	if rest := s % day; rest != 0 {
		text += time.Duration(rest).String()
	}
	return text
}

// UnmarshalYAML reads a span.
func (s *Span) UnmarshalYAML(data []byte) error {
	text := strings.Trim(strings.TrimSpace(string(data)), `"'`)
	v, err := ParseSpan(text)
	if err != nil {
		return err
	}
	*s = v
	return nil
}

// ParseSpan reads a span of 0 or more: Go's durations with days (d) and weeks (w) in front.
func ParseSpan(text string) (Span, error) {
	refused := fmt.Errorf("%q: want a time such as 90s, 300ms, 6h30m or 1d6h", text)
	rest, total := text, time.Duration(0)
	for _, unit := range []struct {
		letter string
		length time.Duration
	}{{"w", 7 * 24 * time.Hour}, {"d", 24 * time.Hour}} {
		number, after, found := strings.Cut(rest, unit.letter)
		if !found {
			continue
		}
		n, err := strconv.ParseUint(number, 10, 16)
		if err != nil {
			return 0, refused
		}
		total += time.Duration(n) * unit.length
		rest = after
	}
	if rest == "" && text != "" {
		return Span(total), nil
	}
	d, err := time.ParseDuration(rest)
	if err != nil || d < 0 || d+total < 0 {
		return 0, refused
	}
	return Span(total + d), nil
}
