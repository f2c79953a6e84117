package draw

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
)

// chartKinds are the charts, each with the end of the figures' names that belong to it.
var chartKinds = []struct{ Suffix, Word, Unit string }{
	{"voltage_v", "Voltage", "V"}, {"current_a", "Current", "A"}, {"soc_pct", "Charge", "%"},
	{"temperature_c", "Temperature", "°C"},
}

// The picture's own measures. It is shown from 340 to 960 pixels wide; the style sheet makes its
// letters larger where it is small.
const (
	chartWidth, chartHeight = 720, 220
	chartLeft, chartRight   = 78, 8
	chartTop, chartBottom   = 12, 34
	mostLines               = 8 // in one chart
)

// lineClasses distinguish lines by their dashes, not by color alone.
const lineClasses = 4

// Chart is one chart with the same in words.
type Chart struct {
	Kind, Title, Unit string
	SVG               template.HTML
	Lines             []lineView
}

// lineView is one line with what a table says of it.
type lineView struct {
	Name, Min, Mean, Max string
	Class                int
}

// scale turns values into places.
type scale struct{ low, high float64 }

func (s scale) y(v float64) float64 {
	return chartTop + (chartHeight-chartTop-chartBottom)*(s.high-v)/(s.high-s.low)
}

// timeline is the horizontal axis of charts: where the times are that the series have, and what
// draws the axis itself.
type timeline struct {
	x    []float64
	draw func(*svgBuilder)
}

// Charts returns the charts for which a window has lines.
func Charts(to *words.Reader, w *history.Window) []Chart {
	line := timeline{draw: func(d *svgBuilder) { d.timeAxis(w.From, w.To, chartTop, chartHeight-chartBottom, true) }}
	for _, t := range w.TimesS {
		line.x = append(line.x, place(w, t))
	}
	return charts(to, w.Series, line)
}

// FirstSecond returns the charts of a motor run's first second.
func FirstSecond(to *words.Reader, tr *history.Trace) []Chart {
	if len(tr.TimesS) < 2 {
		return nil
	}
	from, end := tr.TimesS[0], tr.TimesS[len(tr.TimesS)-1]
	at := func(s float64) float64 {
		return chartLeft + (chartWidth-chartLeft-chartRight)*(s-from)/max(end-from, 1e-3)
	}
	line := timeline{draw: func(d *svgBuilder) { d.secondsAxis(from, end, at) }}
	for _, s := range tr.TimesS {
		line.x = append(line.x, at(s))
	}
	var series []history.Series
	for _, s := range tr.Series {
		series = append(series, history.Series{Figure: s.Figure, Battery: s.Battery, Mean: s.Values})
	}
	return charts(to, series, line)
}

func charts(to *words.Reader, series []history.Series, line timeline) []Chart {
	var out []Chart
	for _, k := range chartKinds {
		var lines []*history.Series
		for i := range series {
			if strings.HasSuffix(series[i].Figure, k.Suffix) && len(lines) < mostLines {
				lines = append(lines, &series[i])
			}
		}
		if len(lines) == 0 {
			continue
		}
		convert, unit := func(v float64) float64 { return v }, k.Unit
		if unit == "°C" && to.Fahrenheit {
			convert, unit = words.ToFahrenheit, "°F"
		}
		title := strings.TrimSuffix(to.W[k.Word], ", "+k.Unit) + ", " + unit
		v := Chart{Kind: k.Suffix, Title: title, Unit: unit}
		for i, l := range lines {
			v.Lines = append(v.Lines, lineOf(to, l, i%lineClasses, convert))
		}
		v.SVG = chart(to, line, lines, title, convert)
		out = append(out, v)
	}
	return out
}

func lineOf(to *words.Reader, l *history.Series, class int, convert func(float64) float64) lineView {
	v := lineView{Name: seriesName(to, l), Class: class, Min: figures.Unknown, Mean: figures.Unknown, Max: figures.Unknown}
	low, high, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0
	for i, m := range l.Mean {
		if m == nil {
			continue
		}
		sum, n = sum+*m, n+1
		low, high = min(low, *m), max(high, *m)
		if i < len(l.Min) && l.Min[i] != nil {
			low = min(low, *l.Min[i])
		}
		if i < len(l.Max) && l.Max[i] != nil {
			high = max(high, *l.Max[i])
		}
	}
	if n > 0 {
		f := func(x float64) string { return withMinus(convert(x), 2) }
		v.Min, v.Mean, v.Max = f(low), f(sum/float64(n)), f(high)
	}
	return v
}

// seriesName returns a line's name: the battery, or what else is measured.
func seriesName(to *words.Reader, l *history.Series) string {
	if l.Battery != "" {
		return to.W["Battery"] + " " + l.Battery
	}
	return to.Label("Series", l.Figure)
}

// chart draws lines over time; between the least and the most of each bin is a band.
func chart(
	to *words.Reader, line timeline, lines []*history.Series, title string, convert func(float64) float64,
) template.HTML {
	sc, ok := scaleOf(lines, convert)
	d := &svgBuilder{}
	d.put(
		`<svg class="chart" viewBox="0 0 %d %d" role="img" aria-label="%s">`, chartWidth, chartHeight,
		template.HTMLEscapeString(title),
	)
	line.draw(d)
	if ok {
		d.valueAxis(sc)
		for i, l := range lines {
			d.band(line.x, l, sc, convert, i%lineClasses)
		}
		for i, l := range lines {
			d.curve(line.x, l, sc, convert, i%lineClasses)
		}
	} else {
		d.text("middle", chartWidth/2, chartHeight/2, to.W["NothingKept"])
	}
	d.put("</svg>")
	return template.HTML(d.String())
}

func scaleOf(lines []*history.Series, convert func(float64) float64) (scale, bool) {
	s := scale{math.Inf(1), math.Inf(-1)}
	for _, l := range lines {
		for _, of := range [][]*float64{l.Min, l.Mean, l.Max} {
			for _, v := range of {
				if v != nil && !math.IsInf(*v, 0) && !math.IsNaN(*v) {
					s.low, s.high = min(s.low, convert(*v)), max(s.high, convert(*v))
				}
			}
		}
	}
	if s.low > s.high {
		return s, false
	}
	if pad := (s.high - s.low) * 0.06; pad > 0.01 {
		s.low, s.high = s.low-pad, s.high+pad
	} else {
		s.low, s.high = s.low-0.1, s.high+0.1
	}
	return s, true
}

// place returns a time's horizontal position.
func place(w *history.Window, t int64) float64 {
	span := w.To.Sub(w.From).Seconds()
	if span <= 0 {
		return chartLeft
	}
	return chartLeft + (chartWidth-chartLeft-chartRight)*(float64(t)-float64(w.From.Unix()))/span
}

func (d *svgBuilder) curve(x []float64, l *history.Series, sc scale, convert func(float64) float64, class int) {
	var path []byte
	pen := byte('M')
	for i := range x {
		if i >= len(l.Mean) || l.Mean[i] == nil {
			pen = 'M'
			continue
		}
		path = append(path, pen)
		path = point(path, x[i], sc.y(convert(*l.Mean[i])))
		pen = 'L'
	}
	d.put(`<path class="curve c%d" d="%s"/>`, class, path)
}

func point(path []byte, x, y float64) []byte {
	path = strconv.AppendFloat(path, x, 'f', 1, 64)
	path = append(path, ' ')
	return strconv.AppendFloat(path, y, 'f', 1, 64)
}

// band draws where the least and the most of the bins are apart.
func (d *svgBuilder) band(x []float64, l *history.Series, sc scale, convert func(float64) float64, class int) {
	var path []byte
	begin := -1
	close := func(end int) {
		if begin >= 0 && end > begin+1 {
			pen := byte('M')
			for i := begin; i < end; i++ {
				path = append(path, pen)
				path = point(path, x[i], sc.y(convert(*l.Max[i])))
				pen = 'L'
			}
			for i := end - 1; i >= begin; i-- {
				path = append(path, 'L')
				path = point(path, x[i], sc.y(convert(*l.Min[i])))
			}
			path = append(path, 'Z')
		}
		begin = -1
	}
	for i := range x {
		has := i < len(l.Min) && i < len(l.Max) && l.Min[i] != nil && l.Max[i] != nil
		switch {
		case has && begin < 0:
			begin = i
		case !has:
			close(i)
		}
	}
	close(min(len(x), len(l.Max)))
	if len(path) > 0 {
		d.put(`<path class="band c%d" d="%s"/>`, class, path)
	}
}

func (d *svgBuilder) valueAxis(s scale) {
	step := niceStep((s.high - s.low) / 4)
	decimals := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	for v := math.Ceil(s.low/step) * step; v <= s.high; v += step {
		d.line("grid", chartLeft, s.y(v), chartWidth-chartRight, s.y(v))
		d.text("tick end", chartLeft-5, s.y(v)+7, withMinus(v, decimals))
	}
}

func withMinus(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-") // rounded to nothing
	}
	return strings.Replace(text, "-", "−", 1)
}

// secondsAxis marks seconds after a start; at returns where one is.
func (d *svgBuilder) secondsAxis(from, to float64, at func(float64) float64) {
	const bottom = chartHeight - chartBottom
	step := niceStep((to - from) / mostMarks)
	decimals := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	for i := math.Ceil(from / step); i*step <= to; i++ {
		x := at(i * step)
		d.line("grid", x, chartTop, x, bottom)
		d.text("tick middle", x, bottom+24, withMinus(i*step+0, decimals)) // +0: no minus before zero
	}
	d.frame(chartTop, bottom)
}

// niceStep returns 1, 2 or 5 times a power of ten, at least x.
func niceStep(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= x {
			return m * p
		}
	}
	return 10 * p
}

// timeSteps are the distances of marks on the time axis, with how they are written.
var timeSteps = []struct {
	step   time.Duration
	layout string
}{
	{time.Minute, "15:04"}, {2 * time.Minute, "15:04"}, {10 * time.Minute, "15:04"}, {30 * time.Minute, "15:04"},
	{time.Hour, "15:04"}, {3 * time.Hour, "15:04"},
	{6 * time.Hour, "02 15:04"}, {24 * time.Hour, "01-02"}, {2 * 24 * time.Hour, "01-02"},
	{7 * 24 * time.Hour, "01-02"}, {30 * 24 * time.Hour, "06-01-02"}, {61 * 24 * time.Hour, "06-01-02"},
}

// mostMarks is small, so that their names keep apart on a phone, where letters are twice as large
// beside the lines.
const mostMarks = 6

func (d *svgBuilder) timeAxis(from, to time.Time, top, bottom float64, named bool) {
	span := to.Sub(from)
	if span <= 0 {
		return
	}
	s := timeSteps[len(timeSteps)-1]
	for _, c := range timeSteps {
		if span/c.step <= mostMarks {
			s = c
			break
		}
	}
	w := &history.Window{From: from, To: to}
	for t := from.UTC().Truncate(s.step).Add(s.step); t.Before(to); t = t.Add(s.step) {
		x := place(w, t.Unix())
		d.line("grid", x, top, x, bottom)
		if named {
			d.text("tick middle", x, bottom+24, t.Format(s.layout))
		}
	}
	d.frame(top, bottom)
}

// frame draws the border of a chart.
func (d *svgBuilder) frame(top, bottom float64) {
	d.put(
		`<rect class="frame" x="%d" y="%g" width="%d" height="%g"/>`, chartLeft, top, chartWidth-chartLeft-chartRight,
		bottom-top,
	)
}

// Events draws runs as strokes and findings as bars, each finding in a row of its own.
func Events(to *words.Reader, w *history.Window) template.HTML {
	rows := map[string]int{}
	var names []string
	for _, f := range w.Findings {
		key := strings.TrimSpace(f.Name + " " + f.Subject)
		if _, have := rows[key]; !have && len(names) < 20 {
			rows[key] = len(names)
			names = append(names, key)
		}
	}
	const rowHeight, runTop, runBottom = 42, 30, 56
	height := runBottom + 14 + rowHeight*len(names)
	d := &svgBuilder{}
	d.put(
		`<svg class="chart" viewBox="0 0 %d %d" role="img" aria-label="%s">`, chartWidth, height,
		template.HTMLEscapeString(to.W["EventsTitle"]),
	)
	d.timeAxis(w.From, w.To, runTop, float64(height-4), false)
	d.text("tick", chartLeft, 22, fmt.Sprintf("%s: %d", to.W["Runs"], w.RunCount))
	var path []byte
	for _, r := range w.Runs {
		x := place(w, r.At.Unix())
		path = fmt.Appendf(path, "M%.1f %dV%d", x, runTop+2, runBottom-2)
	}
	d.put(`<path class="strokes" d="%s"/>`, path)
	for _, f := range w.Findings {
		i, have := rows[strings.TrimSpace(f.Name+" "+f.Subject)]
		if !have {
			continue
		}
		from, end := max(place(w, f.From.Unix()), chartLeft), float64(chartWidth-chartRight)
		if f.To != nil {
			end = min(place(w, f.To.Unix()), end)
		}
		class := "note"
		if f.Severity == "urgent" || f.Severity == "repair" {
			class = f.Severity
		}
		y := float64(runBottom + 4 + rowHeight*i)
		d.put(`<rect class="span %s" x="%.1f" y="%g" width="%.1f" height="9"/>`, class, from, y+28, max(end-from, 2))
	}
	for i, name := range names {
		d.text("tick", chartLeft+4, float64(runBottom+26+rowHeight*i), name)
	}
	d.put("</svg>")
	return template.HTML(d.String())
}
