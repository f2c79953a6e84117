package page

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/web"
)

// changing are the paths that forms are sent to.
var changing = []string{
	"/findings/act", "/visit/begin", "/visit/save", "/visit/work", "/visit/finish", "/visit/discard",
	"/visit/settle", "/visit/photo", "/check/compare", "/recording/copy", "/pin", "/pin/out", "/choices", "/settings",
	"/settings/undo", "/api/v1/settings",
}

// FuzzForms sends any body to any form, with and without a session: there is an answer, no error of
// ours, and nothing of hostile text comes back as markup.
func FuzzForms(f *testing.F) {
	for i := range changing {
		f.Add(uint8(i), true, "by=x&note=y&id=z&revision=1&name=feed-lost&do=acknowledge&pin=123456&kind=filter-changed")
		f.Add(uint8(i), false, url.Values{"text": {hostile}, "by": {hostile}, "next": {hostile}, "lang": {hostile}}.Encode())
	}
	s, _, _ := unit(f, sample(f, "findings"), full(f))
	f.Fuzz(func(t *testing.T, which uint8, known bool, body string) {
		r := httptest.NewRequest(http.MethodPost, changing[int(which)%len(changing)], strings.NewReader(body))
		r.Host = "192.168.4.1:8080"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		if known {
			session(s)(r)
		}
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		assert.Less(t, w.Code, http.StatusInternalServerError, body)
		assert.NotContains(t, w.Body.String(), "<script>alert")
		if next := w.Header().Get("Location"); next != "" {
			assert.Equal(t, next, web.OwnPath(next))
		}
	})
}

// FuzzHistoryQuery asks for any span of the past, as a page and as JSON.
func FuzzHistoryQuery(f *testing.F) {
	f.Add("span=1d&points=10")
	f.Add("from=2026-03-09T14:00:00Z&to=2026-03-09T15:00:00Z&points=4000")
	f.Add("from=0001-01-01T00:00:00Z&to=9999-12-31T23:59:59Z&at=x")
	f.Add("span=-1h&points=-1")
	s, _, _ := unit(f, sample(f, "findings"), full(f))
	f.Fuzz(func(t *testing.T, query string) {
		for _, path := range []string{"/history", "/api/v1/history", "/history/run", "/api/v1/history/run"} {
			r := httptest.NewRequest(http.MethodGet, path, nil)
			r.URL.RawQuery = query
			r.Host = "192.168.4.1:8080"
			w := httptest.NewRecorder()
			s.Handler().ServeHTTP(w, r)
			require.Less(t, w.Code, http.StatusInternalServerError, query)
		}
	})
}
