package draw

import (
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
)

// Small is what the small chart of a finding shows: the lines it rests on, up to now.
type Small struct {
	Figures []string // one quantity
	Battery string   // empty: of all, and of the bank
	Of      Part
	Limit   *float64  // nil: none is drawn
	Raised  time.Time // zero: not marked
	Wired   Wired
}

// Part is which part of its lines a small chart shows.
type Part int

// Parts of a line.
const (
	Whole   Part = iota
	Inflow       // only what flows in
	Blocks       // of the batteries, without the bank
	AtRest       // without the stretches in which the motor ran or the bank was charged
	RunMean      // in place of lines, the mean current of each motor run
	RunTime      // in place of lines, how long each motor run was
)

// restingA is up to what current through a battery it is said to rest.
const restingA = 5

// runQuantities are drawn of the motor runs.
var runQuantities = map[Part]quantity{
	RunMean: {Suffix: "run_mean_a", Word: "LastMean", Unit: "A", Least: 20},
	RunTime: {Suffix: "run_time_s", Word: "LastLength", Unit: "s", Decimals: 1, Least: 10, Zero: true},
}

// SmallSpans are how much of the past a small chart can show.
var SmallSpans = []time.Duration{24 * time.Hour, 3 * 24 * time.Hour, 8 * 24 * time.Hour, 16 * 24 * time.Hour, 32 * 24 * time.Hour}

// smallParts is into how many parts its axis of time is divided; it divides each of the spans into whole hours, the long ones into whole days.
const smallParts = 4

// Small returns the small chart of a finding; ok is false where there is nothing to draw. Its times are counted from
// now, so that it is true in any zone.
func (p Past) Small(to *words.Reader, w *history.Window, s Small) (c Chart, ok bool) {
	t := p.timeline(to, w)
	t.marks = nil
	step := w.To.Sub(w.From) / smallParts
	ago := func(d time.Duration) string {
		if d <= 0 {
			return to.W["NowWord"]
		}
		return words.Fill(to.W["Ago"], "span", hoursOrDays(d))
	}
	for i := range smallParts {
		left := time.Duration(smallParts-i) * step
		m := stretch{at: w.To.Add(-left), end: w.To.Add(step - left), name: ago(left)}
		m.x, m.w = t.place(m.at), plotWidth/smallParts
		m.long = words.Fill(to.W["FromTo"], "from", m.name, "to", ago(left-step))
		t.marks = append(t.marks, m)
	}
	q, lines := s.lines(w, t)
	if len(lines) == 0 {
		return Chart{}, false
	}
	if s.Limit != nil {
		q.Limit = s.Limit
	}
	if t.named = nil; !s.Raised.IsZero() && !s.Raised.Before(w.From) && s.Raised.Before(w.To) {
		t.named = append(t.named, moment{t.place(s.Raised), words.Fill(to.W["RaisedAgo"], "span", figures.Rough(w.To.Sub(s.Raised)))})
	}
	if s.Of == RunMean || s.Of == RunTime {
		t.runs = nil // no needles: the lines are the runs
	}
	title := to.W[q.Word]
	c = t.chart(to, lines, lines, q, title, "")
	if c.Values == nil { // no figure that can be drawn
		return Chart{}, false
	}
	d := &svgBuilder{}
	d.put(`<svg class="times plainly" aria-hidden="true">`)
	for i, m := range t.marks {
		if i%2 == 0 {
			d.put(`<text x="%.2f%%" y="1.3em">%s</text>`, m.x/10, template.HTMLEscapeString(m.name))
		}
	}
	d.put(`<text x="100%%" y="1.3em" text-anchor="end">%s</text></svg>`, template.HTMLEscapeString(to.W["NowWord"]))
	c.Axis = template.HTML(d.String())
	return c, true
}

// hoursOrDays writes a span of whole hours.
func hoursOrDays(d time.Duration) string {
	if h := int(d.Hours()); h%24 != 0 {
		return fmt.Sprintf("%d\u00a0h", h)
	}
	return fmt.Sprintf("%d\u00a0d", int(d.Hours())/24)
}

// lines returns those of a window that a small chart shows, with what they measure.
func (s *Small) lines(w *history.Window, t *timeline) (q quantity, lines []*history.Series) {
	if q, of := runQuantities[s.Of]; of {
		if l := runLine(q.Suffix, s.Of, t); l != nil {
			lines = append(lines, l)
		}
		return q, lines
	}
	for _, f := range s.Figures {
		for i := range w.Series {
			l := &w.Series[i]
			if l.Figure != f || l.Battery != s.Battery && s.Battery != "" || len(lines) == mostLines {
				continue
			}
			if s.Of == AtRest {
				l = resting(l, t)
			}
			if slices.ContainsFunc(l.Mean, func(v *float64) bool { return v != nil }) {
				lines = append(lines, l)
			}
		}
		for _, of := range quantities {
			if strings.HasSuffix(f, of.Suffix) {
				q = of
			}
		}
	}
	if q.Suffix == "current_a" {
		lines = s.Wired.one(lines)
	}
	if s.Of == Blocks {
		return q, slices.DeleteFunc(lines, func(l *history.Series) bool { return l.Battery == "" })
	}
	if s.Battery == "" && len(s.Figures) == 1 { // of the batteries, or else of the bank
		if own := slices.DeleteFunc(slices.Clone(lines), func(l *history.Series) bool { return l.Battery == "" }); s.Of != Inflow && len(own) > 0 &&
			q.Suffix != "voltage_v" && q.Suffix != "soc_pct" {
			lines = own
		} else if bank := slices.DeleteFunc(slices.Clone(lines), func(l *history.Series) bool { return l.Battery != "" }); len(bank) > 0 &&
			s.Of != AtRest {
			lines = bank
		}
	}
	switch s.Of {
	case Inflow:
		lines = inflows(lines)
		q.Least, q.Inflow, q.Word = 1, true, "ChargingCurrent"
	case AtRest:
		q.Least, q.Zero, q.Decimals = 1, false, 2
	}
	return q, lines
}

// resting returns a line without the bins in which more current flowed than at rest.
func resting(l *history.Series, t *timeline) *history.Series {
	out := &history.Series{Figure: l.Figure, Battery: l.Battery, Mean: slices.Clone(l.Mean)}
	for i := range out.Mean {
		for _, of := range [][]*float64{l.Min, l.Mean, l.Max} {
			if v := finite(of, i); v != nil && (*v > restingA || *v < -restingA) {
				out.Mean[i] = nil
			}
		}
	}
	for _, r := range t.runs {
		if i := t.bin(r.At); i >= 0 && i < len(out.Mean) {
			out.Mean[i] = nil
		}
	}
	return out
}

// runLine makes a line of the motor runs; nil where there was none.
func runLine(figure string, of Part, t *timeline) *history.Series {
	l := &history.Series{
		Figure: figure, Min: make([]*float64, t.bins), Mean: make([]*float64, t.bins), Max: make([]*float64, t.bins),
	}
	count := make([]float64, t.bins)
	any := false
	for _, r := range t.runs {
		i := t.bin(r.At)
		v := r.MeanA
		if of == RunTime {
			v = r.DurationS
		}
		if i < 0 || v <= 0 {
			continue
		}
		any = true
		if count[i]++; count[i] == 1 {
			mean := v
			l.Min[i], l.Mean[i], l.Max[i] = &v, &mean, &v
			continue
		}
		*l.Mean[i] += (v - *l.Mean[i]) / count[i]
		low, high := min(*l.Min[i], v), max(*l.Max[i], v)
		l.Min[i], l.Max[i] = &low, &high
	}
	if !any {
		return nil
	}
	return l
}

// SmallRun returns the small chart of a finding that a motor run shows: its first second.
func SmallRun(to *words.Reader, tr *history.Trace, s Small) (Chart, bool) {
	if len(tr.TimesS) < 2 {
		return Chart{}, false
	}
	t := secondsLine(tr.TimesS)
	var lines []*history.Series
	var q quantity
	for _, f := range s.Figures {
		for _, l := range tr.Series {
			if l.Figure == f && (s.Battery == "" || l.Battery == "" || l.Battery == s.Battery) && len(lines) < mostLines {
				lines = append(lines, &history.Series{Figure: l.Figure, Battery: l.Battery, Mean: l.Values})
			}
		}
		for _, of := range quantities {
			if strings.HasSuffix(f, of.Suffix) {
				q = of
			}
		}
	}
	switch {
	case q.Suffix == "current_a":
		lines = s.Wired.one(lines)
	case q.Suffix == "voltage_v" && s.Of != Blocks && len(s.Wired) > 0:
		_, lines = s.Wired.apart(lines)
	}
	if len(lines) == 0 {
		return Chart{}, false
	}
	q.Limit = s.Limit
	c := t.chart(to, lines, lines, q, to.W[q.Word], to.W["LastRun"])
	c.Axis = t.axis()
	c.Table = t.secondsTable(to, lines, c.Lines, q.Decimals)
	return c, c.Values != nil
}

// secondsTable gives of each line its mean after each mark, up to the next.
func (t *timeline) secondsTable(to *words.Reader, lines []*history.Series, views []lineView, decimals int) (table Table) {
	table.Head = []string{to.W["TimeWord"] + ", s"}
	for i := range lines {
		table.Head = append(table.Head, views[i].Name)
	}
	for _, m := range t.marks {
		from, _ := slices.BinarySearch(t.x, m.x-1e-9)
		end, _ := slices.BinarySearch(t.x, m.x+m.w-1e-9)
		row := []string{m.name}
		for _, l := range lines {
			cell := figures.Unknown
			if _, _, mean, _ := extent(l, from, end); mean == mean {
				cell = withMinus(mean, decimals)
			}
			row = append(row, cell)
		}
		table.Rows = append(table.Rows, row)
	}
	return table
}
