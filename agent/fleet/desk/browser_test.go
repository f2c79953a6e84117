package desk

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/worklist"
)

// screenshotsIn is the environment variable that names a folder for pictures.
const screenshotsIn = "LIFTBANK_SCREENSHOTS"

// browserPatience is for a browser on a machine that others use too.
const browserPatience = 30 * time.Second

// tab is a page in a browser, on a real port.
type tab struct {
	*testing.T
	f    *fixture
	ctx  context.Context
	addr string
}

func browserPath() string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			return p
		}
	}
	return ""
}

func newTab(t *testing.T) *tab {
	t.Helper()
	if browserPath() == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("no Chromium: apt-get install chromium")
		}
		t.Skip("no Chromium: install it (Debian: chromium) to test the pages in a browser")
	}
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
	ctx, end := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(browserPath()), chromedp.NoSandbox, chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("disable-quic", true))...)
	t.Cleanup(end)
	ctx, endTab := chromedp.NewContext(ctx)
	t.Cleanup(endTab)
	require.NoError(t, chromedp.Do(ctx)) // a time limit on the first call would be the browser's
	b := &tab{t, f, ctx, s.URL}
	const watch = `
		window.bad = [];
		document.addEventListener('securitypolicyviolation', e =>
			bad.push('policy: ' + e.violatedDirective + ' ' + e.blockedURI));
		window.addEventListener('error', e => bad.push('error: ' + e.message));
		window.addEventListener('unhandledrejection', e => bad.push('rejection: ' + e.reason));`
	_, err := chromedp.Call(ctx, cdpage.AddScriptToEvaluateOnNewDocument, cdpage.AddScriptToEvaluateOnNewDocumentParams{Source: watch})
	require.NoError(t, err)
	return b
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, browserPatience)
	defer cancel()
	require.NoError(b, chromedp.Do(ctx, steps...))
}

func (b *tab) open(path string) {
	b.Helper()
	b.do(chromedp.Navigate(b.addr + path))
}

func eval[T any](b *tab, js string) T {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, browserPatience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	require.NoError(b, err, js)
	return v
}

func (b *tab) until(js string) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, browserPatience)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		if ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+js+")")); err == nil && ok {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			require.Fail(b, "waited in vain", js)
		}
	}
}

func (b *tab) look(width int64, dark bool) {
	b.Helper()
	value := "light"
	if dark {
		value = "dark"
	}
	b.do(chromedp.EmulateViewport(width, 800))
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}},
	})
	require.NoError(b, err)
}

func (b *tab) picture(name string) {
	b.Helper()
	dir := os.Getenv(screenshotsIn)
	if dir == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, browserPatience)
	defer cancel()
	data, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	require.NoError(b, err)
	require.NoError(b, os.MkdirAll(dir, 0o755))
	require.NoError(b, os.WriteFile(filepath.Join(dir, name+".png"), data, 0o644))
}

// sound checks what must hold on every page: no violation found by axe-core, nothing blocked by the
// policy, no error of a script, nothing wider than the screen, targets of 44 px or more where fingers
// press (WCAG 2.2, 2.5.8 wants 24, which axe checks on the desk).
func (b *tab) sound(name string, narrow bool) {
	b.Helper()
	assert.Empty(b, eval[[]string](b, `window.bad`), name)
	axe, err := os.ReadFile(filepath.Join("..", "..", "page", "testdata", "axe.min.js"))
	require.NoError(b, err)
	eval[bool](b, string(axe)+";true")
	assert.Empty(b, eval[[]string](b, `axe.run(document, {runOnly: ['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22aa','best-practice']}).then(r =>
		r.violations.map(v => v.id + ': ' + v.help + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(' | ')))`), name)
	assert.LessOrEqual(b, eval[int](b, `document.documentElement.scrollWidth - window.innerWidth`), 0, "%s: wider than the screen", name)
	if narrow {
		assert.Empty(b, eval[[]string](b, `[...document.querySelectorAll('a[href], button, select, input:not([type=hidden]), textarea, summary')].map(e =>
			['radio','checkbox'].includes(e.type) ? e.parentElement : e).filter(e => { var r = e.getBoundingClientRect(), s = getComputedStyle(e);
			return r.width > 2 && s.visibility !== 'hidden' && !e.classList.contains('skip') &&
			(r.height < 43.9 || r.width < 43.9); }).map(e => e.outerHTML.slice(0, 120))`), name+": too small for a glove")
	}
}

func TestPagesInABrowser(t *testing.T) {
	b := newTab(t)
	require.NoError(t, b.f.store.SetWork(t.Context(), "the desk", t0, "4017", worklist.Work{
		Key: worklist.Key{Name: "battery-tired", Subject: "b"}, State: worklist.Planned, Date: "2026-03-16", Who: "R. Vale", By: "the desk", At: t0,
	}))
	b.look(390, false)
	b.open("/")
	b.sound("login", true)
	b.do(chromedp.SendKeys("[name=name]", "the admin"), chromedp.SendKeys("[name=password]", testPassword), chromedp.Submit("[name=password]"))
	b.until(`location.pathname === '/' && document.querySelector('.work')`)
	pages := []struct{ name, path string }{
		{"worklist", "/"}, {"unit", "/units/4017"}, {"unit-urgent", "/units/4031"}, {"units", "/units?q=40"}, {"parts", "/parts"}, {"visits", "/visits"},
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
	b.open("/")
	b.sound("narrow", true)
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
