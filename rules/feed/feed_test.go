package feed_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/feed"
	"liftbank/rules/unit"
)

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

func reading(feedV, amps float64, wake bool) feed.Input {
	in := feed.Input{FeedV: good(feedV), CurrentA: good(amps), TempC: good(25), WakeLine: unit.ContactOff}
	if wake {
		in.WakeLine = unit.ContactOn
	}
	return in
}

// hold feeds the same reading once a second for the time given and returns the last status.
func hold(j *feed.Judge, from, span time.Duration, r feed.Input) feed.Status {
	var s feed.Status
	for at := from; at <= from+span; at += time.Second {
		r.At = at
		s = j.Step(&r)
	}
	return s
}

func TestStatus(t *testing.T) {
	set := feed.Settings{Allowance: 2 * time.Minute, PresentV: 13.3, PresentA: 1}
	after := func(want feed.Status, span time.Duration, r feed.Input, why string) {
		t.Helper()
		assert.Equal(t, want, hold(feed.New(set), 0, span, r), why)
	}
	after(feed.Off, time.Hour, reading(12.6, -0.1, false), "nobody asked")
	after(feed.Awaited, time.Minute, reading(12.6, -0.1, true), "it may take two minutes")
	after(feed.Missing, 3*time.Minute, reading(12.6, -0.1, true), "the bank's own voltage is no feed")
	after(feed.Present, time.Minute, reading(14.2, 30, true), "charging")
	after(feed.Present, time.Minute, reading(13.6, 0, true), "full, floating")
	after(feed.Present, time.Minute, reading(12.8, 30, true), "current alone: the bank is far down")
	after(feed.Unasked, time.Minute, reading(14.2, 30, false), "a charger on the stand")

	noVoltage := reading(0, 0, true)
	noVoltage.FeedV.Quality = unit.NoAnswer
	after(feed.Unknown, time.Hour, noVoltage, "a full bank takes nothing: current alone can't tell")
	noCurrent := reading(12.6, 0, true)
	noCurrent.CurrentA.Quality = unit.NoAnswer
	after(feed.Missing, time.Hour, noCurrent, "the voltage tells")
	noWake := reading(12.6, 0, false)
	noWake.WakeLine = unit.ContactUnknown
	after(feed.Off, time.Hour, noWake, "nothing asks that can be seen")
	hot := reading(13.1, 0, true)
	hot.TempC.Value = 45
	after(feed.Present, time.Minute, hot, "13.3 V at 25 °C is 12.94 V at 45 °C")
}

func TestAMotorRunChangesNothing(t *testing.T) {
	j := feed.New(feed.Settings{Allowance: 2 * time.Minute, PresentV: 13.3, PresentA: 1})
	assert.Equal(t, feed.Present, hold(j, 0, time.Minute, reading(14.2, 30, true)))
	r := reading(12.1, -90, true)
	r.MotorOn = true
	assert.Equal(t, feed.Present, hold(j, 2*time.Minute, 20*time.Second, r))
}

// After hours without power the wake line may have come on just now.
func TestAfterAGapTheFeedIsAwaitedAnew(t *testing.T) {
	j := feed.New(feed.Settings{Allowance: 2 * time.Minute, PresentV: 13.3, PresentA: 1})
	asked := reading(12.6, -0.1, true)
	assert.Equal(t, feed.Missing, hold(j, 0, time.Hour, asked))
	assert.Equal(t, feed.Awaited, hold(j, 5*time.Hour, time.Minute, asked))
	assert.Equal(t, feed.Missing, hold(j, 5*time.Hour+61*time.Second, 2*time.Minute, asked))
	assert.Equal(
		t,
		time.Hour,
		(j.WakeTime() - 3*time.Minute - time.Second).Round(time.Second),
		"what was before and after the gap",
	)
}

var set = feed.Settings{Allowance: 2 * time.Minute, PresentV: 13.3, PresentA: 1}

// Each bound, on either side.
func TestBoundsOfAFeed(t *testing.T) {
	arrives := func(feedV float64) feed.Input {
		r := reading(feedV, 0, true)
		r.BankV = good(13.2)
		return r
	}
	for _, tt := range []struct {
		about string
		in    feed.Input
		want  feed.Status
	}{
		{"no bank keeps 13.9 V by itself", reading(13.95, 0, false), feed.Unasked},
		{"below, it may", reading(13.85, 0, false), feed.Off},
		{"0.3 V above the posts is two taps' error", arrives(13.48), feed.Present},
		{"more does not arrive", arrives(13.52), feed.Missing},
	} {
		assert.Equal(t, tt.want, hold(feed.New(set), 0, 3*time.Minute, tt.in), tt.about)
	}
}

// A gap of 20 minutes is part of what was before; the current is averaged over 3 s.
func TestTimesOfAFeed(t *testing.T) {
	for _, tt := range []struct {
		gap  time.Duration
		want time.Duration
	}{{19 * time.Minute, 20 * time.Minute}, {20 * time.Minute, 21 * time.Minute}, {21 * time.Minute, time.Minute}} {
		j := feed.New(set)
		r := reading(14.2, 30, true)
		hold(j, 0, time.Minute, r)
		r.At = time.Minute + tt.gap
		j.Step(&r)
		assert.Equal(t, tt.want, j.FeedTime(), "%v", tt.gap)
	}
	j := feed.New(set)
	hold(j, 0, time.Minute, reading(12.6, 0, true))
	r := reading(12.6, 3.9, true)
	r.At = time.Minute + time.Second
	assert.Equal(t, feed.Awaited, j.Step(&r), "a quarter of 3.9 A after a second")
	r = reading(12.6, 1.5, true)
	r.At = time.Minute + 2*time.Second
	assert.Equal(t, feed.Present, j.Step(&r), "and 1.5 A on it")
	assert.InDelta(t, 3.9/4+(1.5-3.9/4)/4, j.State().SmoothA, 1e-9)
}

// What a converter gives is averaged over 10 s; from 8 A on it has shown what it can.
func TestWhatAConverterGives(t *testing.T) {
	for _, tt := range []struct {
		amps  float64
		known bool
	}{{7.9, false}, {8.1, true}} {
		var o feed.Output
		_, ok := o.Step(0, feed.Present, good(0), false)
		assert.False(t, ok)
		a, ok := o.Step(10*time.Second, feed.Present, good(2*tt.amps), false)
		assert.True(t, ok)
		assert.InDelta(t, tt.amps, a, 1e-9, "half of a step after its time")
		best, known := o.CanGive()
		assert.InDelta(t, tt.amps, best, 1e-9)
		assert.Equal(t, tt.known, known)
	}
}
