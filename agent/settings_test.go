package agent_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/page"
	"liftbank/agent/snapshot"
)

// listed returns the settings of a unit as a program is told them.
func (p *phone) listed(b *bench) (a page.SettingsAnswer) {
	resp, err := p.client.Get(b.addr + "/api/v1/settings")
	require.NoError(p.t, err)
	defer resp.Body.Close()
	require.Equal(p.t, http.StatusOK, resp.StatusCode)
	require.NoError(p.t, json.NewDecoder(resp.Body).Decode(&a))
	return a
}

// change sets one setting with the PIN.
func (p *phone) change(b *bench, path, value string) int {
	return p.post(b, "/settings", url.Values{"path": {path}, "value": {value}, "by": {"R. Vale"}, "pin": {"482915"}, "do": {"yes"}})
}

// shown waits until the agent's snapshot is as wanted.
func shown(t *testing.T, b *bench, want func(*snapshot.Snapshot) bool) (s *snapshot.Snapshot) {
	t.Helper()
	require.Eventually(t, func() bool {
		s = b.agent.Hub().Current()
		return s != nil && want(s)
	}, 20*time.Second, 5*time.Millisecond)
	return s
}

// What is set on the phone holds in the running agent at once and after a restart, over everything
// that it reaches: ratings, intervals, the counter's start, names; undone, the configuration holds.
func TestSettingsHoldAtOnceAndAfterARestart(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		dir := t.TempDir()
		savePIN(t, filepath.Join(dir, "pin"))
		newer := func(*config.Config) {}
		with := func(o *agent.Options) {
			w.listen(o)
			c := &o.Config
			c.Visits.Dir, c.Visits.PINFile = filepath.Join(dir, "visits"), filepath.Join(dir, "pin")
			o.StateFile = filepath.Join(dir, "learned")
			newer(c)
		}
		p := &phone{t: t, client: w.client()}
		defer p.client.CloseIdleConnections()
		restart := func(stop func() error) (*bench, func() error) {
			if stop != nil {
				p.client.CloseIdleConnections()
				require.NoError(t, stop())
			}
			b := newBench(t, with)
			return b, b.start(t)
		}

		b, stop := restart(nil)
		shown(t, b, func(*snapshot.Snapshot) bool { return true })
		for path, value := range map[string]string{
			"bank.batteries.b.rated_ah": "105,5 Ah", "bank.batteries.b.place": "street side", "service.oil_lift_cycles": "9,000",
			"service.filter_every": "365 days", "counter.lift_cycles": "41 000", "counter.runs": "82000", "counter.from": "old counter",
			"unit.name": "Ferry lift", "unit.place": "North yard",
		} {
			require.Equal(t, http.StatusSeeOther, p.change(b, path, value), path)
		}
		assert.Equal(t, http.StatusUnprocessableEntity, p.change(b, "bank.batteries.b.rated_cca", "12.70 V"))
		holds := func(s *snapshot.Snapshot) bool {
			oil, filter := s.Motor.Since[2], s.Motor.Since[1]
			return s.Batteries[1].RatedAh == 105.5 && s.Batteries[1].RatingsFrom == "technician" && s.Batteries[1].Passport != nil &&
				s.Batteries[1].Passport.Place == "street side" && oil.DueLiftCycles != nil && *oil.DueLiftCycles == 9000 &&
				filter.DueDays != nil && *filter.DueDays == 365 && s.Motor.Before != nil &&
				*s.Motor.Before == snapshot.Before{LiftCycles: 41000, Runs: 82000, From: "old counter"} && s.Motor.LiftCycles == 0
		}
		shown(t, b, holds)
		require.Equal(t, http.StatusOK, p.seen(b, "/", "<span>Ferry lift, North yard</span>"))
		before := p.listed(b)
		require.Len(t, before.Journal, 9)

		b, stop = restart(stop)
		shown(t, b, holds)
		after := p.listed(b)
		assert.Equal(t, before.Settings, after.Settings, "a restart reads the same effective values")
		assert.Equal(t, before.Journal, after.Journal)
		for _, x := range b.agent.Troubles() {
			assert.NotContains(t, []string{"settings", "state"}, x.Part, x.Problem)
		}
		for _, e := range after.Journal {
			require.Equal(t, http.StatusSeeOther, p.post(b, "/settings/undo", url.Values{"seq": {itoa(e.Seq)}, "by": {"K. Ortiz"}, "pin": {"482915"}}))
		}
		shown(t, b, func(s *snapshot.Snapshot) bool {
			return s.Batteries[1].RatedAh == 100 && s.Batteries[1].RatingsFrom == "" && s.Motor.Before == nil && s.Motor.Since[2].DueLiftCycles == nil
		})
		require.Equal(t, http.StatusSeeOther, p.change(b, "service.lift_cycles", "5000"))

		newer = func(c *config.Config) {
			var err error
			c.Limits, err = c.Limits.With("service.lift_cycles", 8000)
			require.NoError(t, err)
		}
		b, stop = restart(stop)
		s := shown(t, b, func(*snapshot.Snapshot) bool { return true })
		assert.Equal(t, uint64(8000), *s.Motor.Since[0].DueLiftCycles, "the file was changed there: it counts again")
		for _, e := range p.listed(b).Settings {
			if e.Path == "service.lift_cycles" {
				assert.Contains(t, e.Unused, "the configuration has changed since")
			}
		}
		p.client.CloseIdleConnections()
		require.NoError(t, stop())
	})
}

// A card that takes nothing, and a file that can't be read: the setting is refused, and nothing
// changes.
func TestSettingsWithoutACard(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		pinFile := filepath.Join(t.TempDir(), "pin")
		savePIN(t, pinFile)
		card := crash.New("/card")
		defer disk.Use(card)()
		const file = "/card/visits/technician.json"
		with := func(o *agent.Options) {
			w.listen(o)
			o.Config.Visits.Dir, o.Config.Visits.PINFile = "/card/visits", pinFile
		}
		p := &phone{t: t, client: w.client()}
		defer p.client.CloseIdleConnections()
		b := newBench(t, with)
		stop := b.start(t)
		shown(t, b, func(*snapshot.Snapshot) bool { return true })
		require.Equal(t, http.StatusSeeOther, p.change(b, "bank.batteries.b.rated_ah", "110"))
		shown(t, b, func(s *snapshot.Snapshot) bool { return s.Batteries[1].RatedAh == 110 })
		card.FailWith(func(int, string, string) error { return syscall.ENOSPC })
		assert.Equal(t, http.StatusServiceUnavailable, p.change(b, "bank.batteries.b.rated_ah", "120"))
		card.FailWith(nil)
		assert.Equal(t, 110.0, b.agent.Hub().Current().Batteries[1].RatedAh)
		assert.Len(t, p.listed(b).Journal, 1)
		p.client.CloseIdleConnections()
		require.NoError(t, stop())

		card.FailWith(func(_ int, _, name string) error {
			if name == file {
				return syscall.EIO
			}
			return nil
		})
		b = newBench(t, with)
		stop = b.start(t)
		shown(t, b, func(*snapshot.Snapshot) bool { return true })
		assert.Equal(t, http.StatusServiceUnavailable, p.change(b, "bank.batteries.b.rated_ah", "120"))
		require.Equal(t, http.StatusOK, p.seen(b, "/settings", "can’t be read now"))
		card.FailWith(nil)
		p.client.CloseIdleConnections()
		require.NoError(t, stop())
	})
}
