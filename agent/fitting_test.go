package agent_test

import (
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/page/web"
	"liftbank/agent/safefile"
	"liftbank/agent/snapshot"
	settings "liftbank/agent/technician"
)

// phone is somebody's browser at the unit.
type phone struct {
	t       *testing.T
	client  *http.Client
	session *http.Cookie
}

func (p *phone) post(b *bench, path string, form url.Values) int {
	req, err := http.NewRequestWithContext(p.t.Context(), http.MethodPost, b.addr+path, strings.NewReader(form.Encode()))
	require.NoError(p.t, err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if p.session != nil {
		req.AddCookie(p.session)
	}
	resp, err := p.client.Do(req)
	require.NoError(p.t, err)
	resp.Body.Close()
	for _, c := range resp.Cookies() {
		if c.Name == web.SessionCookie {
			p.session = c
		}
	}
	return resp.StatusCode
}

// hidden returns what a hidden field of a page has.
func (p *phone) hidden(b *bench, path, field string) string {
	resp, err := p.client.Get(b.addr + path)
	require.NoError(p.t, err)
	defer resp.Body.Close()
	var text strings.Builder
	_, err = io.Copy(&text, resp.Body)
	require.NoError(p.t, err)
	m := regexp.MustCompile(`name="` + field + `" value="([^"]*)"`).FindStringSubmatch(text.String())
	require.NotNil(p.t, m, "%s on %s", field, path)
	return m[1]
}

// battery waits until the agent's snapshot has a battery b as wanted.
func battery(t *testing.T, b *bench, want func(*snapshot.Battery) bool) *snapshot.Battery {
	t.Helper()
	var last *snapshot.Battery
	require.Eventually(t, func() bool {
		s := b.agent.Hub().Current()
		if s == nil {
			return false
		}
		last = &s.Batteries[1]
		return want(last)
	}, 20*time.Second, 5*time.Millisecond, "%+v", last)
	return last
}

// A battery that is replaced has its own ratings and passport from then on, over a restart too; undone
// after the restart, the old one is back with what was known of it.
func TestAReplacedBatteryOutlivesTheAgent(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		dir := t.TempDir()
		savePIN(t, filepath.Join(dir, "pin"))
		with := func(o *agent.Options) {
			w.listen(o)
			c := &o.Config
			c.Visits.Dir, c.Visits.PINFile = filepath.Join(dir, "visits"), filepath.Join(dir, "pin")
			o.StateFile = filepath.Join(dir, "learned")
		}
		p := &phone{t: t, client: w.client()}
		defer p.client.CloseIdleConnections()

		b := newBench(t, with)
		stop := b.start(t)
		first := battery(t, b, func(x *snapshot.Battery) bool { return x.RatedAh > 0 })
		was := *first
		require.Equal(t, http.StatusSeeOther, p.post(b, "/visit/begin", url.Values{"by": {"R. Vale"}, "pin": {"482915"}}))
		id := p.hidden(b, "/visit/battery/b?new", "id")
		fit := url.Values{
			"id": {id}, "revision": {p.hidden(b, "/visit/battery/b?new", "revision")}, "battery": {"b"}, "do": {"replace-yes"},
			"token": {"0123456789abc"}, "fit.b.chemistry": {"agm"}, "fit.b.rated_ah": {"105"}, "fit.b.rated_cca_a": {"900"},
			"fit.b.serial": {"M2-77105"}, "fit.b.place": {"street side"},
		}
		require.Equal(t, http.StatusSeeOther, p.post(b, "/visit/battery", fit))
		now := battery(t, b, func(x *snapshot.Battery) bool { return x.RatedAh == 105 })
		assert.Equal(t, "agm", now.Chemistry)
		assert.Equal(t, "technician", now.RatingsFrom)
		assert.Equal(t, "street side", now.Passport.Place)
		bank := b.agent.Hub().Current().Bank
		assert.Equal(t, []snapshot.Mixed{{Battery: "b", From: "a", What: "chemistry"}}, bank.Mixed, "not refused, and said")
		assert.True(t, bank.MixedKnown, "by who put it in")
		p.client.CloseIdleConnections()
		require.NoError(t, stop())

		b = newBench(t, with)
		stop = b.start(t)
		now = battery(t, b, func(x *snapshot.Battery) bool { return x.RatedAh > 0 })
		assert.Equal(t, 105.0, now.RatedAh, "the first snapshot after the restart")
		assert.Equal(t, "M2-77105", now.Passport.Serial)
		for _, x := range b.agent.Troubles() {
			assert.NotContains(t, []string{"settings", "state"}, x.Part, x.Problem)
		}
		undo := url.Values{"id": {id}, "battery": {"b"}, "work": {p.hidden(b, "/visit/battery/b", "work")}}
		require.Equal(t, http.StatusSeeOther, p.post(b, "/visit/battery/back", undo))
		now = battery(t, b, func(x *snapshot.Battery) bool { return x.RatedAh == was.RatedAh })
		assert.Equal(t, was.Chemistry, now.Chemistry)
		assert.Empty(t, now.RatingsFrom)
		assert.Empty(t, b.agent.Hub().Current().Bank.Mixed)
		assert.Nil(t, now.Passport)
		over, err := settings.Open(filepath.Join(dir, "visits", "technician.json"))
		require.NoError(t, err)
		assert.Len(t, over.Journal(), 8, "who did and undid what is kept")
		p.client.CloseIdleConnections()
		require.NoError(t, stop())
	})
}

// Settings that are there and can't be read are not taken for none: what was learned with them is not
// written over.
func TestUnreadableSettings(t *testing.T) {
	card := crash.New("/card")
	defer disk.Use(card)()
	const file, learned = "/card/visits/technician.json", "/card/learned"
	over, err := settings.Open(file)
	require.NoError(t, err)
	require.NoError(t, safefile.Save(learned, []byte("what was learned")))
	var base config.Config
	b := newBench(t, func(o *agent.Options) {
		o.Config.Visits.Dir, o.StateFile = "/card/visits", learned
		base = o.Config
		require.NoError(t, over.Set(&base, settings.Change{
			Values: map[string]string{settings.BatteryPath("b", settings.RatedAh): "120"}, By: "R. Vale", At: time.Now(),
		}))
		card.FailWith(func(_ int, _, name string) error {
			if name == file {
				return syscall.EIO
			}
			return nil
		})
	})
	stop := b.start(t)
	battery(t, b, func(x *snapshot.Battery) bool { return x.RatedAh > 0 })
	parts := map[string]string{}
	for _, x := range b.agent.Troubles() {
		parts[x.Part] = x.Problem
	}
	assert.Contains(t, parts["settings"], "nothing is written over it")
	require.NoError(t, stop())
	text, err := safefile.Load(learned)
	require.NoError(t, err)
	assert.Equal(t, "what was learned", string(text))
}

// The configuration that is handed in stays as it is.
func TestTheBaseConfigurationStays(t *testing.T) {
	dir := t.TempDir()
	over, err := settings.Open(filepath.Join(dir, "technician.json"))
	require.NoError(t, err)
	var base config.Config
	b := newBench(t, func(o *agent.Options) {
		o.Config.Visits.Dir = dir
		base = o.Config
		require.NoError(t, over.Set(&base, settings.Change{
			Values: map[string]string{settings.BatteryPath("b", settings.RatedAh): "120"}, By: "R. Vale", At: time.Now(),
		}))
	})
	assert.NotEqual(t, 120.0, base.Bank.Batteries[1].RatedAh)
	stop := b.start(t)
	battery(t, b, func(x *snapshot.Battery) bool { return x.RatedAh == 120 })
	require.NoError(t, stop())
}

// seen asks for a page, which must have a text.
func (p *phone) seen(b *bench, path, text string) int {
	resp, err := p.client.Get(b.addr + path)
	require.NoError(p.t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(p.t, err)
	assert.Contains(p.t, string(body), text)
	return resp.StatusCode
}

func itoa(n int) string { return strconv.Itoa(n) }
