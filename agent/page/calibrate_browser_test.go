package page

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/calibrate"
	"liftbank/agent/page/words"
)

// The pages of calibration, on a phone and on a desk: sound in every step, with live figures that leave
// what somebody types alone; a phone that went away finds the reading that it held on another.
func TestPageCalibrate(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	d := newDesk()
	b.opts.Calibrate = d
	b.kill()
	b.start("127.0.0.1:0")
	const path = "/calibrate/channel/battery_current_a"
	for _, width := range some[int64](phone, 320, desk) {
		d.session = nil
		tab := b.browse(width)
		tab.signIn()
		for _, l := range some(words.Languages...) {
			look := func(name, path string) {
				b.again()
				tab.open(path)
				name = fmt.Sprintf("calibrate-%s-%d-%s", name, width, l.Tag)
				tab.sound(name)
				tab.picture(name)
			}
			tab.open("/")
			tab.follow(fmt.Sprintf(`button[name=lang][value=%s]`, l.Tag))
			look("before", "/calibrate")
			if d.session == nil {
				tab.open("/calibrate")
				eval[bool](tab, `document.getElementById('by').value = 'R. Vale'; true`)
				tab.follow("form[action='/calibrate/begin'] button")
			}
			require.NotNil(t, d.session)
			look("list", "/calibrate")
			look("zero", "/calibrate/zero")
			tab.follow("button[value=take]")
			look("zero-taken", "/calibrate/zero")
			look("zero-sign", "/calibrate/zero?sign")
			tab.follow("button[value=apply]")
			assert.Positive(t, d.applied)
			look("channel", path)

			// The live figures follow, and what is typed stays.
			d.mu.Lock()
			d.set("battery_current_a", -98.7+0.24)
			d.mu.Unlock()
			tab.until(`document.querySelector('#live td').textContent.includes('98')`)
			b.again()
			tab.follow("button[value=hold]")
			eval[bool](tab, `document.getElementById('value').value = '−100,0'; document.getElementById('value').focus(); true`)
			tab.until(`document.activeElement.id === 'value' && document.getElementById('value').value === '−100,0'`)
			other := b.browse(width) // the first phone has gone
			other.signIn()
			other.open(path)
			assert.True(t, eval[bool](other, `!!document.getElementById('held')`))
			look("held", path)
			eval[bool](tab, `document.getElementById('value').value = 'hundred'; true`)
			tab.follow("button[value=enter]")
			assert.True(t, eval[bool](tab, `!!document.querySelector('[role=alert]')`))
			tab.picture(fmt.Sprintf("calibrate-refused-%d-%s", width, l.Tag))
			eval[bool](tab, `document.getElementById('value').value = '−100,0'; true`)
			tab.follow("button[value=enter]")
			look("result", path)
			look("sign", path+"?sign")
			tab.follow("button[value=apply]")
			assert.Equal(t, calibrate.ByMeter, d.bench.Of("battery_current_a").Last.Kind)
			look("undo", path+"?back")
			fresh := newDesk()
			d.mu.Lock()
			d.bench = fresh.bench
			d.session.Drop("", true)
			d.session.Drop("battery_current_a", false)
			d.mu.Unlock()
		}
	}
	resp, err := http.Get("http://" + b.addr + "/calibrate")
	require.NoError(t, err)
	resp.Body.Close()
	assert.Equal(t, http.StatusOK, resp.StatusCode)
}
