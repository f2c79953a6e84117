package page

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"maps"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// startTLS serves over TLS, with a certificate of its own.
func (b *bench) startTLS(addr string) {
	b.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(b, err)
	about := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, about, about, &key.PublicKey, key)
	require.NoError(b, err)
	l := b.open(addr)
	b.stop = serve(b.T, b.s, tls.NewListener(l, &tls.Config{
		Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}, NextProtos: []string{"http/1.1"},
	}))
}

func (t *tab) openTLS(path string) {
	t.Helper()
	t.do(chromedp.Navigate("https://" + t.addr + path))
}

// has waits until a page is kept, and says in which cache.
func (t *tab) has(path string) (cache string) {
	t.Helper()
	require.Eventually(t, func() bool {
		cache = eval[string](t, `(async () => { for (var n of await caches.keys()) { if (await (await caches.open(n)).match('`+path+`')) return n; }
			return ''; })()`)
		return cache != ""
	}, browserPatience, 20*time.Millisecond, path)
	return cache
}

// Over TLS the last answers are there when the unit isn't, say how old they are and don't pass for live; the live ones
// take their place.
func TestPageKeepsLastAnswers(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.stop()
	b.startTLS("127.0.0.1:0")
	tab := b.browse(phone)
	tab.openTLS("/healthz")
	eval[bool](tab, `caches.open('liftbank-of-an-earlier-build').then(() => true)`)
	tab.openTLS("/")
	tab.until(`navigator.serviceWorker.controller`)
	open := tab.has("/")
	assert.Equal(t, "liftbank-"+b.s.site.Assets.Build, open, "the first page, though the worker came after it")
	require.Eventually(t, func() bool { return !eval[bool](tab, `caches.has('liftbank-of-an-earlier-build')`) }, browserPatience,
		20*time.Millisecond, "what an earlier build kept is dropped")
	tab.openTLS("/history?span=30d")
	tab.has("/history")
	b.kill()
	for _, path := range []string{"/", "/history"} {
		tab.openTLS(path)
		tab.until(`document.getElementById('lastseen') !== null`)
		assert.Regexp(t, `^Last seen \d\d:\d\d, \d+\x{a0}s ago; the unit can’t be reached$`,
			eval[string](tab, `document.getElementById('lastseen').textContent`), path)
		assert.Zero(t, eval[int](tab, `document.getElementById('age').getClientRects().length`), "no age of live data: %s", path)
		assert.True(t, eval[bool](tab, `getComputedStyle(document.getElementById('lastseen')).position === 'sticky'`), "the sheet is kept, too")
		tab.sound("offline " + path)
		tab.picture("offline-390" + map[string]string{"/": "", "/history": "-history"}[path])
	}
	assert.Equal(t, 5, eval[int](tab, `document.querySelectorAll('svg.lines').length`))
	tab.openTLS("/findings/feed-lost")
	tab.until(`document.querySelector('h1').textContent.includes('can’t be reached')`)
	assert.Equal(t, []string{"/", "/history"}, eval[[]string](tab, `[...document.querySelectorAll('main a')].map(a => a.getAttribute('href')).sort()`))
	tab.sound("offline, never seen")

	tab.openTLS("/")
	tab.until(`document.getElementById('lastseen') !== null`)
	b.startTLS(b.addr)
	tab.until(`document.getElementById('lastseen') === null && document.getElementById('age').getClientRects().length > 0`)
}

// A page that is old is as old as it is, in the reader's language, and counts on.
func TestPageKeptSaysItsAge(t *testing.T) {
	b := newBench(t)
	b.stop()
	b.startTLS("127.0.0.1:0")
	tab := b.browse(phone)
	tab.openTLS("/")
	tab.until(`navigator.serviceWorker.controller`)
	tab.follow(`button[lang="es"]`)
	tab.until(`document.documentElement.lang === 'es'`)
	name := tab.has("/")
	eval[bool](tab, `(async () => { var c = await caches.open('`+name+`'), r = await c.match('/'), h = new Headers(r.headers);
		h.set('X-Seen', String(Date.now() - 35 * 60000)); await c.put('/', new Response(await r.text(), {headers: h})); return true; })()`)
	b.kill()
	tab.openTLS("/")
	tab.until(`document.getElementById('lastseen') !== null`)
	// Just after midnight it was yesterday.
	assert.Regexp(t, `^Visto por última vez (\d+ \w+, )?\d\d:\d\d, hace 35\x{a0}min; no se puede llegar a la unidad$`,
		eval[string](tab, `document.getElementById('lastseen').textContent`))
	assert.InDelta(t, 35*60, eval[float64](tab, `Number(document.body.dataset.age)`), 60, "what counts the age of the data knows")
}

// What was kept behind the PIN goes when its reader signs out, also without the unit, and when the session has ended.
func TestPageKeepsNothingOfWhoSignedOut(t *testing.T) {
	b := newBench(t)
	b.stop()
	b.startTLS("127.0.0.1:0")
	begin(t, b.s)
	tab := b.browse(phone)
	private := "liftbank-" + b.s.site.Assets.Build + "-private"
	in := func() {
		tab.openTLS("/pin")
		tab.until(`navigator.serviceWorker.controller`) // a page that loads while it begins is not its own
		tab.do(chromedp.SendKeys("#pin", rightPIN))
		tab.follow("button.main")
		tab.openTLS("/visit/start")
		assert.Equal(t, private, tab.has("/visit/start"))
	}
	gone := func(why string) {
		require.Eventually(t, func() bool { return !eval[bool](tab, `caches.has('`+private+`')`) }, browserPatience, 20*time.Millisecond, why)
	}
	in()
	tab.follow(`form[action="/pin/out"] button`)
	gone("signed out")

	in()
	require.Eventually(t, func() bool { // again: what the page still asks for may bring its cookie back
		_, err := chromedp.Call(tab.ctx, network.ClearBrowserCookies, cdp.Empty{})
		require.NoError(t, err)
		tab.openTLS("/")
		return !eval[bool](tab, `caches.has('`+private+`')`)
	}, browserPatience, 100*time.Millisecond, "the session has ended, as the next page shows")

	in()
	b.kill()
	tab.openTLS("/visit/start")
	tab.until(`document.getElementById('lastseen') !== null && document.getElementById('visit') !== null`)
	tab.do(chromedp.Click(`form[action="/pin/out"] button`))
	tab.until(`location.protocol === 'chrome-error:' || document.getElementById('lastseen') === null`) // the form went nowhere
	for end := time.Now().Add(browserPatience); ; {
		ctx, cancel := context.WithTimeout(tab.ctx, browserPatience)
		_ = chromedp.Do(ctx, chromedp.Navigate("https://"+tab.addr+"/visit/start"))
		said, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.querySelector('h1').textContent`))
		cancel()
		if err == nil && said == "The unit can’t be reached" {
			break
		}
		require.True(t, time.Now().Before(end), "%q %v", said, err)
	}
}

// A page that was asked for by somebody signed in, and comes when he has signed out, is not kept.
func TestPageKeepsNothingThatComesLate(t *testing.T) {
	b := newBench(t)
	b.stop()
	asked, late := make(chan struct{}), make(chan struct{})
	b.wrap = func(h http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path != "/history" {
				h.ServeHTTP(w, r)
				return
			}
			answer := httptest.NewRecorder()
			h.ServeHTTP(answer, r)
			close(asked)
			select {
			case <-late:
			case <-r.Context().Done():
			}
			maps.Copy(w.Header(), answer.Header())
			_, _ = w.Write(answer.Body.Bytes())
		})
	}
	b.startTLS("127.0.0.1:0")
	tab := b.browse(phone)
	tab.openTLS("/pin")
	tab.until(`navigator.serviceWorker.controller`)
	tab.do(chromedp.SendKeys("#pin", rightPIN))
	tab.follow("button.main")
	ask := func(path string) {
		eval[bool](tab, `navigator.serviceWorker.ready.then(r => { r.active.postMessage({keep: '`+path+`'}); return true; })`)
	}
	ask("/history")
	select {
	case <-asked:
	case <-time.After(browserPatience):
		t.Fatal("the worker doesn't ask")
	}
	tab.follow(`form[action="/pin/out"] button`)
	tab.openTLS("/check")
	tab.has("/check")
	close(late)
	for range 100 { // more than it takes to be kept
		require.False(t, eval[bool](tab, `caches.match('/history').then(r => r !== undefined)`))
	}
}

// An answer that is so late that the page kept last was shown instead ends what was kept behind the PIN, too.
func TestPageKeepsNothingAfterALateAnswer(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.stop()
	late := make(chan struct{})
	var slow atomic.Bool
	b.wrap = func(h http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if slow.Load() && r.URL.Path == "/check" {
				select {
				case <-late:
				case <-r.Context().Done():
				}
			}
			h.ServeHTTP(w, r)
		})
	}
	b.startTLS("127.0.0.1:0")
	tab := b.browse(phone)
	tab.openTLS("/pin")
	tab.until(`navigator.serviceWorker.controller`)
	tab.do(chromedp.SendKeys("#pin", rightPIN))
	tab.follow("button.main")
	tab.openTLS("/check")
	private := tab.has("/check")
	assert.Contains(t, private, "-private")
	_, err := chromedp.Call(tab.ctx, network.ClearBrowserCookies, cdp.Empty{})
	require.NoError(t, err)
	slow.Store(true)
	tab.openTLS("/check")
	tab.until(`document.getElementById('lastseen') !== null`)
	close(late)
	require.Eventually(t, func() bool { return !eval[bool](tab, `caches.has('`+private+`')`) }, browserPatience, 20*time.Millisecond)
}

// Without TLS nothing is kept, on loopback either: another demonstration may be there tomorrow.
func TestPageKeepsNothingWithoutTLS(t *testing.T) {
	tab := newBench(t).browse(phone)
	tab.open("/")
	tab.until(`document.readyState === 'complete'`)
	require.True(t, eval[bool](tab, `isSecureContext`))
	assert.Zero(t, eval[int](tab, `navigator.serviceWorker.getRegistrations().then(r => r.length)`))
	assert.Empty(t, eval[[]string](tab, `caches.keys()`))
}

// The page can be put on a phone's first screen: the browser finds no fault with its manifest and its icons.
func TestPageIsAnApplication(t *testing.T) {
	b := newBench(t)
	tab := b.browse(phone)
	tab.open("/")
	var m struct {
		Name, Display, Scope string
		StartURL             string `json:"start_url"`
		Icons                []struct{ Src, Sizes, Type string }
	}
	answer := get(b.s, "/manifest.webmanifest")
	assert.Equal(t, "application/manifest+json", answer.Header().Get("Content-Type"))
	require.NoError(t, json.Unmarshal(answer.Body.Bytes(), &m))
	assert.Contains(t, m.Name, "t-1042")
	for _, i := range m.Icons {
		got := get(b.s, i.Src)
		assert.Equal(t, i.Type, got.Header().Get("Content-Type"))
		size := eval[[]int](tab, `new Promise(done => { var i = new Image(); i.onload = () => done([i.naturalWidth, i.naturalHeight]); i.src = '`+i.Src+`'; })`)
		assert.Equal(t, size[0], size[1], "square")
	}
	assert.Equal(t, 512, eval[int](tab, `new Promise(done => { var i = new Image(); i.onload = () => done(i.naturalWidth);
		i.src = document.querySelector('link[rel=apple-touch-icon]').href; })`))
	assert.Empty(t, eval[[]string](tab, `window.bad`))
}
