package draw

import (
	"slices"
	"strings"

	"liftbank/agent/history"
	"liftbank/agent/snapshot"
)

// Wired is how batteries are joined in series: those of each string, from minus to plus; none in parallel.
type Wired [][]string

// WiredAs returns how the batteries of a unit are joined; s may be nil.
func WiredAs(s *snapshot.Snapshot) (w Wired) {
	if s == nil {
		return nil
	}
	for i := range s.Strings {
		w = append(w, []string{s.Strings[i].From, s.Strings[i].To})
	}
	return w
}

// one returns of lines by battery one for each string, with its name: what is the same for all its
// batteries, such as their current. In parallel all stay.
func (w Wired) one(lines []*history.Series) []*history.Series {
	if len(w) == 0 {
		return lines
	}
	var out []*history.Series
	for _, l := range lines {
		if l.Battery == "" {
			out = append(out, l)
		}
	}
	for _, ids := range w {
		var best *history.Series
		for _, l := range lines {
			if slices.Contains(ids, l.Battery) && (best == nil || !known(best) && known(l)) {
				best = l
			}
		}
		if best != nil {
			named := *best
			named.Battery = strings.Join(ids, "\u2011")
			out = append(out, &named)
		}
	}
	return out
}

// apart returns the voltages of the batteries in series, and those at the bank's: its own by theirs, and the
// others.
func (w Wired) apart(lines []*history.Series) (blocks, whole []*history.Series) {
	for _, l := range lines {
		if l.Battery != "" {
			blocks = append(blocks, l)
		} else {
			whole = append(whole, l)
		}
	}
	if bank := w.sum(blocks); bank != nil && !slices.ContainsFunc(whole, func(l *history.Series) bool { return l.Figure == bank.Figure }) {
		whole = append([]*history.Series{bank}, whole...)
	}
	return blocks, whole
}

func known(l *history.Series) bool {
	return slices.ContainsFunc(l.Mean, func(v *float64) bool { return v != nil })
}

// sum returns the bank's voltage by those of its batteries: the mean of the sums of its strings. It is nil in
// parallel, and where a battery is missing.
func (w Wired) sum(lines []*history.Series) *history.Series {
	var own []*history.Series
	for _, ids := range w {
		for _, id := range ids {
			i := slices.IndexFunc(lines, func(l *history.Series) bool { return l.Battery == id })
			if i < 0 {
				return nil
			}
			own = append(own, lines[i])
		}
	}
	if len(own) == 0 {
		return nil
	}
	out := &history.Series{Figure: own[0].Figure, Mean: make([]*float64, len(own[0].Mean))}
	for i := range out.Mean {
		total := 0.0
		for _, l := range own {
			v := finite(l.Mean, i)
			if v == nil {
				total = 0
				break
			}
			total += *v
		}
		if total != 0 {
			mean := total / float64(len(w))
			out.Mean[i] = &mean
		}
	}
	return out
}
