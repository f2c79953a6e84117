package agent

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/page"
	"liftbank/agent/pin"
	"liftbank/agent/trouble"
)

// What can't be used at the start is taken up while the agent runs, as soon as it can be, and is no
// trouble any more.
func TestWhatCouldNotBeUsedIsTakenUpWithoutARestart(t *testing.T) {
	secret, err := pin.Make("482915") // outside: it takes real time
	require.NoError(t, err)
	synctest.Test(t, func(t *testing.T) {
		a, _ := watched()
		dir := t.TempDir()
		file := func(name string) string { return filepath.Join(dir, name) }
		cfg := &a.opts.Config
		cfg.Unit.ID = "t-1042"
		cfg.Bank.Batteries = []config.Battery{{ID: "a"}}
		cfg.HTTP.MetricsUser, cfg.HTTP.MetricsPasswordFile = "prometheus", file("password")
		cfg.Visits.PINFile, cfg.Visits.Dir = file("pin"), filepath.Join(file("data"), "visits")
		require.NoError(t, os.WriteFile(file("pin"), []byte("half a line"), 0o600))
		require.NoError(t, os.WriteFile(file("data"), nil, 0o600)) // where a folder should be
		var err error
		a.store, err = OpenStore(*cfg, "", "s1", time.Now, a.opts.Log)
		require.NoError(t, err)
		defer func() { require.NoError(t, a.store.Close()) }()
		a.server, err = page.New(a.pageOptions())
		require.NoError(t, err)

		parts := func() (list []string) {
			for _, t := range a.Troubles() {
				list = append(list, t.Part)
			}
			return list
		}
		ask := func(method, path, password string, form url.Values) int {
			r := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
			r.Host = "192.168.4.1:8080"
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			if password != "" {
				r.SetBasicAuth("prometheus", password)
			}
			w := httptest.NewRecorder()
			a.server.Handler().ServeHTTP(w, r)
			return w.Code
		}
		figures := func() int { return ask(http.MethodGet, "/metrics", "secret", nil) }
		signIn := func() int { return ask(http.MethodPost, "/pin", "", nil) }
		visit := func() int { return ask(http.MethodPost, "/visit/begin", "", url.Values{"by": {"R. Vega"}}) }
		assert.Equal(t, []string{trouble.Metrics, trouble.PIN, trouble.Visits}, parts())
		assert.Equal(t, http.StatusServiceUnavailable, figures())
		assert.Equal(t, http.StatusForbidden, signIn())
		assert.Equal(t, http.StatusServiceUnavailable, visit())

		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- a.retry(ctx) }()
		wait := func() { time.Sleep(retryEvery + time.Second); synctest.Wait() }
		wait()
		assert.Len(t, parts(), 3, "nothing has changed")

		require.NoError(t, secret.Save(file("pin")))
		wait()
		assert.Equal(t, []string{trouble.Metrics, trouble.Visits}, parts())
		assert.Equal(t, http.StatusUnauthorized, signIn(), "the PIN is asked for")

		require.NoError(t, os.WriteFile(file("password"), []byte("secret\n"), 0o600))
		wait()
		assert.Equal(t, []string{trouble.Visits}, parts())
		assert.Equal(t, http.StatusOK, figures())
		assert.Equal(t, http.StatusUnauthorized, ask(http.MethodGet, "/metrics", "wrong", nil))

		require.NoError(t, os.Remove(file("data")))
		wait()
		assert.Empty(t, parts())
		assert.Equal(t, http.StatusUnauthorized, visit())
		assert.NotNil(t, a.visits.Load())
		cancel()
		require.NoError(t, <-ended)
	})
}
