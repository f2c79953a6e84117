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

// A plot is this wide and high in units of its picture, which is stretched to the room there is; its strokes and
// all text, which stands beside it, keep their size.
const (
	plotWidth, plotHeight = 1000, 100
	mostLines             = 8 // in one chart
)

// lineClasses distinguish lines by their dashes alone: a solid, b dashed, c dotted, d dash-dot.
const lineClasses = 4

// Chart is one chart with the same as a table.
type Chart struct {
	Kind, Title, Unit string
	Name              string        // what it shows, for those who don't see it
	SVG               template.HTML // the plot
	Values            []string      // along its right side, evenly spaced from top to bottom
	Axis              template.HTML // names of times below it; empty where other charts stand on the same ones
	Lines             []lineView
	Table             Table
}

// lineView is one line, and what can be said of it in words.
type lineView struct {
	Name, Last, Min, Mean, Max string
	Doubt                      string // of the last: "± 2"; empty: not said
	Class                      string // "curve c1", "needle low"
}

// Table is a chart in figures: a row a stretch of time.
type Table struct {
	Head []string
	Rows [][]string
}

// Past says how a span of the past is drawn. Its zero value is in UTC, with the data up to the end of the span.
type Past struct {
	Zone   *time.Location
	Now    time.Time                             // data stops here
	Number func(finding, subject string) int     // of a finding on the other pages; 0 if it has none
	Path   func(from, to time.Time) template.URL // the page of a shorter span; nil: none
	Doubt  func(figure, battery string) string   // of what a line shows last; nil: none is said
	Wired  Wired
}

// quantity is what is drawn in a chart of its own, with the end of the figures' names that belong to it.
type quantity struct {
	Suffix, Word, Unit string
	Decimals           int      // that its figures deserve
	Least              float64  // span of its scale, so that noise isn't blown up
	Zero               bool     // zero is on the scale
	Most               float64  // the scale ends here; 0: nowhere
	Inflow             bool     // only what flows in
	Limit              *float64 // drawn as a line, on the scale; nil: none
}

var quantities = []quantity{
	{Suffix: "voltage_v", Word: "Voltage", Unit: "V", Decimals: 2, Least: 1},
	{Suffix: "current_a", Word: "Current", Unit: "A", Decimals: 1, Least: 10, Zero: true},
	{Suffix: "soc_pct", Word: "Charge", Unit: "%", Least: 10, Most: 100},
	{Suffix: "temperature_c", Word: "Temperature", Unit: "°C", Least: 10},
}

// chargingKind is the chart of what flows in, which the one of currents is too coarse for.
const chargingKind = "charging_a"

// apartV is how far the batteries' voltages are from each other where they are worth a chart of their own: in
// parallel they are not, unless a link or a tap is bad.
const apartV = 0.15

// Charts returns the charts of voltage, current, charge and temperature for which a window has lines, each with its
// own axis of time, in UTC.
func Charts(to *words.Reader, w *history.Window) []Chart {
	p := Past{}
	all := slices.DeleteFunc(p.Charts(to, w), func(c Chart) bool { return c.Kind == chargingKind })
	axis := p.Axis(to, w)
	for i := range all {
		all[i].Axis = axis
	}
	return all
}

// Charts returns the charts for which a window has lines. They stand on one axis of time, which Axis names.
func (p Past) Charts(to *words.Reader, w *history.Window) []Chart {
	t := p.timeline(to, w)
	var out []Chart
	for _, q := range quantities {
		var own, batteries []*history.Series
		for i := range w.Series {
			switch s := &w.Series[i]; {
			case s.Figure == q.Suffix && s.Battery != "":
				batteries = append(batteries, s)
			case s.Figure == q.Suffix:
				own = append(own, s)
			}
		}
		title := to.W[q.Word]
		if q.Suffix == "current_a" {
			batteries = p.Wired.one(batteries)
		}
		switch {
		case q.Suffix != "voltage_v" && len(batteries) > 0: // the bank's are their sum or mean
			own = batteries
		case q.Suffix == "voltage_v" && len(own) > 0 && len(batteries) > 0 && (len(p.Wired) > 0 || apart(batteries)):
			out = append(out, t.chart(to, own, own, q, title, ""))
			own, title = batteries, to.W["BatteryVoltages"]
			q.Suffix = "battery_" + q.Suffix
		case len(own) == 0:
			own = batteries
		}
		if len(own) == 0 {
			continue
		}
		own = own[:min(len(own), mostLines)]
		shown := own
		if q.Suffix == "soc_pct" {
			shown = doubtful(own, w)
		}
		c := t.chart(to, own, shown, q, title, "")
		if p.Doubt != nil {
			for i, l := range own {
				c.Lines[i].Doubt = p.Doubt(l.Figure, l.Battery)
			}
		}
		out = append(out, c)
		if q.Suffix == "current_a" {
			if in := inflows(own); in != nil {
				q := q
				q.Suffix, q.Least, q.Inflow = chargingKind, 1, true
				out = append(out, t.chart(to, in, in, q, to.W["ChargingCurrent"], ""))
			}
		}
	}
	return out
}

// inflows returns what flows in, which a run's current would flatten; nil where nothing does.
func inflows(lines []*history.Series) (in []*history.Series) {
	any := false
	for _, l := range lines {
		s := &history.Series{Figure: l.Figure, Battery: l.Battery, Mean: make([]*float64, len(l.Mean))}
		for i := range l.Mean {
			v := finite(l.Max, i) // a bin of an hour has more than the charging in it
			if v == nil {
				v = finite(l.Mean, i)
			}
			if v != nil {
				flow := max(*v, 0)
				s.Mean[i] = &flow
				any = any || flow >= chargingA/2 // of two batteries or more
			}
		}
		in = append(in, s)
	}
	if !any {
		return nil
	}
	return in
}

// doubtful returns lines of charge with one standard deviation at both sides, where that was kept, in place of the least
// and the most.
func doubtful(lines []*history.Series, w *history.Window) []*history.Series {
	out := make([]*history.Series, len(lines))
	for k, l := range lines {
		out[k] = l
		for i := range w.Series {
			s := &w.Series[i]
			if s.Figure != "soc_sigma_pct" || s.Battery != l.Battery {
				continue
			}
			d := &history.Series{
				Figure: l.Figure, Battery: l.Battery, Mean: l.Mean,
				Min: make([]*float64, len(l.Mean)), Max: make([]*float64, len(l.Mean)),
			}
			for i := range l.Mean {
				v, sigma := finite(l.Mean, i), finite(s.Mean, i)
				if v != nil && sigma != nil {
					low, high := max(*v-*sigma, 0), min(*v+*sigma, 100)
					d.Min[i], d.Max[i] = &low, &high
				}
			}
			out[k] = d
		}
	}
	return out
}

// apart reports whether the lines differ by more than can be seen in the bank's.
func apart(lines []*history.Series) bool {
	for _, l := range lines {
		for i, v := range l.Mean {
			if first := lines[0].Mean; v != nil && i < len(first) && first[i] != nil && math.Abs(*v-*first[i]) > apartV {
				return true
			}
		}
	}
	return false
}

// FirstSecond returns the charts of a motor run's first second. The batteries of a string have a chart of
// their own, beside what is at the bank's voltage.
func FirstSecond(to *words.Reader, tr *history.Trace, wired Wired) []Chart {
	if len(tr.TimesS) < 2 {
		return nil
	}
	t := secondsLine(tr.TimesS)
	var out []Chart
	for _, q := range quantities {
		var lines []*history.Series
		for _, s := range tr.Series {
			if strings.HasSuffix(s.Figure, q.Suffix) && len(lines) < mostLines {
				lines = append(lines, &history.Series{Figure: s.Figure, Battery: s.Battery, Mean: s.Values})
			}
		}
		put := func(lines []*history.Series, q quantity, title string) {
			if len(lines) > 0 {
				c := t.chart(to, lines, lines, q, title, to.W["FirstSecond"])
				c.Axis = t.axis()
				out = append(out, c)
			}
		}
		switch {
		case q.Suffix == "current_a":
			lines = wired.one(lines)
		case q.Suffix == "voltage_v" && len(wired) > 0:
			blocks, whole := wired.apart(lines)
			put(whole, q, to.W[q.Word])
			q.Suffix = "battery_" + q.Suffix
			put(blocks, q, to.W["BatteryVoltages"])
			continue
		}
		put(lines, q, to.W[q.Word])
	}
	return out
}

// chart draws the lines of one quantity; between the least and the most of each bin is a band. shown are the lines
// with what their band is to be.
func (t *timeline) chart(to *words.Reader, lines, shown []*history.Series, q quantity, title, of string) Chart {
	convert, unit := func(v float64) float64 { return v }, q.Unit
	if unit == "°C" && to.Fahrenheit {
		convert, unit = words.ToFahrenheit, "°F"
	}
	c := Chart{Kind: q.Suffix, Title: strings.TrimSuffix(title, ", "+q.Unit) + ", " + unit, Unit: unit}
	for i, l := range lines {
		c.Lines = append(c.Lines, lineOf(to, l, i, convert, q.Decimals))
	}
	d := &svgBuilder{}
	sc, ok := scaleOf(shown, q, convert)
	c.Name = nameOf(to, &c, of)
	var also []lineView
	if q.Limit != nil {
		also = append(also, lineView{
			Name: to.W["LimitWord"] + " " + withMinus(convert(*q.Limit), q.Decimals) + "\u00a0" + unit, Class: "limit",
		})
	}
	for _, m := range t.named {
		also = append(also, lineView{Name: m.name, Class: "raised"})
	}
	for _, l := range also {
		c.Name += "; " + l.Name
	}
	d.put(`<svg class="lines" viewBox="0 0 %d %d" preserveAspectRatio="none" role="img" aria-label="%s">`, plotWidth, plotHeight,
		template.HTMLEscapeString(c.Name))
	t.rules(d)
	if ok {
		c.Values = sc.rule(d)
		if q.Limit != nil {
			d.put(`<path class="limit" d="M0 %.1fH%d"/>`, sc.y(convert(*q.Limit)), plotWidth)
		}
		for _, m := range t.named {
			d.put(`<path class="raised" d="M%.1f 0V%d"/>`, m.x, plotHeight)
		}
		bank := len(lines) == 1 && lines[0].Battery == ""
		needles := len(t.runs) > 0 && !q.Inflow && (q.Zero || bank)
		for i, l := range shown {
			if !needles {
				d.band(t.x, l, sc, convert, i)
			}
		}
		if needles {
			for i, l := range lines {
				class := "n" + strconv.Itoa(i%lineClasses)
				if bank {
					class = "low"
				}
				d.needles(t, l, sc, convert, i, class)
			}
		}
		for i, l := range lines {
			d.curve(t.x, l, sc, convert, i)
		}
		if needles && bank {
			c.Lines = append(c.Lines, lineView{Name: to.W["LowestInRuns"], Class: "needle low"})
		}
	}
	d.put("</svg>")
	c.SVG = template.HTML(d.String())
	c.Table = t.table(to, lines, c.Lines, convert, q.Decimals)
	c.Lines = append(c.Lines, also...)
	return c
}

// nameOf says what a chart shows: of each line where it is and between what it was.
func nameOf(to *words.Reader, c *Chart, of string) string {
	name := c.Title
	if of != "" {
		name = of + ": " + name
	}
	for _, l := range c.Lines {
		if l.Last == figures.Unknown {
			name += "; " + l.Name + ": " + to.W["NothingKept"]
			continue
		}
		name += "; " + l.Name + " " + words.Fill(to.W["ChartLine"], "last", l.Last, "low", l.Min, "high", l.Max)
	}
	return name
}

func lineOf(to *words.Reader, l *history.Series, class int, convert func(float64) float64, decimals int) lineView {
	v := lineView{
		Name: seriesName(to, l), Class: "curve " + lineClass(class), Min: figures.Unknown, Mean: figures.Unknown, Max: figures.Unknown,
		Last: figures.Unknown,
	}
	low, high, mean, last := extent(l, 0, len(l.Mean))
	if !math.IsNaN(mean) {
		f := func(x float64) string { return withMinus(convert(x), decimals) }
		v.Min, v.Mean, v.Max, v.Last = f(low), f(mean), f(high), f(last)
	}
	return v
}

// extent returns what a line does within some bins; the mean is NaN if it has nothing there.
func extent(l *history.Series, from, end int) (low, high, mean, last float64) {
	low, high, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0
	for i := from; i < min(end, len(l.Mean)); i++ {
		m := finite(l.Mean, i)
		if m == nil {
			continue
		}
		sum, last, n = sum+*m, *m, n+1
		low, high = min(low, *m), max(high, *m)
		if v := finite(l.Min, i); v != nil {
			low = min(low, *v)
		}
		if v := finite(l.Max, i); v != nil {
			high = max(high, *v)
		}
	}
	return low, high, sum / float64(n), last
}

// finite returns a value that can be drawn, nil where there is none.
func finite(of []*float64, i int) *float64 {
	if i >= len(of) || of[i] == nil || math.IsNaN(*of[i]) || math.IsInf(*of[i], 0) {
		return nil
	}
	return of[i]
}

func lineClass(i int) string { return "c" + strconv.Itoa(i%lineClasses) }

// seriesName returns a line's name: the battery's letter, or what else is measured.
func seriesName(to *words.Reader, l *history.Series) string {
	if l.Battery != "" {
		return l.Battery
	}
	return to.Label("Series", l.Figure)
}

// curve draws the means. A gap is a gap; what stands alone between two is a dot.
func (d *svgBuilder) curve(x []float64, l *history.Series, sc scale, convert func(float64) float64, class int) {
	var path []byte
	pen, alone := byte('M'), false
	end := func() {
		if alone {
			path = append(path, "h0"...)
		}
		pen, alone = 'M', false
	}
	for i := range x {
		v := finite(l.Mean, i)
		if v == nil {
			end()
			continue
		}
		path = append(path, pen)
		path = point(path, x[i], sc.y(convert(*v)))
		alone = pen == 'M'
		pen = 'L'
	}
	end()
	d.put(`<path class="curve %s" d="%s"/>`, lineClass(class), path)
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
	shut := func(end int) {
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
		has := finite(l.Min, i) != nil && finite(l.Max, i) != nil
		switch {
		case has && begin < 0:
			begin = i
		case !has:
			shut(i)
		}
	}
	shut(len(x))
	if len(path) > 0 {
		d.put(`<path class="band %s" d="%s"/>`, lineClass(class), path)
	}
}

// needles hang from a line, at each run, to the lowest of its bin. Those of further batteries stand a little beside
// the run, so that they can be told apart.
func (d *svgBuilder) needles(t *timeline, l *history.Series, sc scale, convert func(float64) float64, place int, class string) {
	const beside = 3
	var path []byte
	last := -1
	for _, r := range t.runs {
		i := t.bin(r.At)
		if i < 0 || i == last {
			continue
		}
		last = i
		mean, low := finite(l.Mean, i), finite(l.Min, i)
		if mean == nil || low == nil {
			continue
		}
		path = append(path, 'M')
		path = point(path, t.place(r.At)+beside*float64(place), sc.y(convert(*mean)))
		path = append(path, 'V')
		path = strconv.AppendFloat(path, sc.y(convert(*low)), 'f', 1, 64)
	}
	if len(path) > 0 {
		d.put(`<path class="needle %s" d="%s"/>`, class, path)
	}
}
