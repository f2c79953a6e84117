package publish

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
)

// at returns a snapshot of a unit at a level of its own draw.
func at(t *testing.T, seq uint64, level string) *snapshot.Snapshot {
	s := sample(t, "healthy")
	s.Seq = seq
	s.Power = &snapshot.Power{Level: level, Why: &snapshot.Text{ID: "power.parked", English: "parked for long"}}
	return s
}

// told returns the next status.
func told(t *testing.T, got <-chan message) records.Status {
	t.Helper()
	return statusOf(t, next(t, got, "status"))
}

// While the board saves, a connection sends what there is, says when the next one comes, and ends. It
// comes by the hour, for what is urgent at once, and as soon as the board is awake.
func TestTheRadioIsOnByTheHour(t *testing.T) {
	broker := embedded(t)
	opts := options(t, broker)
	opts.ByTheHour = true
	opts.Limits.RadioEvery, opts.Limits.RadioLeast = time.Hour, 20*time.Millisecond
	got := subscribe(t, broker)
	opts.Hub.Publish(at(t, 1, "saving"))
	addRun(t, opts, snapshot.Run{Number: 7})
	before := time.Now()
	p, _ := start(t, opts)

	assert.Equal(t, "online", told(t, got).Status)
	left := told(t, got)
	assert.Equal(t, "saving", left.Status)
	assert.Equal(t, "parked for long", left.Why)
	require.NotNil(t, left.Until)
	assert.WithinDuration(t, before.Add(time.Hour), *left.Until, 5*time.Second)
	require.Eventually(t, func() bool { return !p.State().Connected }, patience, time.Millisecond)
	assert.Zero(t, waiting(opts, outbox.Runs), "it has gone out")
	assert.Empty(t, p.State().Problem, "nothing is wrong")
	assert.Zero(t, p.State().Failures)

	// A finding that is not urgent waits; one that is goes out at once.
	s := at(t, 2, "saving")
	s.Findings = []snapshot.Finding{{Name: "bank-low", Severity: "repair", State: "unacknowledged", Active: true}}
	opts.Hub.Publish(s)
	s = at(t, 3, "saving")
	s.Findings = []snapshot.Finding{{Name: "feed-high", Severity: "urgent", State: "unacknowledged", Active: true}}
	opts.Hub.Publish(s)
	assert.Equal(t, "online", told(t, got).Status)
	assert.Equal(t, "saving", told(t, got).Status)

	// The same one does not bring it up again; being awake does, and it stays.
	again := *s
	again.Seq = 4
	opts.Hub.Publish(&again)
	opts.Hub.Publish(at(t, 5, "awake"))
	assert.Equal(t, "online", told(t, got).Status)
	assert.True(t, p.State().Connected)
	assert.Equal(t, uint64(2), p.State().Reconnects, "one for what was urgent, one now")
}

// An hour is over.
func TestTheNextHour(t *testing.T) {
	broker := embedded(t)
	opts := options(t, broker)
	opts.ByTheHour = true
	opts.Limits.RadioEvery, opts.Limits.RadioLeast = 200*time.Millisecond, time.Millisecond
	got := subscribe(t, broker)
	opts.Hub.Publish(at(t, 1, "saving"))
	start(t, opts)
	for range 3 {
		assert.Equal(t, "online", told(t, got).Status)
		assert.Equal(t, "saving", told(t, got).Status)
	}
}

// Before the board is switched off, everything goes out, with the radio off till then too: the snapshot
// that says so, what waits, and last a retained status that says since when, until when and why.
func TestTheLastWordBeforeASleep(t *testing.T) {
	broker := embedded(t)
	for _, from := range []string{"saving", "awake"} {
		opts := options(t, broker)
		opts.ByTheHour = true
		opts.Limits.RadioLeast = time.Millisecond
		got := subscribe(t, broker)
		opts.Hub.Publish(at(t, 1, from))
		p, stop := start(t, opts)
		require.Equal(t, "online", told(t, got).Status)
		if from == "saving" {
			require.Equal(t, "saving", told(t, got).Status)
			require.Eventually(t, func() bool { return !p.State().Connected }, patience, time.Millisecond)
		}
		require.False(t, p.State().LastWord)

		until := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
		sleep := &snapshot.Asleep{Since: until.Add(-24 * time.Hour), Until: &until,
			Why: snapshot.Text{ID: "power.low", English: "the bank is low"}}
		addRun(t, opts, snapshot.Run{Number: 8})
		opts.Hub.Sleep(sleep)
		p.Wake()
		s := at(t, 2, "asleep")
		s.Power.Asleep = sleep
		opts.Hub.Publish(s)
		var last records.Status
		for last.Status != "asleep" {
			last = told(t, got)
		}
		assert.Equal(t, until, *last.Until)
		assert.Equal(t, "the bank is low", last.Why)
		require.Eventually(t, func() bool { return p.State().LastWord }, patience, time.Millisecond)
		assert.Zero(t, waiting(opts, outbox.Runs))
		stop()

		late := subscribe(t, broker)
		retained := map[string]message{}
		for len(retained) < 2 {
			m := receive(t, late, "what is retained")
			require.True(t, m.retained)
			retained[m.leaf] = m
		}
		assert.Equal(t, "asleep", statusOf(t, retained["status"]).Status, "stopping says nothing else over it")
		var shown snapshot.Snapshot
		require.NoError(t, json.Unmarshal(retained["snapshot"].payload, &shown))
		require.NotNil(t, shown.Power.Asleep)
		assert.Equal(t, until, *shown.Power.Asleep.Until)
	}
}

// A sleep that is called off after it was said: the unit says that it is there.
func TestASleepThatIsCalledOff(t *testing.T) {
	broker := embedded(t)
	opts := options(t, broker)
	opts.ByTheHour = true
	opts.Limits.RadioLeast = time.Millisecond
	got := subscribe(t, broker)
	s := at(t, 1, "asleep")
	s.Power.Asleep = &snapshot.Asleep{Line: true}
	opts.Hub.Sleep(s.Power.Asleep)
	opts.Hub.Publish(s)
	p, _ := start(t, opts)
	require.Equal(t, "online", told(t, got).Status)
	last := told(t, got)
	assert.Equal(t, "asleep", last.Status)
	assert.Nil(t, last.Until, "only the wake line wakes it")
	require.Eventually(t, func() bool { return p.State().LastWord }, patience, time.Millisecond)
	opts.Hub.Sleep(nil)
	opts.Hub.Publish(at(t, 2, "saving"))
	p.Wake()
	assert.Equal(t, "online", told(t, got).Status)
	assert.Equal(t, "saving", told(t, got).Status)
	assert.False(t, p.State().LastWord)
}

// A broker out of reach is not tried for all of a saving hour, and is for a last word.
func TestABrokerOutOfReachWhileSaving(t *testing.T) {
	opts := options(t, "mqtt://127.0.0.1:1")
	opts.ByTheHour = true
	opts.Limits.RadioEvery, opts.Limits.RadioMost = time.Hour, 50*time.Millisecond
	opts.Limits.BackoffMin, opts.Limits.BackoffMax = time.Millisecond, 2*time.Millisecond
	rests := make(chan time.Duration, 1)
	opts.Clock.After = func(d time.Duration) <-chan time.Time {
		if d > 30*time.Minute {
			rests <- d
		}
		return time.After(d)
	}
	opts.Hub.Publish(at(t, 1, "saving"))
	p, _ := start(t, opts)
	assert.InDelta(t, 60, receive(t, rests, "a rest").Minutes(), 1)
	tried := p.State().Failures
	assert.Positive(t, tried)
	opts.Hub.Sleep(&snapshot.Asleep{})
	p.Wake()
	require.Eventually(t, func() bool { return p.State().Failures > tried+3 }, patience, time.Millisecond)
	assert.False(t, p.State().LastWord)
}
