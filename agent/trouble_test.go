package agent_test

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/trouble"
)

// Whatever a configuration names for page, visits and metrics that can't be used is said in the
// snapshot, in /readyz and in the metrics. Measuring goes on.
func TestWhatCannotBeUsedIsSaidAndMeasuringGoesOn(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(file, []byte("no PIN"), 0o600))
	for part, spoil := range map[string]func(*agent.Options){
		trouble.PIN:     func(o *agent.Options) { o.Config.Visits.PINFile = file },
		trouble.Visits:  func(o *agent.Options) { o.Config.Visits.Dir = filepath.Join(file, "visits") },
		trouble.Metrics: func(o *agent.Options) { o.Config.HTTP.MetricsUser, o.Config.HTTP.MetricsPasswordFile = "x", dir },
		trouble.State:   func(o *agent.Options) { o.StateFile = filepath.Join(file, "learned") },
	} {
		t.Run(part, func(t *testing.T) {
			b := newBench(t, spoil)
			stop := b.start(t)
			s, err := b.agent.Hub().Next(t.Context(), 0)
			require.NoError(t, err)
			assert.NotNil(t, s.Batteries[0].VoltageV)
			if part != trouble.State { // it is saved at the end of the first quarter of an hour
				var parts []string
				for _, tr := range s.Troubles {
					parts = append(parts, tr.Part)
				}
				want := []string{part}
				if part == trouble.Visits { // its folder has the settings as well, and what was learned waits for those
					want = []string{trouble.Settings, trouble.Visits}
				}
				require.Equal(t, want, parts)
				code, body := ask(t, b.addr+"/readyz")
				assert.Equal(t, http.StatusOK, code)
				assert.Contains(t, body, "degraded\n"+want[0]+": ")
				assert.Contains(t, body, "\n"+part+": ")
				_, body = ask(t, b.addr+"/")
				assert.Contains(t, body, "keeps measuring")
				code, body = ask(t, b.addr+"/metrics")
				if part == trouble.Metrics {
					assert.Equal(t, http.StatusServiceUnavailable, code)
				} else {
					assert.Contains(t, body, `liftbank_trouble{part="`+part+`"} 1`)
					assert.Contains(t, body, `liftbank_trouble{part="store"} 0`)
				}
			}
			require.NoError(t, stop())
			if part == trouble.State {
				assert.Equal(t, part, b.agent.Troubles()[0].Part)
			}
		})
	}
}

func ask(t *testing.T, url string) (code int, body string) {
	t.Helper()
	resp, err := http.Get(url)
	require.NoError(t, err)
	defer http.DefaultClient.CloseIdleConnections()
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, string(text)
}

// A page that can't be served is tried again; the agent measures meanwhile and stops when told to.
func TestAPageThatCannotBeServedDoesNotStopTheMeasuring(t *testing.T) {
	b := newBench(t, func(o *agent.Options) {
		require.NoError(t, o.Listener.Close())
		o.Listener = nil
		o.Open = func(context.Context) (net.Listener, error) { return nil, errors.New("port in use") }
	})
	stop := b.start(t)
	s, err := b.agent.Hub().Next(t.Context(), 0)
	for err == nil && len(s.Troubles) == 0 {
		s, err = b.agent.Hub().Next(t.Context(), s.Seq)
	}
	require.NoError(t, err)
	assert.Equal(t, trouble.Page, s.Troubles[0].Part)
	assert.Equal(t, "port in use", s.Troubles[0].Problem)
	require.NoError(t, stop())
}
