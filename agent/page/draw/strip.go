package draw

import (
	"cmp"
	"html/template"
	"net/url"
	"slices"
	"strconv"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/words"
	"liftbank/rules/detect"
)

// Strip is what happened, on the axis of the charts: runs, charging, findings.
type Strip struct {
	Name  string        // for those who don't see it
	Rules template.HTML // behind all rows
	Rows  []StripRow
	More  int // findings beyond those shown
	Table Table
}

// StripRow is one row of a strip.
type StripRow struct {
	Number int    // of a finding; 0: none
	Kind   string // urgent, repair or note of a finding, or empty
	Over   bool   // a finding that no longer holds
	Label  template.HTML
	Path   template.URL // of the finding
	SVG    template.HTML
}

// mostRows is how many findings have a row.
const mostRows = 20

// chargingA is from how much current into the bank it is said to charge.
const chargingA = 0.5

// Events draws a strip as one picture without words, for a page that has its own.
func Events(to *words.Reader, w *history.Window) template.HTML {
	var all template.HTML
	for _, r := range (Past{}).Strip(to, w).Rows {
		all += `<p class="row">` + r.Label + `</p>` + r.SVG
	}
	return all
}

// Strip returns what happened in a window.
func (p Past) Strip(to *words.Reader, w *history.Window) Strip {
	t := p.timeline(to, w)
	s := Strip{Table: Table{Head: []string{to.W["TimeWord"], to.W["Runs"]}}}
	d := &svgBuilder{}
	d.put(`<svg class="behind" viewBox="0 0 %d %d" preserveAspectRatio="none" aria-hidden="true">`, plotWidth, plotHeight)
	t.rules(d)
	d.put("</svg>")
	s.Rules = template.HTML(d.String())

	runs := words.Fill(to.W["RunsOf"], "n", strconv.Itoa(w.RunCount))
	s.Rows = append(s.Rows, StripRow{Label: text(runs), SVG: t.runStrokes(runs)})
	charging := to.W["Charging"]
	s.Rows = append(s.Rows, StripRow{Label: text(charging), SVG: stripSVG(charging, func(d *svgBuilder) {
		d.put(`<path class="feed" d="%s"/>`, barPath(t.charging(w)))
	})})
	for _, m := range t.marks {
		if !m.at.Before(t.now) {
			break
		}
		n := 0
		for _, r := range w.Runs {
			if !r.At.Before(m.at) && r.At.Before(m.end) {
				n++
			}
		}
		count := strconv.Itoa(n)
		if len(w.Runs) < w.RunCount { // the shortest are not listed
			count = "≥ " + count
		}
		s.Table.Rows = append(s.Table.Rows, []string{m.long, count})
	}
	found, more := p.findings(to, t, w)
	s.Rows, s.More = append(s.Rows, found...), more
	s.Name = runs + "; " + charging
	return s
}

func text(s string) template.HTML { return template.HTML(template.HTMLEscapeString(s)) }

func stripSVG(name string, draw func(*svgBuilder)) template.HTML {
	d := &svgBuilder{}
	d.put(`<svg class="bar" viewBox="0 0 %d 10" preserveAspectRatio="none" role="img" aria-label="%s">`, plotWidth,
		template.HTMLEscapeString(name))
	draw(d)
	d.put("</svg>")
	return template.HTML(d.String())
}

// runStrokes draws a stroke for each run, the longer the run the higher.
func (t *timeline) runStrokes(name string) template.HTML {
	const whole = 15 // seconds, from which a stroke has its whole height
	return stripSVG(name, func(d *svgBuilder) {
		var path []byte
		for _, r := range t.runs {
			if t.bin(r.At) < 0 {
				continue
			}
			high := 3.0
			if r.DurationS > 0 {
				high += 7 * min(r.DurationS/whole, 1)
			}
			path = append(path, 'M')
			path = point(path, t.place(r.At), 10)
			path = append(path, 'v')
			path = strconv.AppendFloat(path, -high, 'f', 1, 64)
		}
		d.put(`<path class="run" d="%s"/>`, path)
	})
}

// span0 is a stretch of time in places.
type span0 struct{ from, end float64 }

// charging returns the bins in which current flowed into the bank.
func (t *timeline) charging(w *history.Window) (bars []span0) {
	on := make([]bool, t.bins)
	for _, s := range w.Series {
		if s.Figure != "current_a" || s.Battery != "" {
			continue
		}
		for i := range min(t.known, len(s.Mean)) {
			v := finite(s.Max, i)
			on[i] = v != nil && *v >= chargingA
		}
	}
	at := func(i int) float64 { return plotWidth * float64(i) / float64(t.bins) }
	for i := 0; i < t.bins; i++ {
		from := i
		for i < t.bins && on[i] {
			i++
		}
		if i > from {
			bars = append(bars, span0{at(from), min(at(i), t.place(t.now))})
		}
	}
	return bars
}

// leastBar is how wide a bar is at least, so that what was short is seen.
const leastBar = 4

func barPath(bars []span0) (path []byte) {
	for _, b := range bars {
		path = append(path, 'M')
		path = point(path, b.from, 5)
		path = append(path, 'H')
		path = strconv.AppendFloat(path, max(b.end, b.from+leastBar), 'f', 1, 64)
	}
	return path
}

// findings returns a row for each finding, those that hold first: a bar while it held, hatched where that is over.
func (p Past) findings(to *words.Reader, t *timeline, w *history.Window) (rows []StripRow, more int) {
	type entry struct {
		history.Span
		number      int
		holds, over []span0
		last        time.Time
	}
	var all []*entry
	of := map[[2]string]*entry{}
	for _, f := range w.Findings {
		key := [2]string{f.Name, f.Subject}
		e := of[key]
		if e == nil {
			e = &entry{Span: f}
			if p.Number != nil {
				e.number = p.Number(f.Name, f.Subject)
			}
			of[key], all = e, append(all, e)
		}
		from, end := max(t.place(f.From), 0), t.place(t.now)
		e.last = t.now
		if f.To == nil {
			e.To = nil
			e.holds = append(e.holds, span0{from, end})
			continue
		}
		if end = min(t.place(*f.To), end); e.holds == nil {
			e.last = *f.To
		}
		e.over = append(e.over, span0{from, end})
	}
	slices.SortStableFunc(all, func(a, b *entry) int {
		return cmp.Or(-cmp.Compare(len(a.holds), len(b.holds)), cmp.Compare(a.number, b.number), b.last.Compare(a.last))
	})
	if len(all) > mostRows {
		all, more = all[:mostRows], len(all)-mostRows
	}
	for _, e := range all {
		row := StripRow{Number: e.number, Kind: e.Severity, Over: len(e.holds) == 0, Path: template.URL("/findings/" + url.PathEscape(e.Name))}
		row.Label = TitleOf(to, e.Name, e.Subject)
		said := to.W["Stands"]
		if row.Over {
			said = to.W["WasActive"]
		}
		row.SVG = stripSVG(said, func(d *svgBuilder) {
			if len(e.over) > 0 {
				d.put(`<path class="over" d="%s"/>`, barPath(e.over))
			}
			if len(e.holds) > 0 {
				d.put(`<path class="holds" d="%s"/>`, barPath(e.holds))
			}
		})
		rows = append(rows, row)
	}
	return rows, more
}

// TitleOf returns the headline of a finding that the past has; of one that there is no more, its name.
func TitleOf(to *words.Reader, name, subject string) template.HTML {
	title := name
	if d := detect.Lookup(name); d != nil {
		title = d.TitleOf(subject)
	}
	return to.Said(name, subject, "title", title)
}
