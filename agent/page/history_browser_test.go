package page

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// All of the past stands on one axis of time to the pixel; type beside the stretched pictures keeps its size.
func TestPageHistoryStandsOnOneAxis(t *testing.T) {
	b := newBench(t)
	for _, width := range some[int64](phone, 320, desk) {
		tab := b.browse(width)
		tab.open("/history?span=7d")
		boxes := eval[[][]float64](tab, `[...document.querySelectorAll('svg.lines, svg.behind, svg.bar, svg.times')].filter(e => e.clientWidth).map(e => {
			var r = e.getBoundingClientRect(); return [r.left, r.left + e.clientWidth]; })`)
		require.Len(t, boxes, 5+1+4+1, "five charts, the rules of the strip, its rows, the names of times")
		for _, box := range boxes {
			assert.InDeltaSlice(t, boxes[0], box, 0.5, "%d: %v", width, boxes)
		}
		// A day begins at the same pixel in a chart, behind the strip and in the names.
		days := eval[[][]float64](tab, `[...document.querySelectorAll('svg.lines, svg.behind')].map(e => {
			var m = e.getScreenCTM(); return e.querySelector('.ruled').getAttribute('d').match(/M[\d.]+/g).map(s => m.a * s.slice(1) + m.e); })`)
		for _, d := range days {
			assert.InDeltaSlice(t, days[0], d, 0.5, width)
		}
		names := eval[[]float64](tab, `[...document.querySelectorAll('svg.times text')].filter(e => e.ownerSVGElement.clientWidth).map(e => e.getBoundingClientRect().left)`)
		require.Len(t, names, 7)
		assert.InDeltaSlice(t, days[0], names[1:], 2, "%d: names stand at the beginning of their days", width)
		// A finding that begins in a third of the span, and one that still holds ends where the data does.
		now := eval[float64](tab, `(() => { var p = document.getElementById('past').dataset, e = document.querySelector('svg.lines');
			var r = e.getBoundingClientRect(); return r.left + e.clientWidth * (p.now - p.from) / (p.to - p.from); })()`)
		holds := eval[float64](tab, `document.querySelector('.holds').getBoundingClientRect().right`)
		assert.InDelta(t, now, holds, 1.5, width)
		last := eval[[]float64](tab, `[...document.querySelectorAll('svg.lines')].map(e => { var m = e.getScreenCTM();
			return m.a * Math.max(...e.querySelector('.curve').getAttribute('d').match(/[ML][\d.]+/g).map(s => +s.slice(1))) + m.e; })`)
		for _, x := range last {
			assert.LessOrEqual(t, x, now+1, "nothing is drawn of what is to come")
		}
		for _, of := range []string{".values", "svg.times text"} {
			assert.InDelta(t, 13, eval[float64](tab, `parseFloat(getComputedStyle(document.querySelector('`+of+`')).fontSize)`), 0.1, of)
		}
		b.again()
		tab.sound(fmt.Sprintf("history %d", width))
		eval[bool](tab, `document.querySelectorAll('details').forEach(d => d.open = true); true`)
		tab.sound(fmt.Sprintf("history %d, tables open", width))
		tab.picture(fmt.Sprintf("history-open-%d", width))
	}
}

// Each chart has a name and a table, and no two lines the same look.
func TestPageHistoryIsThereForEverybody(t *testing.T) {
	tab := newBench(t).browse(phone)
	tab.open("/history?span=7d")
	titles := eval[[]string](tab, `[...document.querySelectorAll('#past figure[data-kind] figcaption b')].map(e => e.textContent)`)
	names := eval[[]string](tab, `[...document.querySelectorAll('svg.lines')].map(e => e.getAttribute('aria-label'))`)
	captions := eval[[]string](tab, `[...document.querySelectorAll('#past caption')].map(e => e.textContent)`)
	require.Len(t, titles, 5)
	for i, title := range titles {
		assert.True(t, strings.HasPrefix(names[i], title+"; a "), names[i])
		assert.Contains(t, captions, title, "its table")
	}
	// The day's last row is of the day under way, so that it is there, too.
	assert.Equal(t, 7, eval[int](tab, `document.querySelector('#past table tbody').rows.length`))
	// All four looks, as a bank of four has them: a line of each class in the page's own sheet.
	looks := eval[[]string](tab, `(() => { var p = document.querySelector('.curve'), out = [];
		for (var i = 0; i < 4; i++) { p.setAttribute('class', 'curve c' + i); out.push(getComputedStyle(p).strokeDasharray + getComputedStyle(p).stroke); }
		return out; })()`)
	seen := map[string]bool{}
	for _, l := range looks {
		assert.False(t, seen[l], "%v", looks)
		seen[l] = true
	}
	assert.Len(t, eval[[]string](tab, `[...new Set([0,1,2,3].map(i => { var p = document.querySelector('.curve');
		p.setAttribute('class', 'curve c' + i); return getComputedStyle(p).stroke; }))]`), 1, "ink only")
}

// A year is there within a second. Ctrl and the wheel change the span, the plain wheel scrolls the page, a day leads to
// itself, and what can't be read is said.
func TestPageHistoryIsMoved(t *testing.T) {
	b := newBench(t)
	tab := b.browse(phone)
	// The browser's own clock, from the beginning of the load to its end; the best of three, as others use this machine
	// too.
	best := math.Inf(1)
	for range 3 {
		tab.open("/history?span=365d")
		tab.until(`performance.getEntriesByType('navigation')[0].loadEventEnd > 0`)
		best = min(best, eval[float64](tab, `performance.getEntriesByType('navigation')[0].loadEventEnd`))
	}
	t.Logf("a year is there %.0f ms after the load began", best)
	if !raceDetector {
		assert.Less(t, best, 1000.0)
	}
	turn := func(ctrl bool, by int) (passed bool) {
		return eval[bool](tab, fmt.Sprintf(`(() => { var e = document.querySelector('svg.lines'), r = e.getBoundingClientRect();
			return e.dispatchEvent(new WheelEvent('wheel', {deltaY: %d, ctrlKey: %v, clientX: r.left + r.width / 2,
			clientY: r.top + 20, bubbles: true, cancelable: true})); })()`, by, ctrl))
	}
	span := `(document.getElementById('past').dataset.to - document.getElementById('past').dataset.from)`
	const year = 365 * 86400
	assert.True(t, turn(false, -400), "the plain wheel is the browser's")
	assert.False(t, turn(true, -400), "with Ctrl it is the page's")
	tab.until(fmt.Sprintf(`%s < %d && location.search.includes('from=')`, span, year*6/10))
	assert.False(t, turn(true, 400))
	tab.until(fmt.Sprintf(`%s > %d`, span, year*9/10))

	tab.open("/history?span=7d")
	tab.follow(`svg.times a:nth-of-type(3)`)
	assert.InDelta(t, 86400, eval[float64](tab, span), 1, "a day, pressed")
	at := eval[string](tab, `document.querySelector('h1').textContent`)
	tab.follow(`.pair a`)
	assert.NotEqual(t, at, eval[string](tab, `document.querySelector('h1').textContent`), "the day before")
	tab.follow(`.pair a:nth-of-type(2)`)
	assert.Equal(t, at, eval[string](tab, `document.querySelector('h1').textContent`))
	assert.Empty(t, eval[[]string](tab, `window.bad`))
	b.kill()
	turn(true, 300)
	tab.until(`document.getElementById('unread').textContent.includes('can’t be read') && !document.getElementById('unread').hidden`)
}

// With script, times are the reader's; without, they are UTC and say so.
func TestPageHistoryIsInTheReadersZone(t *testing.T) {
	b := newBench(t)
	tab := b.browse(phone)
	tab.in("Asia/Kolkata")
	tab.open("/history?from=2026-03-09T12:00:00Z&to=2026-03-09T18:00:00Z")
	tab.until(`document.getElementById('past').dataset.zone === '330'`)
	assert.Equal(t, "9 March, 17:30 to 23:30", eval[string](tab, `document.querySelector('#past h1').textContent`))
	assert.NotContains(t, eval[string](tab, `document.getElementById('past').textContent`), "UTC")
	tab.script(false)
	tab.open("/history?from=2026-03-09T12:00:00Z&to=2026-03-09T18:00:00Z")
	require.NoError(t, chromedp.Do(tab.ctx, chromedp.WaitReady("#past")))
	tab.script(true)
	assert.Equal(t, "330", eval[string](tab, `document.getElementById('past').dataset.zone`), "as it was noted")
}
