package desk

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/worklist"
	"liftbank/agent/internal/browsertest"
)

func TestMain(m *testing.M) {
	code := m.Run()
	browsertest.End()
	os.Exit(code)
}

// tab is a page in a browser, on a real port.
type tab struct {
	*testing.T
	f    *fixture
	ctx  context.Context
	addr string
}

func newTab(t *testing.T) *tab {
	t.Helper()
	browsertest.Need(t)
	f := newFixture(t)
	f.fill()
	s := httptest.NewServer(f.desk.Handler())
	f.desk.live.every = 20 * time.Millisecond
	stop, cancel := context.WithCancel(context.Background())
	ran := make(chan error)
	go func() { ran <- f.desk.Run(stop) }()
	t.Cleanup(func() {
		cancel()
		assert.NoError(t, <-ran)
		s.CloseClientConnections()
		s.Close()
	})
	return &tab{t, f, browsertest.Tab(t), s.URL}
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.Helper()
	browsertest.Do(b, b.ctx, steps...)
}

func (b *tab) open(path string) {
	b.Helper()
	b.do(chromedp.Navigate(b.addr + path))
}

func eval[T any](b *tab, js string) T {
	b.Helper()
	return browsertest.Eval[T](b, b.ctx, js)
}

func (b *tab) until(js string) {
	b.Helper()
	browsertest.Until(b, b.ctx, js, nil)
}

func (b *tab) look(width int64, dark bool) {
	b.Helper()
	b.do(chromedp.EmulateViewport(width, 800))
	browsertest.Dark(b, b.ctx, dark)
}

func (b *tab) picture(name string) {
	b.Helper()
	dir := os.Getenv(browsertest.ScreenshotsIn)
	if dir == "" {
		return
	}
	require.NoError(b, os.MkdirAll(dir, 0o755))
	require.NoError(b, os.WriteFile(filepath.Join(dir, name+".png"), browsertest.Picture(b, b.ctx), 0o644))
}

func (b *tab) sound(name string, narrow bool) {
	b.Helper()
	browsertest.Sound(b, b.ctx, name, narrow)
}

func TestPagesInABrowser(t *testing.T) {
	b := newTab(t)
	require.NoError(t, b.f.store.SetWork(t.Context(), "the desk", t0, "4017", worklist.Work{
		Key: worklist.Key{Name: "battery-tired", Subject: "b"}, State: worklist.Planned, Date: "2026-03-16", Who: "R. Vale", By: "the desk", At: t0,
	}))
	b.f.putStrings("4200")
	b.look(390, false)
	b.open("/")
	b.sound("login", true)
	b.do(chromedp.SendKeys("[name=name]", "the admin"), chromedp.SendKeys("[name=password]", testPassword), chromedp.Submit("[name=password]"))
	b.until(`location.pathname === '/' && document.querySelector('.work')`)
	pages := []struct{ name, path string }{
		{"worklist", "/"}, {"unit", "/units/4017"}, {"unit-week", "/units/4017?span=week"}, {"unit-year", "/units/4017?span=year"}, {"unit-urgent", "/units/4031"}, {"unit-strings", "/units/4200"}, {"units", "/units?q=40"}, {"parts", "/parts"}, {"visits", "/visits"},
		{"report", "/units/4017/visits/7"}, {"records", "/units/4017/records"}, {"import", "/import"}, {"audit", "/audit"}, {"accounts", "/accounts"},
		{"account", "/account"},
	}
	for _, p := range pages {
		b.open(p.path)
		for _, width := range []int64{390, 1280} {
			for _, dark := range []bool{false, true} {
				if dark && p.name != "worklist" && p.name != "unit" && p.name != "unit-urgent" {
					continue // the same colors
				}
				name := p.name + map[int64]string{390: "-phone", 1280: "-desk"}[width] + map[bool]string{true: "-dark"}[dark]
				b.look(width, dark)
				b.sound(name, width == 390)
				b.picture(name)
			}
		}
	}
	b.look(320, false)
	for _, path := range []string{"/", "/units/4017"} {
		b.open(path)
		b.sound("narrow "+path, true)
	}
	b.open("/units/4017?span=year")
	eval[bool](b, `document.querySelectorAll('#past details').forEach(d => d.open = true), true`)
	lines := eval[[]string](b, `[...document.querySelectorAll('.pl .l0, .pl .l1, .smp path')].map(p => {
		const s = getComputedStyle(p); return s.fill + ' ' + (s.stroke !== 'none') })`)
	require.NotEmpty(t, lines)
	for _, l := range lines {
		assert.Equal(t, "none true", l, "a curve is a line, not an area")
	}
	b.sound("tables of charts", true)
	b.picture("unit-year-tables")
}

// A page follows the fleet, and leaves what is being typed alone.
func TestPageFollowsTheFleet(t *testing.T) {
	b := newTab(t)
	b.look(1280, false)
	b.open("/")
	b.do(chromedp.SendKeys("[name=name]", "the desk"), chromedp.SendKeys("[name=password]", testPassword), chromedp.Submit("[name=password]"))
	b.until(`document.querySelector('.work') && document.querySelector('h1').textContent.startsWith('10 of')`)
	b.until(`document.getElementById('state').classList.contains('bad') === false`)
	f := fnd("bank-flat", "", "urgent", time.Minute)
	b.f.store.put(worklist.Unit{ID: "5003", HeardAt: t0, Findings: []findingOf{f}}, Data{Place: "Late Street"})
	b.until(`document.querySelector('h1').textContent.startsWith('11 of') && document.querySelector('[href="/units/5003"]')`)
	assert.Empty(t, eval[[]string](b, `window.bad`))

	b.open("/units/5003")
	b.until(`document.querySelector('h1')`)
	b.do(chromedp.SendKeys("[name=place]", " 7"))
	eval[bool](b, `window.told = 0, new EventSource('/live').addEventListener('changed', () => told++), true`)
	b.until(`window.told === 1`)
	b.f.store.put(worklist.Unit{ID: "5003", HeardAt: t0}, Data{Place: "Elsewhere"})
	b.until(`window.told > 1`)
	assert.Contains(t, eval[string](b, `document.querySelector('[name=place]').value`), " 7")
	resp, err := http.Get(b.addr + "/live")
	require.NoError(t, err)
	assert.Equal(t, http.StatusUnauthorized, resp.StatusCode)
	require.NoError(t, resp.Body.Close())
}
