package agent_test

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/page"
	"liftbank/agent/pin"
	"liftbank/agent/snapshot"
)

// savePIN lets 482915 in, hashed in few rounds: under the race detector the usual number takes seconds.
func savePIN(t *testing.T, path string) {
	t.Helper()
	secret, err := pin.Parse("liftbank-pin-1 1000 XRHOStGhGEqNZfTp6i6y1g " +
		"u9pm4/VUZTAlt7nkoEED9bekQDQ5+85quIHqAgY+HQg BumezirLifEkzz7FLb6PyrZlp6JLfGKlLn21w6qo3js")
	require.NoError(t, err)
	require.NoError(t, secret.Save(path))
}

// Work under way begins with a visit, outlives the agent, shows on the page and to programs, ends
// and begins again by the switch, and ends with the visit; each turn is in the journal, and in a
// snapshot at once.
func TestWorkUnderWay(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		dir := t.TempDir()
		savePIN(t, filepath.Join(dir, "pin"))
		var journal bytes.Buffer
		with := func(o *agent.Options) {
			w.listen(o)
			c := &o.Config
			c.Visits.Dir, c.Visits.PINFile = filepath.Join(dir, "visits"), filepath.Join(dir, "pin")
			o.StateFile = filepath.Join(dir, "state.json")
			o.Log = slog.New(slog.NewTextHandler(&journal, nil))
		}
		client := w.client()
		defer client.CloseIdleConnections()
		do := func(b *bench, method, path string, form url.Values) (int, string) {
			req, err := http.NewRequestWithContext(t.Context(), method, b.addr+path, strings.NewReader(form.Encode()))
			require.NoError(t, err)
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			if strings.HasPrefix(path, "/api/") {
				req.Header.Set("Accept", "application/json")
			}
			resp, err := client.Do(req)
			require.NoError(t, err)
			text, err := io.ReadAll(resp.Body)
			require.NoError(t, err)
			resp.Body.Close()
			return resp.StatusCode, string(text)
		}
		form := func(pairs ...string) url.Values {
			v := url.Values{"pin": {"482915"}}
			for i := 0; i < len(pairs); i += 2 {
				v.Set(pairs[i], pairs[i+1])
			}
			return v
		}
		// within waits for a snapshot with or without work, from the one that is there now.
		within := func(b *bench, on bool) *snapshot.Snapshot {
			s := b.agent.Hub().Current()
			for k := 0; (s.Work != nil) != on; k++ {
				require.Less(t, k, 3)
				var err error
				s, err = b.agent.Hub().Next(t.Context(), s.Seq)
				require.NoError(t, err)
			}
			return s
		}

		b := newBench(t, with)
		stop := b.start(t)
		_, err := b.agent.Hub().Next(t.Context(), 0)
		require.NoError(t, err)
		code, text := do(b, "GET", "/api/v1/work", nil)
		assert.Equal(t, http.StatusOK, code)
		assert.JSONEq(t, `{"work":null}`, text)
		code, _ = do(b, "POST", "/visit/begin", form("by", "R. Vega"))
		require.Equal(t, http.StatusSeeOther, code)
		s := within(b, true)
		assert.Equal(t, "R. Vega", s.Work.By)
		assert.Equal(t, "visit", s.Work.Kind)
		assert.Equal(t, 4*time.Hour, s.Work.Ends.Sub(s.Work.Since).Round(time.Minute))
		since := s.Work.Since
		client.CloseIdleConnections()
		require.NoError(t, stop())

		b = newBench(t, with)
		stop = b.start(t)
		_, err = b.agent.Hub().Next(t.Context(), 0)
		require.NoError(t, err)
		s = within(b, true)
		assert.WithinDuration(t, since, s.Work.Since, 2*time.Second)
		for _, path := range []string{"/", "/check", "/history", "/visit", "/findings", "/work"} {
			_, text = do(b, "GET", path, nil)
			assert.Contains(t, text, "Work under way since "+since.Format("15:04 UTC")+" by R. Vega, ends automatically at ", path)
			assert.Contains(t, text, "End work", path)
		}

		code, _ = do(b, "POST", "/api/v1/work", url.Values{"do": {"end"}, "by": {"K."}})
		assert.Equal(t, http.StatusUnauthorized, code, "with the PIN only")
		for _, bad := range []url.Values{form("do", "end"), form("do", "pause", "by", "K.")} {
			code, _ = do(b, "POST", "/api/v1/work", bad)
			assert.Equal(t, http.StatusUnprocessableEntity, code)
		}
		code, text = do(b, "POST", "/api/v1/work", form("do", "end", "by", "K."))
		assert.Equal(t, http.StatusOK, code)
		assert.JSONEq(t, `{"work":null}`, text)
		assert.Nil(t, within(b, false).Work)
		_, text = do(b, "GET", "/visit/start", nil)
		assert.Contains(t, text, "Begin work")
		for range 2 { // sent twice, it is the same work
			code, text = do(b, "POST", "/api/v1/work", form("do", "begin", "by", strings.Repeat("ñ", 130)))
			assert.Equal(t, http.StatusOK, code)
			var answer page.WorkAnswer
			require.NoError(t, json.Unmarshal([]byte(text), &answer))
			require.NotNil(t, answer.Work)
			assert.Equal(t, "switch", answer.Work.Kind)
			assert.Equal(t, strings.Repeat("ñ", 64), answer.Work.By)
		}
		draft := regexpID.FindStringSubmatch(mustGet(t, do, b))[1]
		code, _ = do(b, "POST", "/visit/finish", form("id", draft))
		assert.Equal(t, http.StatusSeeOther, code)
		assert.Nil(t, within(b, false).Work, "it ends with the visit")
		client.CloseIdleConnections()
		require.NoError(t, stop())
		for _, line := range []string{
			`msg="work under way" unit=lift-1 by="R. Vega" kind=visit for=4h0m0s`, `msg="work under way ended" unit=lift-1 by=K.`,
			`kind=switch for=4h0m0s`, `msg="work under way ended" unit=lift-1 by="R. Vega"`,
		} {
			assert.Contains(t, journal.String(), line)
		}
	})
}

// Work ends by itself in the journal and in a snapshot; while nobody ends it, on the next start too.
func TestWorkUnderWayEndsByItself(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		var journal bytes.Buffer
		dir := t.TempDir()
		type clock struct {
			at      time.Time
			trusted bool
		}
		var wall atomic.Pointer[clock]
		set := func(at time.Time, trusted bool) { wall.Store(&clock{at, trusted}) }
		begin := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
		set(begin, true)
		with := func(o *agent.Options) {
			w.listen(o)
			o.StateFile = filepath.Join(dir, "state.json")
			o.Log = slog.New(slog.NewTextHandler(&journal, nil))
			o.Parts.Wall = func() (time.Time, bool) { c := wall.Load(); return c.at, c.trusted }
		}
		b := newBench(t, with)
		stop := b.start(t)
		_, err := b.agent.Hub().Next(t.Context(), 0)
		require.NoError(t, err)
		require.NoError(t, b.agent.Technician().BeginWork(t.Context(), "switch", "K."))
		require.NoError(t, stop())

		set(begin.Add(3*time.Hour), true)
		b = newBench(t, with)
		stop = b.start(t)
		s, err := b.agent.Hub().Next(t.Context(), 0)
		require.NoError(t, err)
		require.NotNil(t, s.Work, "three of four hours are over")
		require.NoError(t, stop())

		set(time.Unix(0, 0), false) // a board without a clock: it is known later how long it was off
		b = newBench(t, with)
		stop = b.start(t)
		s, err = b.agent.Hub().Next(t.Context(), 0)
		require.NoError(t, err)
		require.NotNil(t, s.Work)
		set(begin.Add(4*time.Hour+time.Minute), true)
		for k := 0; s.Work != nil; k++ {
			require.Less(t, k, 3)
			s, err = b.agent.Hub().Next(t.Context(), s.Seq)
			require.NoError(t, err)
		}
		require.NoError(t, stop())
		assert.Contains(t, journal.String(), `msg="work under way ended by itself" unit=lift-1 by=K. kind=switch`)
	})
}

var regexpID = regexp.MustCompile(`name="id" value="([^"]+)"`)

// mustGet returns the last step of the visit.
func mustGet(t *testing.T, do func(*bench, string, string, url.Values) (int, string), b *bench) string {
	code, text := do(b, "GET", "/visit/review", nil)
	require.Equal(t, http.StatusOK, code)
	return text
}
