package findings

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/suite"
	"liftbank/cmd/slowtest"
	"liftbank/sim/scenario"
)

// A part of the suite that takes seconds: prompt findings, their times and their roots, and a
// healthy day.
func TestPromptFindings(t *testing.T) {
	slowtest.SkipUnderRace(t)
	o := suite.Options{
		Seeds: 1, First: 1, Days: 1.5, Workers: 2, Step: 10 * time.Second,
		Only: regexp.MustCompile("^(series-wired|reversed|feed-high|disconnect-open|healthy-day|charge-breaker-open)$"),
	}
	result, err := Suite.Run(t.Context(), o)
	require.NoError(t, err)
	r := result.(*Report)
	assert.Equal(t, 6, r.Jobs())
	assert.Empty(t, r.Missed)
	assert.Empty(t, r.False)
	assert.Empty(t, r.NotRoot)
	found := map[string]int{}
	for _, x := range r.Rows {
		found[x.Finding] = x.Found
		assert.GreaterOrEqual(t, x.Raised, x.Found, "%s: what was found was raised", x.Finding)
	}
	for _, name := range []string{"series-wired", "reversed", "feed-high", "motor-dead", "feed-lost"} {
		assert.Equal(t, 1, found[name], name)
	}
	var table strings.Builder
	require.NoError(t, r.Table(&table))
	assert.NotContains(t, table.String(), "MISSED")
	assert.Contains(t, table.String(), "100.0")
}

// The sweep breaks each channel in each way that its kind allows, and --only picks from it.
func TestSweepOfOneChannel(t *testing.T) {
	slowtest.SkipUnderRace(t)
	o := suite.Options{Seeds: 1, First: 1, Workers: 2, Step: 10 * time.Second, Sweep: true,
		Only: regexp.MustCompile("^sweep feed channel-(open|stuck 12.6)")}
	result, err := Suite.Run(t.Context(), o)
	require.NoError(t, err)
	r := result.(*Report)
	assert.Equal(t, 2, r.Sweep.Cases)
	assert.Positive(t, r.Sweep.Found)
	assert.Empty(t, r.Sweep.False)
}

// A finding raised while its condition was too near its limit to tell counts as raised once the
// condition is true while it stands; it is not early. Where it never becomes true, it says nothing.
func TestARaiseInDoubtCountsOnceItIsTrue(t *testing.T) {
	h := func(n float64) time.Duration { return time.Duration(n * float64(time.Hour)) }
	r := newReport()
	r.add(&result{job: &job{name: "feed-low", seed: 1}, Findings: &score.Findings{
		Spans: []score.Span{{Finding: "feed-low", From: h(50), To: h(90), Found: h(50)}},
		Raises: []score.Raise{
			{Finding: "feed-low", From: h(40), To: h(90), Doubtful: true},
			{Finding: "feed-high", From: h(1), To: h(2), Doubtful: true},
			{Finding: "feed-low", From: h(10), To: h(60)},
			{Finding: "hot", From: h(1), To: h(2)},
		},
	}})
	counts := map[string][3]int{}
	for _, x := range r.Rows {
		if x.Raised > 0 {
			counts[x.Finding] = [3]int{x.Raised, x.False, x.Early}
		}
	}
	assert.Equal(t, map[string][3]int{"feed-low": {2, 0, 1}, "hot": {1, 1, 0}}, counts)
}

// A condition that begins as the run ends can't have been found.
func TestAConditionAtTheEndIsNotMissed(t *testing.T) {
	r := newReport()
	for _, to := range []time.Duration{96 * time.Hour, 97 * time.Hour} {
		r.add(&result{job: &job{name: "sense-off", seed: 1, sc: scenario.Scenario{Expect: []string{"sense-fault"}}},
			Findings: &score.Findings{Spans: []score.Span{{Finding: "sense-fault", From: 96 * time.Hour, To: to, Found: -1}}}})
	}
	assert.Len(t, r.Missed, 1)
	assert.Equal(t, 1, r.row("sense-fault").Cases)
}

// A battery labelled wrong counts as named if it was, whatever else was raised.
func TestWrongLabelsAreCounted(t *testing.T) {
	r := newReport()
	sc := scenario.Scenario{}
	sc.Bank.Batteries = []scenario.Battery{
		{ID: "a", Chemistry: "agm", Labeled: "flooded"}, {ID: "b", Chemistry: "agm", Labeled: "flooded"}, {ID: "c", Chemistry: "agm"},
	}
	r.add(&result{job: &job{name: "label-mismatch", seed: 1, sc: sc}, Findings: &score.Findings{
		Raises: []score.Raise{{Finding: "label-mismatch", Subject: "b"}, {Finding: "hot", Subject: "a"}},
	}})
	assert.Equal(t, Labels{Wrong: 2, Named: 1}, r.Labels)
	var table strings.Builder
	require.NoError(t, r.Table(&table))
	assert.Contains(t, table.String(), "wrong labels: 2 batteries, 50.0 % told")
}

// A bound that is about some stories alone is held by their delays, whatever others take.
func TestABoundOfSomeStories(t *testing.T) {
	r := newReport()
	day := 24 * time.Hour
	add := func(name string, took time.Duration) {
		r.add(&result{job: &job{name: name, seed: 1, sc: scenario.Scenario{Expect: []string{"blocks-unequal"}}},
			Findings: &score.Findings{Spans: []score.Span{{Finding: "blocks-unequal", Subject: "a", To: 20 * day, Found: took}}}})
	}
	add("series-unequal", 12*day)
	assert.Equal(t, "-", r.row("blocks-unequal").Bound)
	add("series-tap-load", 2*day)
	assert.Equal(t, "168h0m0s of tap-load kept", r.row("blocks-unequal").Bound)
	add("pairs-tap-load", 9*day)
	assert.Equal(t, "168h0m0s of tap-load MISSED", r.row("blocks-unequal").Bound)
	assert.Len(t, r.row("blocks-unequal").Delays, 3)
}

// A battery that came near reversal counts as named if any finding about it, and it alone, came before.
func TestReversalsNamedBefore(t *testing.T) {
	r := newReport()
	add := func(raises ...score.Raise) {
		r.add(&result{job: &job{name: "series-reversal", seed: 1}, Findings: &score.Findings{Raises: raises, Spans: []score.Span{
			{Finding: "near-reversal", Subject: "b", From: 50 * time.Hour, To: 51 * time.Hour, Found: -1},
			{Finding: "near-reversal", Subject: "b", From: 90 * time.Hour, To: 91 * time.Hour, Found: -1},
		}}})
	}
	add(score.Raise{Finding: "blocks-unequal", Subject: "b", From: 40 * time.Hour, To: 99 * time.Hour, Behind: true})
	add(score.Raise{Finding: "blocks-unequal", Subject: "b", From: 60 * time.Hour, To: 99 * time.Hour, Behind: true})
	add(score.Raise{Finding: "battery-tired", Subject: "a", From: 40 * time.Hour, To: 99 * time.Hour, Behind: true})
	assert.Equal(t, Reverse{Cases: 3, Named: 1}, r.Reverse)
}
