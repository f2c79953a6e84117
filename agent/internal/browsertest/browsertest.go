// Package browsertest has tests of pages use Chromium: it starts one for all tests of a package, and
// holds what every page must keep to.
package browsertest

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/storage"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/slowtest"
)

// ScreenshotsIn is the environment variable that names a folder for pictures.
const ScreenshotsIn = "LIFTBANK_SCREENSHOTS"

// Patience is for a browser on a machine that others use too.
const Patience = time.Minute

func path() string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			return p
		}
	}
	return ""
}

// Need skips a test where there is no browser; where everything has been installed it fails.
func Need(t testing.TB) {
	t.Helper()
	if path() != "" {
		return
	}
	if os.Getenv("CI") == "true" {
		t.Fatal("no Chromium: apt-get install chromium")
	}
	t.Skip("no Chromium: install it (Debian: chromium) to test the pages in a browser")
}

// shared is started by the first test that needs it and serves all: a start takes longer than most of
// what is tested in it. Each tab has a browser context of its own.
var shared struct {
	once sync.Once
	ctx  context.Context
	end  func()
	err  error
}

// Start returns the browser, started with flags by whoever is first. The package's TestMain calls [End].
func Start(t testing.TB, flags ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	Need(t)
	shared.once.Do(func() {
		all := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path()), chromedp.NoSandbox)
		for _, off := range []string{"background-networking", "component-update", "sync", "quic"} {
			all = append(all, chromedp.Flag("disable-"+off, true))
		}
		ctx, cancel := chromedp.NewExecAllocator(context.Background(), append(all, flags...)...)
		ctx, cancelTab := chromedp.NewContext(ctx)
		shared.ctx, shared.end = ctx, func() { cancelTab(); cancel() }
		shared.err = chromedp.Do(ctx) // a time limit on the first call would be the browser's
	})
	require.NoError(t, shared.err)
	return shared.ctx
}

// End ends the browser if one was started.
func End() {
	if shared.end != nil {
		shared.end()
	}
}

// Watch has each page of a tab keep in window.bad what the policy blocks and what scripts throw.
func Watch(t testing.TB, tab context.Context) {
	t.Helper()
	const watch = `
		window.bad = [];
		document.addEventListener('securitypolicyviolation', e =>
			bad.push('policy: ' + e.violatedDirective + ' ' + e.blockedURI));
		window.addEventListener('error', e => bad.push('error: ' + e.message));
		window.addEventListener('unhandledrejection', e => bad.push('rejection: ' + e.reason));`
	_, err := chromedp.Call(tab, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: watch})
	require.NoError(t, err)
}

// left are tabs that ended tests have left, as good as new.
var left = struct {
	sync.Mutex
	tabs []leftTab
}{}

type leftTab struct {
	ctx   context.Context
	close func()
}

// Tab opens a tab with cookies and a cache of its own, watched. It may be one that an ended test has left: a new one has a
// window and a process of its own, and takes more than a second to compute.
func Tab(t testing.TB, flags ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	browser := Start(t, flags...)
	var tab leftTab
	left.Lock()
	if n := len(left.tabs); n > 0 {
		tab, left.tabs = left.tabs[n-1], left.tabs[:n-1]
	}
	left.Unlock()
	if tab.ctx == nil {
		tab.ctx, tab.close = chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	}
	t.Cleanup(func() {
		if t.Failed() || forget(tab.ctx) != nil {
			tab.close()
			return
		}
		left.Lock()
		defer left.Unlock()
		left.tabs = append(left.tabs, tab)
	})
	if chromedp.FromContext(tab.ctx).Target == nil { // a new one
		require.NoError(t, chromedp.Do(tab.ctx))
		Watch(t, tab.ctx)
	}
	return tab.ctx
}

// forget leaves nothing in a tab of what a test did there: what it stored, its cookies, its ways of looking.
func forget(tab context.Context) error {
	ctx, cancel := context.WithTimeout(tab, Patience)
	defer cancel()
	origin, err := chromedp.Run(ctx, chromedp.Evaluate[string](`location.origin`))
	if err != nil {
		return err
	}
	err = chromedp.Do(ctx, chromedp.Navigate("about:blank"))
	for _, step := range []func() error{
		func() error { return call(ctx, network.ClearBrowserCookies, cdp.Empty{}) },
		func() error { return call(ctx, network.ClearBrowserCache, cdp.Empty{}) },
		func() error {
			if origin == "null" { // of a page that is none of a server's
				return nil
			}
			return call(ctx, storage.ClearDataForOrigin, storage.ClearDataForOriginParams{Origin: origin, StorageTypes: "all"})
		},
		func() error { return call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{}) },
		func() error { return call(ctx, emulation.SetTimezoneOverride, emulation.SetTimezoneOverrideParams{}) },
		func() error { return call(ctx, emulation.ClearDeviceMetricsOverride, cdp.Empty{}) },
		func() error {
			return call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{})
		},
		func() error {
			return call(ctx, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
				MatchedNetworkConditions: []*network.Conditions{},
			})
		},
		func() error { return call(ctx, page.ResetNavigationHistory, cdp.Empty{}) },
	} {
		if err == nil {
			err = step()
		}
	}
	return err
}

// call asks a tab for something whose answer says nothing.
func call[P, R any](ctx context.Context, c cdp.Command[P, R], p P) error {
	_, err := chromedp.Call(ctx, c, p)
	return err
}

// Do does steps in a tab.
func Do(t testing.TB, tab context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(tab, Patience)
	defer cancel()
	require.NoError(t, chromedp.Do(ctx, steps...))
}

// Eval returns what a script gives, once its promise is kept.
func Eval[T any](t testing.TB, tab context.Context, js string) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(tab, Patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	require.NoError(t, err, js)
	return v
}

// Until waits for a condition in the page, across loads of others. failed, if any, is called before the
// test ends in vain.
func Until(t testing.TB, tab context.Context, js string, failed func()) {
	t.Helper()
	ctx, cancel := context.WithTimeout(tab, Patience)
	defer cancel()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for {
		if ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+js+")")); err == nil && ok {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			if failed != nil {
				failed()
			}
			require.Fail(t, "waited in vain", js)
		}
	}
}

// Dark has pages look as at night.
func Dark(t testing.TB, tab context.Context, on bool) {
	t.Helper()
	value := "light"
	if on {
		value = "dark"
	}
	_, err := chromedp.Call(tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}},
	})
	require.NoError(t, err)
}

// Rules of axe-core: those of the levels A and AA of WCAG up to 2.2, and what of them depends on colors.
const (
	allRules   = `['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22aa','best-practice']`
	colorRules = `{type: 'rule', values: ['color-contrast', 'link-in-text-block']}`
)

// axed are the pages that axe-core was run on, and the tests that have said that it was left out on others.
var axed = struct {
	sync.Mutex
	pages, told map[string]bool
}{pages: map[string]bool{}, told: map[string]bool{}}

// axeToo reports whether axe-core is to look at a page, which takes a third to a half of a second, most of what a browser
// computes in a test: always where the longest tests are asked for, else once for each path; not under the race
// detector, which doesn't watch the browser.
func axeToo(t testing.TB, tab context.Context) bool {
	t.Helper()
	if slowtest.LongAsked() && !slowtest.UnderRace {
		return true
	}
	path := Eval[string](t, tab, `location.pathname`)
	axed.Lock()
	defer axed.Unlock()
	if !axed.pages[path] && !slowtest.UnderRace {
		axed.pages[path] = true
		return true
	}
	if !axed.told[t.Name()] {
		axed.told[t.Name()] = true
		slowtest.LeftOut(t, "axe-core on pages whose path it has seen")
	}
	return false
}

// Sound checks what must hold on every page: no violation found by axe-core, nothing blocked by the
// policy, no error of a script, nothing wider than the screen; for fingers, targets of 44 px or more
// (WCAG 2.2, 2.5.8 wants 24, which axe checks everywhere). In the dark only the colors differ from what
// was checked in the light. A plain run has axe-core look at each path once.
func Sound(t testing.TB, tab context.Context, name string, fingers bool) {
	t.Helper()
	assert.Empty(t, Eval[[]string](t, tab, `window.bad`), name)
	if axeToo(t, tab) {
		Axe(t, tab, name)
	}
	Fits(t, tab, name, fingers)
}

// Axe checks that axe-core finds nothing on a page.
func Axe(t testing.TB, tab context.Context, name string) {
	t.Helper()
	Eval[bool](t, tab, axe(t)+";true")
	rules := allRules
	if Eval[bool](t, tab, `matchMedia('(prefers-color-scheme: dark)').matches`) {
		rules = colorRules
	}
	assert.Empty(t, Eval[[]string](t, tab, `axe.run(document, {runOnly: `+rules+`}).then(r =>
		r.violations.map(v => v.id + ': ' + v.help + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(' | ')))`), name)
}

// Fits checks that nothing is wider than the screen and, for fingers, that targets are 44 px or more.
func Fits(t testing.TB, tab context.Context, name string, fingers bool) {
	t.Helper()
	assert.LessOrEqual(t, Eval[int](t, tab, `document.documentElement.scrollWidth - window.innerWidth`), 0, "%s: wider than the screen", name)
	if !fingers {
		return
	}
	small := Eval[[]string](t, tab, `[...document.querySelectorAll('a[href], button, select, input:not([type=hidden]), `+
		`textarea, summary')].map(e =>
		['radio', 'checkbox'].includes(e.type) ? e.parentElement : e).filter(e => {
			var r = e.getBoundingClientRect(), s = getComputedStyle(e);
			return r.width > 2 && s.visibility !== 'hidden' && !e.classList.contains('skip') &&
			(r.height < 43.9 || r.width < 43.9); }).map(e => e.outerHTML.slice(0, 120))`)
	assert.Empty(t, small, name+": too small for a glove")
}

// axe returns the checker, which the tests of the unit's pages have.
var axe = func() func(testing.TB) string {
	read := sync.OnceValues(func() (string, error) {
		dir, err := os.Getwd()
		for err == nil {
			if _, e := os.Stat(filepath.Join(dir, "go.mod")); e == nil {
				break
			}
			if up := filepath.Dir(dir); up != dir {
				dir = up
				continue
			}
			err = fmt.Errorf("no go.mod above the test's folder")
		}
		if err != nil {
			return "", err
		}
		b, err := os.ReadFile(filepath.Join(dir, "agent", "page", "testdata", "axe.min.js"))
		return string(b), err
	})
	return func(t testing.TB) string {
		t.Helper()
		text, err := read()
		require.NoError(t, err)
		return text
	}
}()

// Picture returns the whole page as it looks.
func Picture(t testing.TB, tab context.Context) []byte {
	t.Helper()
	ctx, cancel := context.WithTimeout(tab, Patience)
	defer cancel()
	b, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	require.NoError(t, err)
	return b
}
