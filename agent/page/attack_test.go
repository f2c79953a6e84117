package page

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/web"
)

// stuck is a client that asks and doesn't read: writing its answer takes until it is let go.
type stuck struct {
	*httptest.ResponseRecorder
	held  *atomic.Int64
	ready *sync.WaitGroup
	free  chan struct{}
}

func (s *stuck) Write(b []byte) (int, error) {
	s.held.Add(int64(len(b)))
	s.ready.Done()
	<-s.free
	return s.ResponseRecorder.Write(b)
}

// stick has n clients of an address ask and not read. It returns what their answers hold, and lets
// them go at the end of the test.
func stick(t *testing.T, s *Server, n int, request func(i int) *http.Request) (held int64, codes map[int]int) {
	var bytes atomic.Int64
	var ready, done sync.WaitGroup
	free := make(chan struct{})
	all := make([]*stuck, n)
	for i := range n {
		all[i] = &stuck{httptest.NewRecorder(), &bytes, &ready, free}
		ready.Add(1)
		done.Go(func() { s.Handler().ServeHTTP(all[i], request(i)) })
	}
	ready.Wait()
	codes = map[int]int{}
	for _, w := range all {
		codes[w.Code]++
	}
	t.Cleanup(func() { close(free); done.Wait() })
	return bytes.Load(), codes
}

func formOf(from, path string, form url.Values) *http.Request {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Host, r.RemoteAddr = "192.168.4.1:8080", from
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return r
}

// The largest forms from strangers who don't read what they are told: nothing of them comes back.
func TestFormsOfStrangersAreNotSentBack(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	for _, size := range []int{1 << 10, web.MaxBody - 100, 4 * web.MaxBody} {
		held, codes := stick(t, s, 40, func(int) *http.Request {
			return formOf("10.0.0.1:1", "/visit/save", url.Values{"note": {strings.Repeat("x", size)}})
		})
		t.Log(size, held, codes)
		assert.Less(t, held, int64(40*(16<<10)))
		assert.Zero(t, codes[http.StatusOK])
	}
}

// Answers that nobody reads hold no more than their share, and another address is served.
func TestUnreadAnswersAreBounded(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	ask := func(from string) *http.Request {
		r := httptest.NewRequest(http.MethodGet, "/findings", nil)
		r.Host, r.RemoteAddr = "192.168.4.1:8080", from
		return r
	}
	held, codes := stick(t, s, 400, func(int) *http.Request { return ask("10.0.0.1:1") })
	t.Log(held, codes)
	assert.NotZero(t, codes[http.StatusServiceUnavailable], "more than its share was asked for")
	assert.Less(t, held, int64(3<<20+64<<10), "its share, and short answers")
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, ask("10.0.0.2:1"))
	assert.Equal(t, http.StatusOK, w.Code)
	held, _ = stick(t, s, 2000, func(i int) *http.Request {
		return ask("10.0." + string(rune('1'+i%8)) + ".1:1")
	})
	assert.Less(t, held, int64(6<<20+256<<10), "all addresses together are bounded, too")
}

// What a technician typed comes back with the question for the PIN, if the phone was let in before.
func TestAKnownPhoneLosesNothing(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	form := url.Values{"by": {"R. Vega"}, "note": {"typed text"}}
	long := url.Values{"by": {"R. Vega"}, "note": {strings.Repeat("typed text ", 1000)}}
	w := post(s, "/visit/save", long)
	require.Equal(t, http.StatusUnauthorized, w.Code)
	assert.NotContains(t, w.Body.String(), "typed text")
	assert.Contains(t, w.Body.String(), "go back in the browser")
	assert.Contains(t, w.Body.String(), `action="/pin"`)
	w = post(s, "/visit/begin", form, known(s))
	require.Equal(t, http.StatusUnauthorized, w.Code)
	assert.Contains(t, w.Body.String(), "typed text")
	assert.NotContains(t, w.Body.String(), "go back in the browser")
	form.Set("pin", rightPIN)
	assert.Equal(t, http.StatusSeeOther, post(s, "/visit/begin", form, known(s)).Code)
}

// A short form of a new phone is held on the unit until the PIN is given, and then taken; nothing of it
// is sent back. Strangers who send many push out what waits, and nothing else.
func TestAShortFormWaitsForItsPIN(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t))
	ask := func() (token string) {
		w := post(s, "/visit/begin", url.Values{"by": {"R. Vega"}})
		require.Equal(t, http.StatusUnauthorized, w.Code)
		assert.NotContains(t, w.Body.String(), "R. Vega")
		assert.Contains(t, w.Body.String(), "will be sent with the PIN")
		m := regexp.MustCompile(`name="held" value="(\w+)"`).FindStringSubmatch(w.Body.String())
		require.NotNil(t, m)
		return m[1]
	}
	token := ask()
	w := post(s, "/visit/begin", url.Values{"held": {token}, "pin": {"482916"}})
	assert.Equal(t, http.StatusUnauthorized, w.Code, "a wrong PIN")
	assert.Contains(t, w.Body.String(), token)
	assert.Equal(t, http.StatusSeeOther, post(s, "/visit/begin", url.Values{"held": {token}, "pin": {rightPIN}}).Code)
	require.NotNil(t, s.opts.Visits.Draft())
	assert.Equal(t, "R. Vega", s.opts.Visits.Draft().Fields["by"])

	s, _, _ = unit(t, sample(t, "findings"), full(t))
	token = ask()
	for range 100 {
		ask()
	}
	w = post(s, "/visit/begin", url.Values{"held": {token}, "pin": {rightPIN}})
	assert.Equal(t, http.StatusUnprocessableEntity, w.Code, "the name is asked for again")
}

// Signing in makes a browser known; over TLS its cookies stay there. Signing out ends the session
// for whoever has a copy.
func TestSessionsOfBrowsers(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	for _, secure := range []bool{false, true} {
		r := formOf("10.0.0.1:1", "/pin", url.Values{"pin": {rightPIN}})
		if secure {
			r.TLS = httptest.NewRequest(http.MethodGet, "https://x/", nil).TLS
		}
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		require.Equal(t, http.StatusSeeOther, w.Code)
		names := map[string]bool{}
		for _, c := range w.Result().Cookies() {
			names[c.Name] = true
			assert.Equal(t, secure, c.Secure, c.Name)
			assert.True(t, c.HttpOnly)
		}
		assert.True(t, names[web.SessionCookie] && names[web.DeviceCookie])
	}
	mine := session(s)
	assert.Equal(t, http.StatusSeeOther, post(s, "/pin/out", url.Values{}, mine).Code)
	assert.Equal(t, http.StatusUnauthorized, post(s, "/visit/begin", url.Values{"by": {"x"}}, mine).Code)
}

// With pin_to_read nothing of the unit is shown without the PIN, but what machines ask for.
func TestPINToRead(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"), full(t), func(o *Options) {
		o.PINToRead = true
		o.Metrics = http.HandlerFunc(func(http.ResponseWriter, *http.Request) {})
	})
	for _, path := range []string{"/", "/check", "/history", "/history/run?at=2026-03-09T14:00:00Z", "/visit", "/visits/x",
		"/findings", "/findings/feed-lost", "/recording/copy", "/nothing"} {
		w := get(s, path)
		assert.Equal(t, http.StatusSeeOther, w.Code, path)
		assert.Equal(t, "/pin?"+url.Values{"next": {path}}.Encode(), w.Header().Get("Location"))
	}
	for _, path := range []string{"/api/v1/snapshot", "/api/v1/findings", "/api/v1/history", "/api/v1/stream", "/live",
		"/api/v1/history/run"} {
		w := get(s, path)
		assert.Equal(t, http.StatusUnauthorized, w.Code, path)
		assert.NotContains(t, w.Body.String(), "12.")
	}
	for _, path := range []string{"/pin", "/metrics", "/healthz", "/readyz"} {
		assert.Equal(t, http.StatusOK, get(s, path).Code, path)
	}
	assert.Contains(t, get(s, "/pin").Body.String(), "only to those who have its PIN")
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.Host = "192.168.4.1:8080"
	session(s)(r)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	assert.Equal(t, http.StatusOK, w.Code)
}
