package draw

import (
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
)

// timeline is the one axis of time that charts and strip stand on.
type timeline struct {
	from, to time.Time
	x        []float64 // of the bins' middles
	stepS    float64
	bins     int
	marks    []stretch
	runs     []history.Run
	known    int       // bins before now
	now      time.Time // data stops here
	named    []moment  // ruled through a plot
}

// moment is an instant that has a name.
type moment struct {
	x    float64
	name string
}

// stretch is a stretch of time with a name: a day, an hour. A line is drawn where it begins.
type stretch struct {
	at, end time.Time
	x, w    float64
	name    string
	long    string // for a table
	path    template.URL
}

// place returns where an instant is.
func (t *timeline) place(at time.Time) float64 {
	return plotWidth * at.Sub(t.from).Seconds() / max(t.to.Sub(t.from).Seconds(), 1e-9)
}

// bin returns the bin that an instant lies in, negative where it is in none.
func (t *timeline) bin(at time.Time) int {
	if at.Before(t.from) || !(t.stepS > 0) {
		return -1
	}
	i := int(at.Sub(t.from).Seconds() / t.stepS)
	if i >= t.bins {
		return -1
	}
	return i
}

func (p Past) zone() *time.Location {
	if p.Zone == nil {
		return time.UTC
	}
	return p.Zone
}

func (p Past) timeline(to *words.Reader, w *history.Window) *timeline {
	t := &timeline{from: w.From, to: w.To, stepS: w.StepS, bins: len(w.TimesS), runs: w.Runs, now: w.To}
	if !p.Now.IsZero() && p.Now.Before(w.To) {
		t.now = p.Now
	}
	for i, s := range w.TimesS {
		middle := time.Unix(s, 0).Add(time.Duration(w.StepS / 2 * float64(time.Second)))
		if !middle.After(t.now.Add(time.Duration(w.StepS * float64(time.Second)))) {
			t.known = i + 1
		}
		t.x = append(t.x, min(t.place(middle), t.place(t.now)))
	}
	if p.Now.IsZero() {
		t.known = len(t.x)
	}
	t.x = t.x[:t.known]
	t.marks = p.marks(to, t)
	return t
}

// Steps of marks on the axis of time. Those of days and months go by the calendar of the reader's zone.
var timeSteps = []struct {
	every        time.Duration
	days, months int
}{
	{every: time.Minute}, {every: 2 * time.Minute}, {every: 5 * time.Minute}, {every: 10 * time.Minute},
	{every: 30 * time.Minute}, {every: time.Hour}, {every: 2 * time.Hour}, {every: 4 * time.Hour}, {every: 6 * time.Hour},
	{days: 1}, {days: 2}, {days: 7}, {days: 14}, {months: 1}, {months: 2}, {months: 3},
}

// mostMarks is small enough for their names to keep apart on a phone, and for each to be pressed.
const mostMarks = 7

// marks returns the stretches of time that are ruled and named, the one that reaches in from before among them.
func (p Past) marks(to *words.Reader, t *timeline) (all []stretch) {
	span := t.to.Sub(t.from)
	if span <= 0 {
		return nil
	}
	zone := p.zone()
	at := t.from.In(zone)
	y, m, d := at.Date()
	midnight := time.Date(y, m, d, 0, 0, 0, 0, zone)
	var next func(time.Time) time.Time
	begin := midnight
	whole := func(step time.Duration) float64 { return float64(span) / float64(step) }
	const day = 24 * time.Hour
	for _, s := range timeSteps {
		switch {
		case s.every > 0 && whole(s.every) <= mostMarks:
			begin = midnight.Add(t.from.Sub(midnight).Truncate(s.every))
			next = func(b time.Time) time.Time { return b.Add(s.every) }
		case s.days > 0 && whole(time.Duration(s.days)*day-2*time.Hour) <= mostMarks+0.7:
			if s.days >= 7 { // weeks begin on Monday
				begin = midnight.AddDate(0, 0, -(int(midnight.Weekday())+6)%7)
			}
			next = func(b time.Time) time.Time { return b.AddDate(0, 0, s.days) }
		case s.months > 0 && (whole(time.Duration(s.months)*30*day) <= mostMarks || s.months == 3):
			begin = time.Date(y, m-time.Month(int(m-1)%s.months), 1, 0, 0, 0, 0, zone)
			next = func(b time.Time) time.Time { return b.AddDate(0, s.months, 0) }
		default:
			continue
		}
		for b := begin; b.Before(t.to); {
			e := next(b)
			if e.After(t.from) {
				all = append(all, p.mark(to, t, b, e, s.months > 0, span))
			}
			b = e
		}
		return all
	}
	return nil
}

func (p Past) mark(to *words.Reader, t *timeline, b, e time.Time, months bool, span time.Duration) stretch {
	m := stretch{at: b, end: e, x: t.place(b), w: plotWidth}
	m.w = t.place(e) - m.x
	short := to.Label("Month", strconv.Itoa(int(b.Month())))
	weekday := to.Label("DayName", strconv.Itoa(int(b.Weekday())))
	dayMonth := words.Fill(to.W["DayMonth"], "day", strconv.Itoa(b.Day()), "month", short)
	hour, minute, _ := b.Clock()
	switch length := e.Sub(b); {
	case months:
		m.name, m.long = short, short+" "+strconv.Itoa(b.Year())
	case length > 25*time.Hour:
		m.name, m.long = dayMonth, dayMonth
	case length > 22*time.Hour:
		m.name, m.long = weekday, weekday+" "+strconv.Itoa(b.Day())
		if span > 8*24*time.Hour {
			m.name = strconv.Itoa(b.Day())
		}
	default:
		m.name = b.Format("15:04")
		m.long = m.name
		if hour == 0 && minute == 0 && span > 25*time.Hour {
			m.name, m.long = weekday, weekday+" "+m.long
		}
	}
	shown := min(m.x+m.w, plotWidth) - max(m.x, 0)
	if p.Path != nil && e.Sub(b) < span*3/4 && e.Sub(b) >= shortestLinked && shown > plotWidth/mostMarks-1 {
		m.path = p.Path(b, e)
	}
	return m
}

const shortestLinked = time.Minute

// rules draws a line through a plot where each stretch begins.
func (t *timeline) rules(d *svgBuilder) {
	var path []byte
	for _, m := range t.marks {
		if m.x > 0 && m.x < plotWidth {
			path = append(path, 'M')
			path = strconv.AppendFloat(path, m.x, 'f', 1, 64)
			path = append(path, " 0V100"...)
		}
	}
	d.put(`<path class="ruled" d="%s"/>`, path)
}

// Axis returns the names of times below charts; each leads to its own stretch where that is a page. There they stand
// a second time, not to be pressed, for a screen that is too narrow for that.
func (p Past) Axis(to *words.Reader, w *history.Window) template.HTML {
	axis := p.timeline(to, w).axis()
	if p.Path == nil {
		return axis
	}
	p.Path = nil
	plain := p.timeline(to, w).axis()
	return axis + template.HTML(strings.Replace(string(plain), `class="times"`, `class="times plain"`, 1))
}

func (t *timeline) axis() template.HTML {
	d := &svgBuilder{}
	class := "times"
	if slices.ContainsFunc(t.marks, func(m stretch) bool { return m.path != "" }) {
		class = "times links"
	}
	d.put(`<svg class="%s">`, class)
	for _, m := range t.marks {
		x, width := max(m.x, 0), min(m.x+m.w, plotWidth)-max(m.x, 0)
		if width < plotWidth/20 { // no room for a name
			continue
		}
		text := `<text x="%.2f%%" y="1.3em">%s</text>`
		if m.path == "" {
			d.put(text, x/10, template.HTMLEscapeString(m.name))
			continue
		}
		d.put(`<a href="%s" aria-label="%s"><rect x="%.2f%%" y="0" width="%.2f%%" height="100%%"/>`+text+`</a>`,
			template.HTMLEscapeString(string(m.path)), template.HTMLEscapeString(m.long), x/10, width/10, x/10,
			template.HTMLEscapeString(m.name))
	}
	d.put("</svg>")
	return template.HTML(d.String())
}

// secondsLine is the axis of a motor run's first second.
func secondsLine(times []float64) *timeline {
	from, end := times[0], times[len(times)-1]
	span := max(end-from, 1e-3)
	t := &timeline{}
	for _, s := range times {
		t.x = append(t.x, plotWidth*(s-from)/span)
	}
	step := niceStep(span / mostMarks)
	decimals := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	for i := math.Ceil(from / step); i*step <= end; i++ {
		m := stretch{x: plotWidth * (i*step - from) / span, w: plotWidth * step / span}
		m.name = withMinus(i*step+0, decimals) // +0: no minus before zero
		t.marks = append(t.marks, m)
	}
	return t
}

// table gives of each line, in each stretch of time, between what it was.
func (t *timeline) table(
	to *words.Reader, lines []*history.Series, views []lineView, convert func(float64) float64, decimals int,
) (table Table) {
	if t.stepS <= 0 {
		return table
	}
	table.Head = []string{to.W["TimeWord"]}
	for i := range lines {
		table.Head = append(table.Head, views[i].Name)
	}
	for _, m := range t.marks {
		if !m.at.Before(t.now) {
			break
		}
		row := []string{m.long}
		a, b := t.binsOf(m)
		for _, l := range lines {
			low, high, mean, _ := extent(l, a, b)
			if math.IsNaN(mean) {
				row = append(row, figures.Unknown)
				continue
			}
			least, most := withMinus(convert(low), decimals), withMinus(convert(high), decimals)
			if least == most {
				row = append(row, least)
				continue
			}
			row = append(row, words.Fill(to.W["LowToHigh"], "low", least, "high", most))
		}
		table.Rows = append(table.Rows, row)
	}
	return table
}

// binsOf returns the bins whose middles lie in a stretch.
func (t *timeline) binsOf(m stretch) (from, end int) {
	at := func(x float64) int {
		return int(math.Round(min(max(x, 0), plotWidth) / plotWidth * float64(t.bins)))
	}
	return at(m.x), min(at(m.x+m.w), t.known)
}
