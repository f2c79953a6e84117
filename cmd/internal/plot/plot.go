// Package plot draws the course of a run.
package plot

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/wcharczuk/go-chart/v2"
	"github.com/wcharczuk/go-chart/v2/drawing"
)

// Inks of the plot: told apart by lightness and dash as well as by hue.
var (
	inkTrue  = drawing.Color{A: 255}
	inkGrid  = drawing.Color{R: 205, G: 205, B: 205, A: 255}
	inkRange = drawing.Color{R: 0x1b, G: 0x4e, B: 0x8c, A: 255}
	inkFound = drawing.Color{R: 0xc2, G: 0x4a, A: 255}
	inkSoC   = []drawing.Color{inkFound, {G: 0x7a, B: 0x5c, A: 255}, {R: 0x7a, G: 0x3f, B: 0xa0, A: 255},
		{R: 0x6b, G: 0x6b, A: 255}}
	dashes = [][]float64{nil, {6, 3}, {2, 2}, {8, 2, 2, 2}}
)

// Write draws a trace: voltage, current, charge (true and estimated) and findings, one band above
// the other, on one time axis. format is svg or png.
func Write(w io.Writer, title, format string, t *Trace) error {
	unit, per := axisUnit(t.Width * time.Duration(len(t.Bins)))
	s := &sheet{ticks: []chart.Tick{{}}, x: func(d time.Duration) float64 { return d.Seconds() / per }}
	t.drawFindings(s)
	t.drawCharge(s)
	t.drawRange(s, "A", func(b *Bin) (float64, float64) { return b.MinA, b.MaxA })
	t.drawRange(s, "V", func(b *Bin) (float64, float64) { return b.MinV, b.MaxV })
	grid := chart.Style{StrokeColor: inkGrid, StrokeWidth: 1}
	end := s.x(t.Width * time.Duration(len(t.Bins)))
	s.ticks = append(s.ticks, chart.Tick{Value: s.top}) // the library scales to the outermost ticks
	graph := chart.Chart{
		Width: 1200, Height: 900,
		Background: chart.Style{Padding: chart.Box{Top: 70, Left: 20, Right: 20, Bottom: 20}},
		XAxis: chart.XAxis{
			Name: title + ", " + unit + " since start; from the top: bank voltage, bank current (charge +), charge, " +
				"findings (thin: true, thick: found)",
			Range: &chart.ContinuousRange{Min: 0, Max: end}, Ticks: timeTicks(end), GridMajorStyle: grid,
		},
		YAxis: chart.YAxis{
			Ticks: s.ticks, Range: &chart.ContinuousRange{Min: 0, Max: s.top}, GridMajorStyle: grid,
		},
		Series: s.series,
	}
	graph.Elements = []chart.Renderable{chart.LegendThin(&graph)}
	to := chart.PNG
	if format == "svg" {
		to = chart.SVG
	}
	if err := graph.Render(to, w); err != nil {
		return fmt.Errorf("plot: %w", err)
	}
	return nil
}

// axisUnit returns hours up to 4 days and days beyond, with the seconds in it.
func axisUnit(span time.Duration) (name string, seconds float64) {
	if span <= 4*24*time.Hour {
		return "h", 3600
	}
	return "d", 86400
}

func timeTicks(end float64) []chart.Tick {
	var out []chart.Tick
	step := niceStep(end / 10)
	for v := 0.0; v <= end*1.0001; v += step {
		out = append(out, chart.Tick{Value: v, Label: strconv.FormatFloat(v, 'g', 6, 64)})
	}
	return append(out, chart.Tick{Value: end})
}

// niceStep returns the smallest 1, 2 or 5 times a power of ten that is not below the step wanted.
func niceStep(wanted float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(max(wanted, 1e-9))))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= wanted {
			return m * p
		}
	}
	return 10 * p
}

// sheet stacks bands of one height on a single chart, so that they share the time axis by
// construction.
type sheet struct {
	x      func(time.Duration) float64
	series []chart.Series
	ticks  []chart.Tick
	top    float64
}

const bandGap = 0.12

// band opens the next band for values from low to high, labels a few of them, and returns the
// scale.
func (s *sheet) band(low, high float64, unit string) func(float64) float64 {
	base := s.top + bandGap
	if high-low < 1e-9 {
		low, high = low-0.5, high+0.5
	}
	scale := func(v float64) float64 { return base + (v-low)/(high-low) }
	step := niceStep((high - low) / 4)
	for v := math.Ceil(low/step) * step; v <= high; v += step {
		label := strconv.FormatFloat(math.Round(v*1000)/1000, 'g', 6, 64) + " " + unit
		s.ticks = append(s.ticks, chart.Tick{Value: scale(v), Label: label})
	}
	s.top = base + 1
	return scale
}

func (s *sheet) line(name string, ink drawing.Color, width float64, dash []float64, xs, ys []float64) {
	if len(xs) > 0 {
		s.series = append(s.series, chart.ContinuousSeries{
			Name: name, XValues: xs, YValues: ys,
			Style: chart.Style{StrokeColor: ink, StrokeWidth: width, StrokeDashArray: dash},
		})
	}
}

// drawRange draws the minimum and maximum of each bin, so that no motor run is lost between two
// points.
func (t *Trace) drawRange(s *sheet, unit string, of func(*Bin) (low, high float64)) {
	low, high := math.Inf(1), math.Inf(-1)
	for i := range t.Bins {
		if b := &t.Bins[i]; b.N > 0 {
			l, h := of(b)
			low, high = min(low, l), max(high, h)
		}
	}
	if low > high {
		return
	}
	scale := s.band(low, high, unit)
	var xs, ys []float64
	for i := range t.Bins {
		if b := &t.Bins[i]; b.N > 0 {
			l, h := of(b)
			at := s.x(t.Width * time.Duration(i))
			xs, ys = append(xs, at, at), append(ys, scale(h), scale(l))
		}
	}
	s.line("", inkRange, 1, nil, xs, ys)
}

func (t *Trace) drawCharge(s *sheet) {
	low := 100.0
	for i := range t.Bins {
		for k := range t.IDs {
			b := &t.Bins[i]
			if b.knowsTruth(k) {
				low = min(low, b.TruePct[k])
			}
			if b.N > 0 && b.Known[k] {
				low = min(low, b.SoC[k])
			}
		}
	}
	scale := s.band(low, 100, "%")
	for k, id := range t.IDs {
		var tx, ty, sx, sy []float64
		for i := range t.Bins {
			b := &t.Bins[i]
			if b.N == 0 {
				continue
			}
			at := s.x(t.Width * time.Duration(i))
			if b.knowsTruth(k) {
				tx, ty = append(tx, at), append(ty, scale(b.TruePct[k]))
			}
			if b.Known[k] {
				sx, sy = append(sx, at), append(sy, scale(b.SoC[k]))
			}
		}
		s.line(id+" true", inkTrue, 1.5, dashes[k], tx, ty)
		s.line(id+" estimated", inkSoC[k], 1.5, dashes[k], sx, sy)
	}
}

// drawFindings has a row for each name.
func (t *Trace) drawFindings(s *sheet) {
	var names []string
	for _, spell := range slices.Concat(t.Findings, t.Detected) {
		if !slices.Contains(names, spell.Name) {
			names = append(names, spell.Name)
		}
	}
	const rowHeight = 0.16
	y := func(name string) float64 { return rowHeight * (0.5 + float64(slices.Index(names, name))) }
	stroke := func(spells []Spell, up float64, ink drawing.Color, width float64) {
		for _, spell := range spells {
			at := y(spell.Name) + up
			s.line("", ink, width, nil, []float64{s.x(spell.From), s.x(spell.Until)}, []float64{at, at})
		}
	}
	stroke(t.Findings, 0.03, inkTrue, 1.5)
	stroke(t.Detected, -0.02, inkFound, 6)
	for _, name := range names {
		s.ticks = append(s.ticks, chart.Tick{Value: y(name), Label: name})
	}
	if len(names) == 0 {
		s.ticks = append(s.ticks, chart.Tick{Value: rowHeight / 2, Label: "no findings"})
	}
	s.top = rowHeight * float64(max(len(names), 1))
}
