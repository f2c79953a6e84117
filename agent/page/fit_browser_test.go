package page

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/words"
)

// The pages of a fitting, on a phone and on a desk: sound in every step, with live readings that leave what
// somebody types alone; a phone that is behind another is told so.
func TestPageFit(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	d := newFitBench(t)
	b.opts.Fit = d
	b.kill()
	b.start("127.0.0.1:0")
	for _, width := range some[int64](phone, 320, desk) {
		tab := b.browse(width)
		tab.signIn()
		for _, l := range some(words.Languages...) {
			look := func(name string) {
				b.again()
				tab.open("/fit")
				name = fmt.Sprintf("fit-%s-%d-%s", name, width, l.Tag)
				tab.sound(name)
				tab.picture(name)
			}
			tab.open("/")
			tab.follow(fmt.Sprintf(`button[name=lang][value=%s]`, l.Tag))
			d.mu.Lock()
			d.session, d.left, d.locked, d.open = nil, nil, nil, false
			d.mu.Unlock()
			look("start")
			eval[bool](tab, `document.getElementById('by').value = 'R. Vale'; true`)
			tab.follow("form[action='/fit/begin'] button")
			look("meters")
			tab.follow("button[value=answer]")
			look("rest")
			tab.follow("button[value=answer]")
			assert.True(t, eval[bool](tab, `!!document.querySelector('[role=alert]')`), "nothing was seen yet")

			// The live readings follow, and what is typed stays.
			d.passes(20, false)
			tab.until(`!!document.querySelector('#fit-live .steady')`)
			tab.follow("button[value=answer]")
			d.passes(20, false)
			eval[bool](tab, `document.getElementById('a-volts').value = '12,61'; document.getElementById('a-volts').focus(); true`)
			tab.until(`!!document.querySelector('#fit-live .steady') && document.activeElement.id === 'a-volts' && document.getElementById('a-volts').value === '12,61'`)
			look("post")
			eval[bool](tab, `document.getElementById('a-volts').value = 'much'; true`)
			tab.follow("button[value=answer]")
			tab.sound("fit-refused")
			tab.picture(fmt.Sprintf("fit-refused-%d-%s", width, l.Tag))
			eval[bool](tab, `document.getElementById('a-volts').value = '12,61'; true`)
			tab.follow("button[value=answer]")

			// Another phone goes on.
			other := b.browse(width)
			other.signIn()
			other.open("/fit")
			eval[bool](other, `document.querySelector('details').open = true`)
			other.follow("button[value=skip]")
			tab.until(`!document.getElementById('moved').hidden`)
			tab.picture(fmt.Sprintf("fit-moved-%d-%s", width, l.Tag))
			tab.open("/fit")
			d.mu.Lock()
			d.open = true
			d.mu.Unlock()
			d.passes(20, false)
			tab.follow("button[value=answer]")
			d.mu.Lock()
			d.open = false
			d.mu.Unlock()
			d.passes(20, false)
			tab.follow("button[value=answer]")
			d.passes(20, true)
			look("run")
			eval[bool](tab, `document.querySelectorAll('details').forEach(function (e) { e.open = true }); true`)
			tab.sound("fit-open")
			tab.picture(fmt.Sprintf("fit-open-%d-%s", width, l.Tag))
			tab.follow("button[value=answer]")
			for d.leaves(t) {
			}
			look("end")
			d.mu.Lock()
			d.locked = errors.New("open /etc/liftbank/unit.yaml: read-only file system")
			d.mu.Unlock()
			look("end-locked")
			tab.follow("button[value=sign]")
			tab.sound("fit-signed")
			tab.picture(fmt.Sprintf("fit-signed-%d-%s", width, l.Tag))
		}
	}
}

// leaves skips the step that is up; false at the end.
func (d *fitBench) leaves(t *testing.T) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	require.NotNil(t, d.session)
	_, some := d.session.Step()
	d.session.Skip("enough", calibratedAt)
	return some
}
