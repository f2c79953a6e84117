package agent_test

import (
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/page/web"
	"liftbank/agent/store/outbox"
	"liftbank/agent/visit"
)

// A visit begun on one agent goes on with the next one in the same folders, and so does the
// session.
func TestAVisitOutlivesTheAgent(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		dir := t.TempDir()
		savePIN(t, filepath.Join(dir, "pin"))
		with := func(o *agent.Options) {
			w.listen(o)
			c := &o.Config
			c.Visits.Dir, c.Visits.PINFile = filepath.Join(dir, "visits"), filepath.Join(dir, "pin")
		}
		var session *http.Cookie
		client := w.client()
		defer client.CloseIdleConnections()
		post := func(b *bench, path string, form url.Values) int {
			req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, b.addr+path,
				strings.NewReader(form.Encode()))
			require.NoError(t, err)
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			if session != nil {
				req.AddCookie(session)
			}
			resp, err := client.Do(req)
			require.NoError(t, err)
			resp.Body.Close()
			for _, c := range resp.Cookies() {
				if c.Name == web.SessionCookie {
					session = c
				}
			}
			return resp.StatusCode
		}

		b := newBench(t, with)
		stop := b.start(t)
		_, err := b.agent.Hub().Next(t.Context(), 0)
		require.NoError(t, err)
		assert.Equal(t, http.StatusUnauthorized, post(b, "/visit/begin", url.Values{"by": {"R. Vega"}}))
		require.Equal(t, http.StatusSeeOther, post(b, "/visit/begin", url.Values{"by": {"R. Vega"}, "pin": {"482915"}}))
		client.CloseIdleConnections()
		require.NoError(t, stop())

		b = newBench(t, with)
		stop = b.start(t)
		resp, err := client.Get(b.addr + "/visit")
		require.NoError(t, err)
		page, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		require.NoError(t, err)
		assert.Contains(t, string(page), "R. Vega. Started")
		assert.Equal(t, http.StatusConflict, post(b, "/visit/discard", url.Values{"id": {"20200101t000000-abc123"}}),
			"the session holds; that visit isn't this one")
		client.CloseIdleConnections()
		require.NoError(t, stop())
	})
}

// A visit that an earlier start finished and could not forward goes into the outbox after the first
// scan, once.
func TestAVisitLeftBehindIsForwarded(t *testing.T) {
	dir := t.TempDir()
	form := visit.NewForm(visit.DefaultChecklist(), []string{"a", "b"})
	k, err := visit.Open(visit.Options{Dir: dir, Unit: "lift-1", Form: form})
	require.NoError(t, err)
	d, err := k.Begin("R. Vega", "abc123", visit.Facts{At: time.Now()})
	require.NoError(t, err)
	v, err := k.Finish(d.ID, visit.Facts{At: time.Now()})
	require.NoError(t, err)

	b := newBench(t, withMQTT, func(o *agent.Options) { o.Config.Visits.Dir = dir })
	stop := b.start(t)
	forwarded := func() bool {
		list, err := filepath.Glob(filepath.Join(dir, "*.sent"))
		return err == nil && len(list) == 1
	}
	require.Eventually(t, forwarded, 20*time.Second, 10*time.Millisecond)
	list, err := b.agent.Store().Outlet("mqtt").After(t.Context(), outbox.Visits, 0, 10)
	require.NoError(t, err)
	require.Len(t, list, 1)
	assert.Contains(t, string(list[0].Body), v.ID)
	require.NoError(t, stop())
}
