package alert_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/db"
)

// While somebody works on a unit nobody is called for it, but for what was urgent before; its silence
// counts from the end of the work.
func TestAlertsOfAUnitUnderWorkAreHeldBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		until(t0)
		s, m := &store{}, &manager{t: t}
		urgent := undercharged("t-1", t0.Add(-time.Hour))
		urgent.Finding.Name, urgent.Finding.Severity = "battery-failed", "urgent"
		s.units = []db.Unit{heard("t-1", t0), heard("t-2", t0)}
		s.standing = []db.Standing{undercharged("t-1", t0), urgent, undercharged("t-2", t0)}
		started(t, alert.Options{Store: s, Targets: []alert.Target{m.target()}})
		time.Sleep(time.Second)
		all := []string{"BankUndercharged repair t-1 east", "BankUndercharged repair t-2 east", "BatteryFailed urgent t-1 east"}
		assert.ElementsMatch(t, all, m.standing())

		s.change(func(s *store) { s.units[0].WorkEnds = time.Now().Add(4 * time.Hour) })
		time.Sleep(3 * time.Minute)
		assert.ElementsMatch(t, all[1:], m.standing())
		live := func(hours int) {
			for range hours {
				time.Sleep(time.Hour)
				s.change(func(s *store) { s.units[1].LastRecordAt, s.units[1].LastHeardAt = time.Now(), time.Now() })
			}
		}
		live(4)
		time.Sleep(3 * time.Minute)
		assert.ElementsMatch(t, all, m.standing(), "its time is up")
		live(23)
		assert.ElementsMatch(t, all, m.standing(), "silent for 27 h, four of them under work")
		live(2)
		assert.ElementsMatch(t, append(all, "UnitSilent repair t-1 east"), m.standing())
	})
}

// What is suppressed is not reported as standing for lack of somebody who sees to it.
func TestReportLeavesOutWhatIsSuppressed(t *testing.T) {
	s := &store{units: []db.Unit{heard("t-1", t0), heard("t-2", t0)}}
	for _, u := range []string{"t-1", "t-2"} {
		s.alarms = append(s.alarms, db.Alarm{Unit: u, Finding: "bank-low", Severity: "repair", Raised: t0.Add(-72 * time.Hour)})
	}
	stale := func() (units []string) {
		r, err := alert.ReportOf(t.Context(), s, t0.Add(-24*time.Hour), t0)
		require.NoError(t, err)
		for _, x := range r.Stale {
			units = append(units, x.Unit)
		}
		return units
	}
	assert.ElementsMatch(t, []string{"t-1", "t-2"}, stale())
	s.units[0].WorkEnds = t0.Add(time.Hour)
	assert.Equal(t, []string{"t-2"}, stale())
	s.units[0].WorkEnds = t0
	assert.Len(t, stale(), 2, "over")
}
