package alert_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/db"
)

// tenDays is a fleet of four units over ten days, made so that each figure can be counted by hand.
func tenDays() (s *store, from, to time.Time) {
	from, to = t0, t0.Add(240*time.Hour)
	s = &store{units: []db.Unit{heard("t-1", t0), heard("t-2", t0), heard("t-3", t0), heard("t-4", t0), heard("t-5", t0), {ID: "t-6"}}}
	s.units[4].Decommissioned = t0
	add := func(unit, finding, subject, severity string, raised time.Time, stood time.Duration) {
		a := db.Alarm{ID: int64(len(s.alarms) + 1), Unit: unit, Finding: finding, Subject: subject, Severity: severity, Raised: raised}
		if stood > 0 {
			a.Ended = raised.Add(stood)
		}
		s.alarms = append(s.alarms, a)
	}
	// 20 of feed-lost at t-1: 12 in the ten minutes from day 2, three of them within a minute
	day2 := from.Add(48 * time.Hour) // 10:00, the start of a ten-minute period
	for i := range 10 {
		add("t-1", "feed-lost", "", "urgent", day2.Add(time.Duration(i)*time.Minute), 30*time.Second)
	}
	add("t-1", "feed-lost", "", "urgent", day2.Add(20*time.Second), 5*time.Second)
	add("t-1", "feed-lost", "", "urgent", day2.Add(40*time.Second), 5*time.Second)
	for i := range 8 {
		add("t-1", "feed-lost", "", "urgent", day2.Add(time.Duration(24+5*i)*time.Hour), time.Minute)
	}
	// three of motor-drop at t-2 within an hour, not within a minute
	for i := range 3 {
		add("t-2", "motor-drop", "", "repair", day2.Add(3*time.Hour+time.Duration(i)*29*time.Minute), time.Minute)
	}
	// batteries of t-3, seven subjects and findings once each
	for i, subject := range []string{"a", "b", "c", "d"} {
		add("t-3", "battery-tired", subject, "repair", from.Add(time.Duration(1+i)*time.Hour), 2*time.Hour)
	}
	for i := range 13 {
		add("t-4", fmt.Sprintf("finding-%02d", i), "", "note", from.Add(time.Duration(100+i)*time.Hour), time.Hour)
	}
	// standing: one from before the time, one of two days, one of an hour
	add("t-3", "bank-undercharged", "", "repair", from.Add(-24*time.Hour), 0)
	add("t-4", "service-due", "", "note", to.Add(-48*time.Hour), 0)
	add("t-4", "hot", "a", "urgent", to.Add(-time.Hour), 0)
	// and one that had ended before
	add("t-4", "hot", "b", "urgent", from.Add(-48*time.Hour), time.Hour)
	return s, from, to
}

func TestAlarmReportCountsByHand(t *testing.T) {
	s, from, to := tenDays()
	r, err := alert.ReportOf(t.Context(), s, from, to)
	require.NoError(t, err)
	assert.Equal(t, 10.0, r.Days)
	assert.True(t, r.Complete)
	assert.Equal(t, 4, r.Units, "in use, and heard")
	assert.Equal(t, 20+3+4+13+2, r.Alarms, "42 raised within the time")
	assert.Equal(t, 4.2, r.PerDay)
	assert.Equal(t, 1.05, r.PerUnitDay)
	assert.Equal(t, "2026-03-03", r.BusiestDay)
	assert.Equal(t, 12+3, r.OnBusiest)
	assert.Equal(t, 12, r.InTenMin)
	assert.Equal(t, 0.07, r.FloodPct, "one of 1440 periods")
	assert.Equal(t, []alert.Share{{"urgent", 21, 50}, {"repair", 7, 16.67}, {"note", 14, 33.33}}, r.SeverityPct)

	assert.Len(t, r.TopTen, 10)
	assert.Equal(t, alert.Count{Unit: "t-1", Finding: "feed-lost", Alarms: 20, PerDay: 2, Pct: 47.62}, r.TopTen[0])
	assert.Equal(t, alert.Count{Unit: "t-2", Finding: "motor-drop", Alarms: 3, PerDay: 0.3, Pct: 7.14}, r.TopTen[1])
	assert.Equal(t, 73.81, r.TopTenPct, "20, 3 and 8 of one each, of 42")
	assert.Equal(t, alert.Count{Unit: "t-1", Alarms: 20, PerDay: 2, Pct: 47.62}, r.ByUnit[0])
	assert.Equal(t, alert.Count{Unit: "t-4", Alarms: 15, PerDay: 1.5, Pct: 35.71}, r.ByUnit[1])
	assert.Equal(t, alert.Count{Finding: "battery-tired", Alarms: 4, PerDay: 0.4, Pct: 9.52}, r.ByFinding[1])

	assert.Equal(t, []alert.Chatter{
		{Unit: "t-1", Finding: "feed-lost", InMinute: 4, InHour: 12}, {Unit: "t-2", Finding: "motor-drop", InMinute: 1, InHour: 3},
	}, r.Chattering, "0, 20, 40 and 60 s are within a minute")
	assert.Equal(t, []alert.Stale{
		{Unit: "t-3", Finding: "bank-undercharged", Severity: "repair", Raised: from.Add(-24 * time.Hour), Days: 11},
		{Unit: "t-4", Finding: "service-due", Severity: "note", Raised: to.Add(-48 * time.Hour), Days: 2},
	}, r.Stale)
}

func TestAlarmReportIsWritten(t *testing.T) {
	s, from, to := tenDays()
	r, err := alert.ReportOf(t.Context(), s, from, to)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, r.Write(&b))
	for _, line := range []string{
		`^Alarms from 2026-03-01 10:00 UTC to 2026-03-11 10:00 UTC, 10 days, 4 units`,
		// ANSI/ISA-18.2-2016, recommended performance metrics, from memory
		`a day +4\.2 +up to 150 acceptable, 300 manageable`,
		`most in ten minutes +12 +up to 10`,
		`ten-minute periods with more than 10 +0\.07 % +below 1 %`,
		`by the ten most frequent +73\.81 % +up to 5 %`,
		`chattering \(3 or more in a minute\) +1 +none`,
		`standing over 24 h +2 +below 5`,
		`by severity +note 33\.33 %, repair 16\.67 %, urgent 50 % +note 80 %, repair 15 %, urgent 5 %`,
		`t-3 +bank-undercharged +repair +2026-02-28 10:00 UTC +11`,
	} {
		assert.Regexp(t, `(?m)`+line, b.String())
	}
	js, err := json.Marshal(r)
	require.NoError(t, err)
	for _, field := range []string{`"alarms_per_day":4.2`, `"standing_over_24_h":[{"unit":"t-3"`, `"most_in_a_minute":4`} {
		assert.Contains(t, string(js), field)
	}
	_, err = alert.ReportOf(t.Context(), s, to, from)
	assert.Error(t, err)
}

func TestAnEmptyReport(t *testing.T) {
	r, err := alert.ReportOf(t.Context(), &store{}, t0, t0.Add(time.Hour))
	require.NoError(t, err)
	js, err := json.Marshal(r) // no NaN
	require.NoError(t, err)
	assert.NotContains(t, string(js), "null")
	var b bytes.Buffer
	require.NoError(t, r.Write(&b))
	assert.NotContains(t, b.String(), "NaN")
}

// Whatever comes: each alarm is in one severity, one unit, one day, and the largest of a span is what
// counting each span gives.
func TestAlarmReportAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &store{}
		n := rapid.IntRange(0, 60).Draw(t, "alarms")
		var times []time.Time
		for range n {
			at := t0.Add(time.Duration(rapid.IntRange(0, 7200).Draw(t, "s")) * time.Second)
			times = append(times, at)
			s.alarms = append(s.alarms, db.Alarm{
				Unit: "t-1", Finding: "f", Severity: rapid.SampledFrom([]string{"note", "repair", "urgent"}).Draw(t, "severity"), Raised: at,
				Ended: at.Add(time.Second),
			})
		}
		r, err := alert.ReportOf(t.Context(), s, t0, t0.Add(3*time.Hour))
		require.NoError(t, err)
		sum := 0
		for _, x := range r.SeverityPct {
			sum += x.Alarms
		}
		assert.Equal(t, n, sum)
		if n > 0 {
			assert.Equal(t, n, r.ByUnit[0].Alarms)
		}
		most := func(within time.Duration) (largest int) {
			for _, a := range times {
				k := 0
				for _, b := range times {
					if d := b.Sub(a); d >= 0 && d <= within {
						k++
					}
				}
				largest = max(largest, k)
			}
			return largest
		}
		if hour := most(time.Hour); hour >= 3 {
			require.Len(t, r.Chattering, 1)
			assert.Equal(t, alert.Chatter{Unit: "t-1", Finding: "f", InMinute: most(time.Minute), InHour: hour}, r.Chattering[0])
		} else {
			assert.Empty(t, r.Chattering)
		}
	})
}
