package page

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// turns is a switch that the next snapshot shows.
type turns struct {
	of func(*snapshot.UnderWay)
}

func (s turns) BeginWork(_ context.Context, kind, by string) error {
	now := time.Date(2026, 3, 9, 10, 20, 0, 0, time.UTC)
	s.of(&snapshot.UnderWay{Since: now, By: by, Ends: now.Add(4 * time.Hour), Kind: kind})
	return nil
}

func (s turns) EndWork(context.Context, string) error { s.of(nil); return nil }

// The line about work under way is on every page, sound in each width and language, and changes on a
// page that is open; the switch turns it.
func TestPageWorkUnderWay(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.opts.Switch = turns{func(w *snapshot.UnderWay) {
		s := numbered(rich(t), b.hub.Current().Seq+1)
		s.Work = w
		b.hub.Publish(s)
	}}
	b.opts.WorkTime = 4 * time.Hour
	b.kill()
	b.start("127.0.0.1:0")
	head := `document.querySelector('#under-way b')?.textContent ?? ''`
	for _, width := range some[int64](phone, desk) {
		tab := b.browse(width)
		tab.signIn()
		for _, l := range words.Languages {
			want := words.Fill(words.Fill(words.Fill(l.W["WorkSince"], "since", "10:20 UTC"), "ends", "14:20 UTC"), "by", "R. V.")
			tab.open("/")
			tab.follow(fmt.Sprintf(`button[name=lang][value=%s]`, l.Tag))
			tab.open("/work")
			tab.sound(fmt.Sprintf("work-off-%d-%s", width, l.Tag))
			eval[bool](tab, `document.getElementById('work-by').value = 'R. V.'; true`)
			tab.follow("main form button")
			for _, path := range []string{"/visit", "/work", "/history", "/findings", "/"} {
				tab.open(path)
				assert.Equal(t, want, eval[string](tab, head), path)
				tab.sound(fmt.Sprintf("work%s-%d-%s", path, width, l.Tag))
			}
			tab.picture(fmt.Sprintf("work-%d-%s", width, l.Tag))
			require.NoError(t, b.opts.Switch.EndWork(t.Context(), ""))
			tab.until(`!document.querySelector('#under-way b')`)
		}
	}
}

// Without a PIN, and without a switch, nobody turns it.
func TestWhoMayTurnTheSwitch(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Options)
		status int
	}{
		"no PIN":    {func(o *Options) { o.PIN = nil }, http.StatusForbidden},
		"no switch": {func(o *Options) { o.Switch = nil }, http.StatusServiceUnavailable},
	} {
		t.Run(name, func(t *testing.T) {
			address, _, _ := live(t, sample(t, "healthy"), full(t, func(o *Options) {
				o.Switch, o.WorkTime = turns{func(*snapshot.UnderWay) { t.Error("turned") }}, time.Hour
				c.change(o)
			}))
			resp, err := http.PostForm("http://"+address+"/work", url.Values{"do": {"begin"}, "by": {"K."}, "pin": {rightPIN}})
			require.NoError(t, err)
			resp.Body.Close()
			assert.Equal(t, c.status, resp.StatusCode)
		})
	}
}
