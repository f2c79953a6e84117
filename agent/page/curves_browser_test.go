package page

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/history"
	"liftbank/agent/snapshot"
)

// The curve of a finding fits a phone and a desk, type keeps its size, and a fold stays open while the page is followed.
func TestPageCurvesOfFindings(t *testing.T) {
	b := newBench(t)
	b.stop()
	var asked []history.Query
	b.opts.History = traced{past: past{now: time.Now}, asked: &asked}
	b.start("127.0.0.1:0")
	s := each(t, "hot", "a", snapshot.Evidence{What: snapshot.Text{ID: "evidence.limit-c", English: "limit"}, Value: 50, Unit: "°C"})
	for _, more := range []*snapshot.Snapshot{
		each(t, "battery-tired", "b"), each(t, "motor-overrun", ""),
		each(t, "bank-low", "", snapshot.Evidence{What: snapshot.Text{ID: "evidence.threshold-v", English: "threshold"}, Value: 12.4, Unit: "V"}),
	} {
		s.Findings = append(s.Findings, more.Findings...)
	}
	b.hub.Publish(numbered(s, b.hub.Current().Seq+1))
	for _, width := range some[int64](phone, 320, desk) {
		tab := b.browse(width)
		for name, path := range map[string]string{"findings": "/findings", "now": "/"} {
			again := *s // so that the readings are not old
			b.hub.Publish(numbered(&again, b.hub.Current().Seq+1))
			tab.open(path)
			eval[bool](tab, `document.querySelectorAll('.find details').forEach(d => d.open = true); true`)
			n := eval[int](tab, `document.querySelectorAll('figure.small svg.lines').length`)
			assert.Equal(t, 4, n, name)
			tab.sound(fmt.Sprintf("curves %s %d", name, width))
			tab.fits(name)
			assert.InDelta(t, 13, eval[float64](tab, `parseFloat(getComputedStyle(document.querySelector('figure.small svg.times text')).fontSize)`), 0.1)
			tab.picture(fmt.Sprintf("curves-%s-%d", name, width))
		}
	}
	tab := b.browse(phone)
	again := *s
	b.hub.Publish(numbered(&again, b.hub.Current().Seq+1))
	tab.open("/")
	eval[bool](tab, `document.querySelectorAll('.find details').forEach(d => d.open = true); true`)
	next := *s
	next.Batteries = append([]snapshot.Battery(nil), s.Batteries...)
	volts := 11.11
	next.Batteries[0].VoltageV = &volts
	b.hub.Publish(numbered(&next, b.hub.Current().Seq+1))
	tab.until(`document.body.textContent.includes('11.11')`)
	assert.Equal(t, 8, eval[int](tab, `document.querySelectorAll('.find details[open]').length`), "folds and their tables")
}
