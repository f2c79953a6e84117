package agent

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/moment"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/store/outbox"
	"liftbank/agent/visit"
	"liftbank/rules"
)

var start = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

// unknown is what a clock shows that starts at zero with the board.
func unknown(mono time.Duration) time.Time { return time.Unix(0, 0).UTC().Add(mono) }

func TestInstantsOfOneSession(t *testing.T) {
	tl := timeline{now: rules.Moment{Mono: time.Hour, Wall: start.Add(time.Hour), WallTrusted: true}}
	assert.Equal(t, start.Add(time.Minute), tl.at(time.Minute))
	assert.Equal(t, start.Add(7*24*time.Hour), tl.at(7*24*time.Hour), "one to come")
	assert.Equal(t, start.Add(time.Minute), tl.forRecords().at(time.Minute))

	tl.now.Wall, tl.now.WallTrusted = unknown(time.Hour), false
	assert.Equal(t, unknown(time.Minute), tl.at(time.Minute), "what is shown goes by the clock as it is")
	mono, ok := moment.IsStandIn(tl.forRecords().at(time.Minute))
	assert.True(t, ok)
	assert.Equal(t, time.Minute, mono)
}

// The engine's timeline went on from an earlier session, and jumped by ten hours when the clock was
// set 20 minutes after the start, an hour on the engine's timeline.
func TestInstantsOverARestart(t *testing.T) {
	const gap = 10 * time.Hour
	before := rules.Moment{Mono: 30 * time.Minute, Wall: start, WallTrusted: true}
	tl := timeline{
		now: rules.Moment{Mono: 50 * time.Minute, Wall: unknown(20 * time.Minute)}, before: before,
		shift: 30 * time.Minute,
	}
	earlier, since := 10*time.Minute, 40*time.Minute // both on the engine's timeline
	later := tl.forRecords()
	assert.Equal(t, start.Add(-20*time.Minute), later.at(earlier), "its clock was set: nothing to correct")
	mono, ok := moment.IsStandIn(later.at(since))
	assert.True(t, ok)
	assert.Equal(t, 10*time.Minute, mono)

	tl.jumpAt, tl.jump, tl.shift = 50*time.Minute, gap, tl.shift+gap
	tl.now = rules.Moment{Mono: 50*time.Minute + gap, Wall: start.Add(20*time.Minute + gap), WallTrusted: true}
	assert.Equal(t, start.Add(-20*time.Minute), tl.at(earlier))
	assert.Equal(t, start.Add(gap+10*time.Minute), tl.at(since), "before the jump, in this session")
	assert.Equal(t, start.Add(gap+20*time.Minute), tl.at(tl.now.Mono))
	assert.Equal(t, 20*time.Minute, tl.momentOfBoard().Mono)
	assert.Equal(t, 10*time.Minute, tl.ofBoard(since))
}

// Every time of every body, made while the clock was not set and sent when it is.
func TestAClockThatIsSetLate(t *testing.T) {
	s, err := store.Open(store.Options{
		Session: "s1", Layout: readings.LayoutOf([]string{"a"}), Outlets: []string{"mqtt"}, Now: time.Now,
	})
	require.NoError(t, err)
	ended := make(chan error, 1)
	ctx, cancel := context.WithCancel(context.Background())
	go func() { ended <- s.Run(ctx) }()
	defer func() { cancel(); require.NoError(t, <-ended) }()

	const made = 3 * time.Hour
	tl := timeline{
		now:  rules.Moment{Mono: made, Wall: unknown(made)},
		told: toldTimes{start: unknown(0), until: made},
	}
	later := tl.forRecords()
	n := 0
	count := func(v any) {
		n = 0
		moment.Each(v, func(*time.Time) { n++ })
	}
	fill := func(v any) {
		n = 0
		moment.Each(v, func(at *time.Time) {
			*at = later.at(time.Duration(n) * 30 * time.Minute)
			n++
		})
	}
	check := func(v any, want int) {
		t.Helper()
		count(v)
		require.Equal(t, want, n)
		n = 0
		moment.Each(v, func(at *time.Time) {
			assert.Equal(t, start.Add(time.Duration(n)*30*time.Minute), *at, "time %d of %T", n, v)
			n++
		})
	}

	run := snapshot.Run{Number: 1}
	fill(&run)
	f := snapshot.Finding{
		Evidence: make([]snapshot.Evidence, 1), Remarks: make([]snapshot.Remark, 2),
		RaisedAt: new(time.Time), AckAt: new(time.Time), ShelvedUntil: new(time.Time),
	}
	fill(&f)
	// A visit has what people read off the clock.
	v := visit.Visit{Readings: make([]visit.Reading, 1), Work: make([]visit.Work, 1)}
	n = 0
	moment.Each(&v, func(at *time.Time) {
		*at = unknown(time.Duration(n) * 30 * time.Minute)
		*at = later.correct(*at)
		n++
	})
	for to, body := range map[outbox.Stream]func() ([]byte, error){
		outbox.Runs:     func() ([]byte, error) { return records.RunBody(run) },
		outbox.Findings: func() ([]byte, error) { return records.FindingBody(f) },
		outbox.Visits:   func() ([]byte, error) { return records.VisitBody(v) },
	} {
		b, err := body()
		require.NoError(t, err)
		s.AddRecord(tl.momentOfBoard(), to, b)
	}
	require.NoError(t, s.Flush(t.Context()))
	send := func(of outbox.Stream, message any) {
		t.Helper()
		list, err := s.Outlet("mqtt").After(t.Context(), of, 0, 10)
		require.NoError(t, err)
		require.Len(t, list, 1)
		b, err := records.Encoder{Unit: "lift-1"}.Body(&list[0])
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(b, message))
	}
	var finding records.Finding
	send(outbox.Findings, &finding)
	assert.False(t, finding.ClockTrusted)
	assert.Equal(t, unknown(0), finding.Finding.Since, "sent too early: by the same clock as the message's time")

	s.Observe(rules.Moment{Mono: 5 * time.Hour, Wall: start.Add(5 * time.Hour), WallTrusted: true})
	require.NoError(t, s.Flush(t.Context()))
	send(outbox.Findings, &finding)
	assert.True(t, finding.ClockTrusted)
	check(&finding.Finding, 7)
	var runs records.Run
	send(outbox.Runs, &runs)
	check(&runs.Run, 1)
	var visits records.Visit
	send(outbox.Visits, &visits)
	check(&visits.Visit, 6)
}

// A visit that began before the clock was set and ended after it: what was read off the wrong clock
// is put right, the rest stays.
func TestAVisitOverTheSettingOfTheClock(t *testing.T) {
	tl := timeline{
		now:  rules.Moment{Mono: 2 * time.Hour, Wall: start.Add(2 * time.Hour), WallTrusted: true},
		told: toldTimes{start: unknown(0), until: time.Hour},
	}
	assert.Equal(t, start.Add(40*time.Minute), tl.correct(unknown(40*time.Minute)))
	assert.Equal(t, start.Add(100*time.Minute), tl.correct(start.Add(100*time.Minute)))
	assert.Equal(t, unknown(-48*time.Hour), tl.correct(unknown(-48*time.Hour)), "of an earlier session: nobody knows")
	assert.Equal(t, unknown(40*time.Minute), (&timeline{now: tl.now}).correct(unknown(40*time.Minute)),
		"the clock was always set")
}
