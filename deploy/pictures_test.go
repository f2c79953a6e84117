package deploy_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The pictures of the README are drawn from the tables beside the suites, so that they can't
// disagree.
func TestPicturesAreOfTheTables(t *testing.T) {
	tables := read(t, "..", "cmd", "internal", "suite", "README.md")
	for name, drawn := range map[string]string{
		"suite-charge.svg":   chargePicture(t, tableOf(t, tables, "scenario")),
		"suite-findings.svg": findingsPicture(t, tableOf(t, tables, "finding")),
	} {
		path := filepath.Join("images", name)
		if *update {
			require.NoError(t, os.WriteFile(path, []byte(drawn), 0o644))
		}
		if read(t, path) != drawn {
			t.Errorf(
				"%s is not of the table: renew it with go test ./deploy -run Pictures -update and look at it", path,
			)
		}
	}
}

// tableOf returns the fields of each row of the table whose first column has this head.
func tableOf(t *testing.T, text, head string) (rows [][]string) {
	t.Helper()
	for block := range strings.SplitSeq(text, "```\n") {
		if !strings.HasPrefix(strings.TrimSpace(block), head+" ") {
			continue
		}
		for line := range strings.Lines(block) {
			fields := strings.Fields(line)
			row := len(fields) >= 6 && strings.ContainsAny(fields[1], "0123456789")
			if !row || fields[0] == "all" || strings.Contains(line, ":") {
				continue // the head, the sums
			}
			rows = append(rows, fields)
		}
	}
	require.NotEmpty(t, rows, head)
	return rows
}

// canvas collects an SVG picture. Its ground is white, so that it reads on any page.
type canvas struct {
	strings.Builder
	w, h float64
}

func newCanvas(w, h float64, label string) *canvas {
	c := &canvas{w: w, h: h}
	fmt.Fprintf(c, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" width="%g" height="%g" role="img"`+
		` aria-label="%s" font-family="sans-serif" font-size="12" fill="#222">`+"\n"+
		`<rect width="%g" height="%g" fill="#fff"/>`+"\n", w, h, w, h, label, w, h)
	return c
}

func (c *canvas) text(x, y float64, anchor, s string) {
	fmt.Fprintf(c, `<text x="%.1f" y="%.1f" text-anchor="%s">%s</text>`+"\n", x, y, anchor, s)
}

func (c *canvas) line(x1, y1, x2, y2 float64) {
	fmt.Fprintf(c, `<path d="M%.1f %.1fL%.1f %.1f" stroke="#ccc"/>`+"\n", x1, y1, x2, y2)
}

func (c *canvas) done() string { return c.String() + "</svg>\n" }

// chargePicture shows which share of the scenarios has at most which error, on a logarithmic axis.
func chargePicture(t *testing.T, rows [][]string) string {
	t.Helper()
	const left, right, top, bottom, low, high = 60.0, 620.0, 20.0, 260.0, 0.25, 100.0
	c := newCanvas(680, 335, "Share of scenarios by RMS error of the charge")
	x := func(v float64) float64 {
		return left + (right-left)*math.Log(max(v, low)/low)/math.Log(high/low)
	}
	for _, v := range []float64{0.25, 0.5, 1, 2, 5, 10, 20, 50, 100} {
		c.line(x(v), top, x(v), bottom)
		c.text(x(v), bottom+18, "middle", fmt.Sprintf("%g %%", v))
	}
	for share := 0.0; share <= 1; share += 0.25 {
		y := bottom - (bottom-top)*share
		c.line(left, y, right, y)
		c.text(left-8, y+4, "end", fmt.Sprintf("%g %%", 100*share))
	}
	c.text((left+right)/2, bottom+40, "middle",
		"RMS error of the charge, percentage points; share of scenarios with at most this error")
	for i, line := range []struct {
		column      int
		color, name string
	}{{1, "#0b5cad", "estimate"}, {4, "#b35c00", "terminal voltage in the table"}, {5, "#7a7a7a", "counted charge"}} {
		var values []float64
		for _, r := range rows {
			v, err := strconv.ParseFloat(r[line.column], 64)
			require.NoError(t, err, r)
			values = append(values, v)
		}
		slices.Sort(values)
		path := fmt.Sprintf("M%.1f %.1f", left, bottom)
		for k, v := range values {
			path += fmt.Sprintf("H%.1fV%.1f", x(v), bottom-(bottom-top)*float64(k+1)/float64(len(values)))
		}
		fmt.Fprintf(c, `<path d="%sH%.1f" fill="none" stroke="%s" stroke-width="2.5"/>`+"\n", path, right, line.color)
		from := left + 60 + []float64{0, 110, 320}[i]
		fmt.Fprintf(c, `<path d="M%.1f %.1fh24" stroke="%s" stroke-width="2.5"/>`+"\n", from, bottom+60, line.color)
		c.text(from+30, bottom+64, "start", line.name)
	}
	return c.done()
}

// findingsPicture shows for each finding the time within which 95 % of its cases are found.
func findingsPicture(t *testing.T, rows [][]string) string {
	t.Helper()
	const left, right, top, row = 150.0, 620.0, 30.0, 18.0
	rows = slices.DeleteFunc(rows, func(r []string) bool { return r[8] == "-" }) // without a case
	bottom := top + row*float64(len(rows))
	c := newCanvas(680, bottom+20, "Time within which 95 % of the cases of each finding are found")
	x := func(d time.Duration) float64 {
		s := max(d.Seconds(), 1)
		return left + (right-left)*math.Log(s)/math.Log((10*24*time.Hour).Seconds())
	}
	for _, tick := range []struct {
		at   time.Duration
		name string
	}{{time.Second, "1 s"}, {time.Minute, "1 min"}, {time.Hour, "1 h"}, {24 * time.Hour, "1 d"},
		{7 * 24 * time.Hour, "7 d"}} {
		c.line(x(tick.at), top, x(tick.at), bottom)
		c.text(x(tick.at), top-10, "middle", tick.name)
	}
	for i, r := range rows {
		d, err := time.ParseDuration(r[8])
		require.NoError(t, err, r)
		y := top + row*float64(i)
		c.text(left-8, y+13, "end", r[0])
		fmt.Fprintf(c, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="#0b5cad"/>`+"\n",
			left, y+3, max(x(d)-left, 2), row-6)
	}
	return c.done()
}
