package desk

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/page/figures"
	"liftbank/agent/snapshot"
	"liftbank/rules/loadtest"
)

// Charts of a unit's past share one axis of time. A chart is a picture that is stretched to the width
// there is, in one that is not, so that letters and strokes keep their size: its places are per mille of
// the width across, pixels down.
const (
	chartHeight = 150
	chartTop    = 6 // room for half a letter beside the highest line
	chartFoot   = 22
	laneHeight  = 31
	laneText    = 13 // foot of its letters
	laneBar     = 18
	barHeight   = 9
	lineKinds   = 4 // of dashes
	dotWidth    = 4 // of a figure alone
	tableRows   = 31
)

// axis is the time that charts share.
type axis struct {
	from, to time.Time
	ticks    []tick
}

type tick struct {
	at   time.Time
	text string // empty: a line alone
}

// axisOf makes the axis of a span. Days and months are named by the reader's words.
func (v *view) axisOf(from, to time.Time) axis {
	a := axis{from: from, to: to}
	months := strings.Fields(v.T("Months"))
	month := func(t time.Time) string {
		if len(months) != 12 {
			return t.Format("01")
		}
		return months[t.Month()-1]
	}
	day := func(t time.Time) string { return strconv.Itoa(t.Day()) + "\u00a0" + month(t) }
	span := to.Sub(from)
	switch {
	case span <= 8*dayLong:
		for t := from.Truncate(dayLong).Add(dayLong); t.Before(to); t = t.Add(dayLong) {
			a.mark(t, day(t), 2)
		}
	case span <= 31*dayLong:
		for t := from.Truncate(dayLong).Add(dayLong); t.Before(to); t = t.Add(7 * dayLong) {
			a.mark(t, day(t), 1)
		}
	default:
		every := 1
		if span > 200*dayLong {
			every = 2
		}
		for t := time.Date(from.Year(), from.Month()+1, 1, 0, 0, 0, 0, time.UTC); t.Before(to); t = t.AddDate(0, 1, 0) {
			text := month(t)
			if t.Month() == time.January {
				text = strconv.Itoa(t.Year())
			}
			a.mark(t, text, every)
		}
	}
	return a
}

// mark adds a line, and its name at each so many. Near the end there is no room for one.
func (a *axis) mark(t time.Time, text string, every int) {
	if len(a.ticks)%every != 0 || a.x(t) > 900 {
		text = ""
	}
	a.ticks = append(a.ticks, tick{t, text})
}

// x is where a time is, in per mille of the width.
func (a *axis) x(t time.Time) float64 {
	return min(max(1000*t.Sub(a.from).Seconds()/a.to.Sub(a.from).Seconds(), 0), 1000)
}

// chart is one chart with the same as a table.
type chart struct {
	Name, Title string
	Lines       []chartLine
	Limits      string // in words; empty: there is none
	Plot, Scale template.HTML
	Heads       []string
	Rows        [][]string
}

// chartLine is one line of a chart as its key names it.
type chartLine struct {
	Name, Value, Sigma string
	Kind               int
}

// Sample is a piece of the line.
func (l chartLine) Sample() template.HTML {
	return template.HTML(fmt.Sprintf(`<svg class="smp" width="28" height="8" aria-hidden="true"><path class="l%d" d="M0 4H28"/></svg>`, l.Kind))
}

// curve is what a chart draws as one line.
type curve struct {
	name   string
	kind   int
	points []point
	last   snapshot.Estimate // that is known
	least  int               // decimals
}

type point struct {
	at       time.Time
	v, sigma float64
	apart    bool // from the one before: nothing is known between them, or the battery is another one
}

// add adds a point; a point that is far from the one before is apart.
func (c *curve) add(at time.Time, e snapshot.Estimate, far time.Duration, apart bool) {
	if e.Value == nil || math.IsNaN(*e.Value) || math.IsInf(*e.Value, 0) {
		return
	}
	p := point{at: at, v: *e.Value}
	if e.Sigma != nil && *e.Sigma >= 0 && !math.IsInf(*e.Sigma, 0) {
		p.sigma = *e.Sigma
	}
	if n := len(c.points); n > 0 {
		p.apart = apart || at.Sub(c.points[n-1].at) > far
	}
	c.points, c.last = append(c.points, p), e
}

// sigmas of the band around a line: twice the standard uncertainty.
const bandSigmas = 2

// chartOf draws curves over an axis, with their limits. Of a single point there is no course to draw.
func (v *view) chartOf(name, title string, a axis, curves []curve, limits []float64) *chart {
	low, high := math.Inf(1), math.Inf(-1)
	if !slices.ContainsFunc(curves, func(c curve) bool { return len(c.points) > 1 }) {
		return nil
	}
	for i := range curves {
		for _, p := range curves[i].points {
			low, high = min(low, p.v-bandSigmas*p.sigma), max(high, p.v+bandSigmas*p.sigma)
		}
	}
	if name == "charge" {
		low, high = max(low, 0), min(high, 100)
	}
	for _, l := range limits {
		low, high = min(low, l), max(high, l)
	}
	s := scaleOf(low, high)
	c := &chart{Name: name, Title: title}
	c.Heads = []string{v.T("DayWord")}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="plot" width="100%%" height="%d" role="img" aria-label="%s"><svg y="%d" width="100%%" height="%d" viewBox="0 0 1000 %d" preserveAspectRatio="none">`,
		chartTop+chartHeight+chartFoot, template.HTMLEscapeString(v.chartWords(c.Title, curves)), chartTop, chartHeight, chartHeight)
	a.lines(&b, chartHeight)
	for y := s.low; y <= s.high+s.step/2; y += s.step {
		fmt.Fprintf(&b, `<path class="grid" d="M0 %.1fH1000"/>`, s.y(y))
	}
	for i := range curves {
		curves[i].band(&b, a, s)
	}
	for _, l := range limits {
		fmt.Fprintf(&b, `<path class="lim" d="M0 %.1fH1000"/>`, s.y(l))
	}
	for i := range curves {
		curves[i].line(&b, a, s)
		shown := written(curves[i].last, curves[i].least)
		c.Lines = append(c.Lines, chartLine{curves[i].name, shown.Value, shown.Sigma, curves[i].kind})
		c.Heads = append(c.Heads, cmp.Or(curves[i].name, title))
	}
	b.WriteString(`</svg>`)
	a.names(&b, chartTop+chartHeight+15)
	b.WriteString(`</svg>`)
	c.Plot = template.HTML(b.String())
	c.Scale = s.names()
	if len(limits) > 0 {
		var words []string
		for _, l := range slices.Backward(limits) {
			words = append(words, figures.Number(math.Round(l), 0))
		}
		c.Limits = strings.Join(words, ", ")
	}
	c.Rows = v.tableOf(curves)
	return c
}

// written writes an estimate with as many decimals as its uncertainty has.
func written(e snapshot.Estimate, least int) figures.Estimated {
	shown := figures.Estimate(e, least)
	_, decimals, _ := strings.Cut(shown.Sigma, ".")
	if e.Value != nil && e.Sigma != nil && *e.Sigma > 0 {
		p := math.Pow(10, float64(len(decimals)))
		shown.Value = figures.Number(math.Round(*e.Value*p)/p, len(decimals))
	}
	return shown
}

// chartWords says a chart for those who can't see it.
func (v *view) chartWords(title string, curves []curve) string {
	var parts []string
	for i := range curves {
		c := &curves[i]
		if n := len(c.points); n > 0 {
			parts = append(parts, strings.TrimSpace(c.name+" ")+": "+v.T("FromToValue", "from", figures.Number(c.points[0].v, c.least), "to",
				figures.Number(c.points[n-1].v, c.least)))
		}
	}
	return title + ". " + strings.Join(parts, "; ")
}

// tableOf writes curves as a table: a row a day, or of many days each so many.
func (v *view) tableOf(curves []curve) (rows [][]string) {
	values := map[time.Time][]string{}
	var days []time.Time
	for i := range curves {
		for _, p := range curves[i].points {
			day := p.at.UTC().Truncate(dayLong)
			row := values[day]
			if row == nil {
				row = make([]string, len(curves))
				values[day] = row
				days = append(days, day)
			}
			e := snapshot.Estimate{Value: &p.v}
			if p.sigma > 0 {
				e.Sigma = &p.sigma
			}
			shown := written(e, curves[i].least)
			row[i] = strings.TrimSpace(shown.Value + " " + shown.Sigma)
		}
	}
	slices.SortFunc(days, func(a, b time.Time) int { return b.Compare(a) }) // the last first
	every := (len(days) + tableRows - 1) / tableRows
	for i := 0; i < len(days); i += every {
		row := []string{v.Day(days[i])}
		for _, cell := range values[days[i]] {
			if cell == "" {
				cell = figures.Unknown
			}
			row = append(row, cell)
		}
		rows = append(rows, row)
	}
	return rows
}

// scale turns values into places.
type scale struct{ low, high, step float64 }

// scaleOf returns a scale with three to five lines at round numbers.
func scaleOf(low, high float64) scale {
	if high-low < 1e-9 {
		low, high = low-0.5, high+0.5
	}
	step := math.Pow(10, math.Floor(math.Log10((high-low)/3)))
	for _, m := range []float64{1, 2, 2.5, 5, 10} {
		if (high-low)/(step*m) <= 4 {
			step *= m
			break
		}
	}
	return scale{math.Floor(low/step+1e-9) * step, math.Ceil(high/step-1e-9) * step, step}
}

func (s scale) y(v float64) float64 {
	return chartHeight * (s.high - min(max(v, s.low), s.high)) / (s.high - s.low)
}

// names writes the values at the lines of a scale.
func (s scale) names() template.HTML {
	decimals := 0
	for x := s.step; decimals < 4 && math.Abs(x-math.Round(x)) > 1e-6; x *= 10 {
		decimals++
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="scale" width="44" height="%d" aria-hidden="true">`, chartTop+chartHeight+chartFoot)
	for v := s.low; v <= s.high+s.step/2; v += s.step {
		fmt.Fprintf(&b, `<text x="6" y="%.1f">%s</text>`, chartTop+s.y(v)+4.5, strings.Replace(strconv.FormatFloat(v, 'f', decimals, 64), "-", "−", 1))
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

// lines rules the days or months through a picture.
func (a *axis) lines(b *strings.Builder, height int) {
	for _, t := range a.ticks {
		fmt.Fprintf(b, `<path class="grid" d="M%.1f 0V%d"/>`, a.x(t.at), height)
	}
}

// names writes their names.
func (a *axis) names(b *strings.Builder, y int) {
	for _, t := range a.ticks {
		if t.text != "" {
			fmt.Fprintf(b, `<text x="%.2f%%" y="%d">%s</text>`, a.x(t.at)/10, y, template.HTMLEscapeString(t.text))
		}
	}
}

func (c *curve) line(b *strings.Builder, a axis, s scale) {
	var path []byte
	for i, p := range c.points {
		pen := byte('L')
		alone := p.apart || i == 0
		if alone {
			pen = 'M'
		}
		x := a.x(p.at)
		dot := alone && (i+1 == len(c.points) || c.points[i+1].apart)
		if dot {
			x = min(x, 1000-dotWidth)
		}
		path = append(path, pen)
		path = strconv.AppendFloat(path, x, 'f', 1, 64)
		path = append(path, ' ')
		path = strconv.AppendFloat(path, s.y(p.v), 'f', 1, 64)
		if dot {
			path = fmt.Appendf(path, "h%d", dotWidth)
		}
	}
	fmt.Fprintf(b, `<path class="l%d" d="%s"/>`, c.kind, path)
}

// band draws twice the uncertainty around the line.
func (c *curve) band(b *strings.Builder, a axis, s scale) {
	for from := 0; from < len(c.points); {
		to := from + 1
		for to < len(c.points) && !c.points[to].apart {
			to++
		}
		some := slices.ContainsFunc(c.points[from:to], func(p point) bool { return p.sigma > 0 })
		if some && to > from+1 {
			path := []byte{'M'}
			at := func(p point, side float64) {
				path = strconv.AppendFloat(path, a.x(p.at), 'f', 1, 64)
				path = append(path, ' ')
				path = strconv.AppendFloat(path, s.y(p.v+side*bandSigmas*p.sigma), 'f', 1, 64)
				path = append(path, 'L')
			}
			for _, p := range c.points[from:to] {
				at(p, 1)
			}
			for _, p := range slices.Backward(c.points[from:to]) {
				at(p, -1)
			}
			path[len(path)-1] = 'Z'
			fmt.Fprintf(b, `<path class="band" d="%s"/>`, path)
		}
		from = to
	}
}

// far is the time between two days' figures over which a line is not drawn through.
func far(span time.Duration) time.Duration { return max(3*dayLong, span/12) }

// batteryFigures are those of a battery that have a chart.
var batteryFigures = []struct {
	name, word string
	least      int
	of         func(b *db.DayBattery) db.DayEstimate
}{
	{"cranking", "Cranking", 0, func(b *db.DayBattery) db.DayEstimate { return b.CrankingA }},
	{"resistance", "Resistance", 1, func(b *db.DayBattery) db.DayEstimate { return b.ResistanceMohm }},
	{"rested", "Rested", 2, func(b *db.DayBattery) db.DayEstimate { return b.RestedV }},
}

// firstChart is the chart that a finding is about; others begin with that of the capability.
var firstChart = map[string]string{
	"bank-low": "charge", "bank-flat": "charge", "bank-undercharged": "charge", "balance-negative": "charge", "feed-lost": "charge",
	"feed-weak": "charge", "feed-low": "charge", "wake-missing": "charge", "freeze-risk": "charge", "parked-drain": "rested",
	"label-mismatch": "rested", "blocks-unequal": "rested", "near-reversal": "rested", "link-resistive": "resistance",
}

// charts makes the charts of a past, the one that the unit's first finding is about first.
func (v *view) charts(p *Past, a axis, finding string, replaced map[string][]time.Time) (out []chart) {
	var ids []string
	ratings := map[float64]bool{}
	for i := range p.Days {
		for _, b := range p.Days[i].Batteries {
			if !slices.Contains(ids, b.ID) {
				ids = append(ids, b.ID)
			}
			if i == len(p.Days)-1 && b.RatedCCA > 0 {
				ratings[b.RatedCCA] = true
			}
		}
	}
	slices.Sort(ids)
	gap := far(a.to.Sub(a.from))
	add := func(c *chart) {
		if c != nil {
			out = append(out, *c)
		}
	}
	for _, f := range batteryFigures {
		curves := make([]curve, len(ids))
		for i, id := range ids {
			curves[i] = curve{name: id, kind: i % lineKinds, least: f.least}
		}
		for k := range p.Days {
			d := &p.Days[k]
			if d.At.Before(a.from) {
				continue
			}
			for j := range d.Batteries {
				i := slices.Index(ids, d.Batteries[j].ID)
				c := &curves[i]
				if p.doubted(d.At, ids)[c.name] {
					continue
				}
				e := f.of(&d.Batteries[j])
				other := len(c.points) > 0 && slices.ContainsFunc(replaced[c.name], func(t time.Time) bool {
					return t.After(c.points[len(c.points)-1].at) && !t.After(d.At)
				})
				c.add(d.At, snapshot.Estimate{Value: e[0], Sigma: e[1]}, gap, other)
			}
		}
		var limits []float64
		if f.name == "cranking" && len(ratings) == 1 { // of several there would be too many lines
			for r := range ratings {
				limits = []float64{loadtest.ReplaceShare * r, loadtest.ServiceShare * r}
			}
		}
		add(v.chartOf(f.name, v.W(f.word), a, withPoints(curves), limits))
	}
	add(v.chartOf("charge", v.W("Charge"), a, []curve{chargeOf(p, a, gap, ids)}, nil))
	first := firstChart[finding]
	slices.SortStableFunc(out, func(a, b chart) int {
		return map[bool]int{true: 0, false: 1}[a.Name == first] - map[bool]int{true: 0, false: 1}[b.Name == first]
	})
	return out
}

func withPoints(curves []curve) []curve {
	return slices.DeleteFunc(curves, func(c curve) bool { return len(c.points) == 0 })
}

// chargeOf is the bank's charge: hour by hour where that is known, else day by day. The uncertainty is of
// the day's last snapshot.
func chargeOf(p *Past, a axis, gap time.Duration, ids []string) curve {
	c := curve{}
	if len(p.Hours) == 0 {
		for i := range p.Days {
			if d := &p.Days[i]; !d.At.Before(a.from) && len(p.doubted(d.At, ids)) == 0 {
				c.add(d.At, snapshot.Estimate{Value: d.SoCPct[0], Sigma: d.SoCPct[1]}, gap, false)
			}
		}
		return c
	}
	day, sigma := 0, (*float64)(nil)
	for i := range p.Days { // before the first day that has one, it is that one's
		if sigma = p.Days[i].SoCPct[1]; sigma != nil {
			break
		}
	}
	for i := range p.Hours {
		h := &p.Hours[i]
		for ; day < len(p.Days) && !p.Days[day].Day.After(h.At); day++ {
			sigma = cmp.Or(p.Days[day].SoCPct[1], sigma)
		}
		if mid := h.At.Add(30 * time.Minute); mid.After(a.from) && mid.Before(a.to) && len(p.doubted(mid, ids)) == 0 {
			v := math.Round(h.Mean*10) / 10
			c.add(mid, snapshot.Estimate{Value: &v, Sigma: sigma}, 6*time.Hour, false)
		}
	}
	if n := len(p.Days); n > 0 && len(p.doubted(p.Days[n-1].At, ids)) == 0 && p.Days[n-1].SoCPct[0] != nil { // what the page shows elsewhere
		c.last = snapshot.Estimate{Value: p.Days[n-1].SoCPct[0], Sigma: p.Days[n-1].SoCPct[1]}
	}
	return c
}

// strip is motor runs, feed and findings over the charts' axis.
type strip struct {
	Plot  template.HTML
	Heads []string
	Rows  [][]string // a day each
	Marks [][]string // findings and visits
}

// lane is one row of the strip.
type lane struct {
	text string
	draw func(b *strings.Builder, top int)
}

// stripOf draws the strip.
func (v *view) stripOf(p *Past, a axis, visits []time.Time, numbers map[worklist.Key]int) *strip {
	s := &strip{Heads: []string{v.T("DayWord"), v.W("Runs"), v.T("LiftsWord"), v.T("FeedHours")}}
	var lanes []lane
	runs, feed, most, longest := v.dayBars(p, a, s)
	switch {
	case len(p.Runs) > 0:
		lanes = append(lanes, lane{v.W("Runs"), func(b *strings.Builder, top int) {
			for _, t := range p.Runs {
				if !t.Before(a.from) && t.Before(a.to) {
					fmt.Fprintf(b, `<rect class="run" x="%.2f%%" y="%d" width="1.5" height="%d"/>`, a.x(t)/10, top, barHeight)
				}
			}
		}})
	case most > 0:
		lanes = append(lanes, lane{v.T("RunsADay", "n", count(int(most))), func(b *strings.Builder, top int) { b.WriteString(runs(top)) }})
	}
	if longest > 0 {
		lanes = append(lanes, lane{v.T("FeedADay", "n", figures.Number(math.Round(longest*10)/10, 0)), func(b *strings.Builder, top int) { b.WriteString(feed(top)) }})
	}
	if len(visits) > 0 {
		lanes = append(lanes, lane{v.T("Visits"), func(b *strings.Builder, top int) {
			for _, t := range visits {
				fmt.Fprintf(b, `<rect class="run" x="%.2f%%" y="%d" width="4" height="%d"/>`, a.x(t)/10, top, barHeight)
			}
		}})
	}
	lanes = append(lanes, v.findingLanes(p, a, numbers, s)...)
	if len(lanes) == 0 {
		return nil
	}
	height := laneHeight * len(lanes)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="plot" width="100%%" height="%d" role="img" aria-label="%s"><svg width="100%%" height="%d" viewBox="0 0 1000 %d" preserveAspectRatio="none">`,
		height+chartFoot, template.HTMLEscapeString(v.T("StripWord")), height, height)
	a.lines(&b, height)
	b.WriteString(`</svg>`)
	for i, l := range lanes {
		fmt.Fprintf(&b, `<text class="lane" x="2" y="%d">%s</text>`, laneHeight*i+laneText, template.HTMLEscapeString(l.text))
		l.draw(&b, laneHeight*i+laneBar)
	}
	a.names(&b, height+15)
	b.WriteString(`</svg>`)
	s.Plot = template.HTML(b.String())
	return s
}

// dayBars makes what draws runs and hours of feed of each day, and fills in the strip's table.
func (v *view) dayBars(p *Past, a axis, s *strip) (runs, feed func(top int) string, most uint64, longest float64) {
	type bar struct {
		x, w  float64
		runs  uint64
		lifts uint64
		feed  float64
	}
	var bars []bar
	var rows [][]string
	for i := 1; i < len(p.Days); i++ {
		before, d := &p.Days[i-1], &p.Days[i]
		end := d.Day.Add(dayLong)
		if !end.After(a.from) || d.Day.Sub(before.Day) > dayLong { // counted over more than a day
			continue
		}
		b := bar{
			x: a.x(d.Day), runs: grown(before.Counted.Runs, d.Counted.Runs), lifts: grown(before.Counted.Lifts, d.Counted.Lifts),
			feed: grown(before.Counted.FeedS, d.Counted.FeedS) / 3600,
		}
		b.w = a.x(end) - b.x
		most, longest = max(most, b.runs), max(longest, b.feed)
		bars = append(bars, b)
		rows = append(rows, []string{v.Day(d.Day), count(int(b.runs)), count(int(b.lifts)), figures.Number(math.Round(b.feed*10)/10, 1)})
	}
	slices.Reverse(rows)
	every := max((len(rows)+tableRows-1)/tableRows, 1)
	for i := 0; i < len(rows); i += every {
		s.Rows = append(s.Rows, rows[i])
	}
	draw := func(of func(b *bar) float64) func(int) string {
		return func(top int) string {
			var out strings.Builder
			for i := range bars {
				if h := float64(barHeight) * of(&bars[i]); h > 0.2 {
					fmt.Fprintf(&out, `<rect class="day" x="%.2f%%" y="%.1f" width="%.2f%%" height="%.1f"/>`, bars[i].x/10, float64(top+barHeight)-h,
						max(bars[i].w*0.8, 1)/10, h)
				}
			}
			return out.String()
		}
	}
	return draw(func(b *bar) float64 { return float64(b.runs) / float64(max(most, 1)) }),
		draw(func(b *bar) float64 { return b.feed / max(longest, 1e-9) }), most, longest
}

const mostLanes = 12 // of findings

// findingLanes makes a row for each finding that stood, the last raised first: filled while it stands,
// hollow when it is over.
func (v *view) findingLanes(p *Past, a axis, numbers map[worklist.Key]int, s *strip) (lanes []lane) {
	by := map[worklist.Key][]db.Alarm{}
	var keys []worklist.Key
	for _, x := range slices.Backward(p.Alarms) {
		if !x.Ended.IsZero() && !x.Ended.After(a.from) || x.Raised.After(a.to) {
			continue
		}
		k := worklist.Key{Name: x.Finding, Subject: x.Subject}
		if by[k] == nil {
			keys = append(keys, k)
		}
		by[k] = append(by[k], x)
	}
	slices.SortStableFunc(keys, func(x, y worklist.Key) int { return standing(by[y]) - standing(by[x]) })
	for _, k := range keys[:min(len(keys), mostLanes)] {
		text := worklist.Headline(v.To, k, k.Name)
		if n := numbers[k]; n > 0 && standing(by[k]) > 0 {
			text = strconv.Itoa(n) + "\u2002" + text
		}
		for _, x := range by[k] {
			end := v.T("Stands")
			if !x.Ended.IsZero() {
				end = v.Time(x.Ended)
			}
			s.Marks = append(s.Marks, []string{worklist.Headline(v.To, k, k.Name), v.Time(x.Raised), end})
		}
		lanes = append(lanes, lane{text, func(b *strings.Builder, top int) {
			for _, x := range by[k] {
				class, to := "was", x.Ended
				if to.IsZero() {
					class, to = "bar", a.to
				}
				from := a.x(x.Raised)
				fmt.Fprintf(b, `<rect class="%s" x="%.2f%%" y="%d" width="%.2f%%" height="%d"/>`, class, from/10, top, max(a.x(to)-from, 3)/10, barHeight)
			}
		}})
	}
	return lanes
}

func standing(all []db.Alarm) int {
	if slices.ContainsFunc(all, func(a db.Alarm) bool { return a.Ended.IsZero() }) {
		return 1
	}
	return 0
}
