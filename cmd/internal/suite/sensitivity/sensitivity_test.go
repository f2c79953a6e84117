package sensitivity

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/suite/estimator"
	"liftbank/cmd/internal/suite/findings"
)

func TestWhatMoved(t *testing.T) {
	was := &outcome{
		findings: findings.Report{
			Missed: []string{"a 1 feed-lost"}, NotRoot: []string{},
			Rows: []findings.Row{{Finding: "hot", Raised: 3}, {Finding: "bank-low", Raised: 1, Delays: []float64{60}}},
		},
		estimator: estimator.Report{Rows: []estimator.Row{{Scenario: "cycled-agm", RMSPct: 1.2, InBandPct: 95, KnownPct: 100}}},
	}
	tests := []struct {
		name     string
		change   func(*outcome)
		verdicts []string
		figures  []string
	}{
		{name: "nothing", change: func(*outcome) {}},
		{name: "less than people read", change: func(o *outcome) { o.estimator.Rows[0].RMSPct = 1.24 }},
		{name: "a figure", change: func(o *outcome) { o.estimator.Rows[0].RMSPct = 1.26 },
			figures: []string{"cycled-agm charge RMS % 1.2 -> 1.26"}},
		{name: "band", change: func(o *outcome) { o.estimator.Rows[0].InBandPct = 90 },
			figures: []string{"cycled-agm charge in band % 95 -> 90"}},
		{name: "a verdict", change: func(o *outcome) { o.findings.False = []string{"b 1 hot"} },
			verdicts: []string{"false: b 1 hot"}},
		{name: "a verdict back", change: func(o *outcome) { o.findings.Missed = nil },
			verdicts: []string{"no longer missed: a 1 feed-lost"}},
		{name: "later", change: func(o *outcome) { o.findings.Rows[1].Delays = []float64{90} },
			figures: []string{"bank-low detected after 60 -> 90 s"}},
		{name: "more often", change: func(o *outcome) { o.findings.Rows[0].Raised = 5 },
			figures: []string{"hot raised 3 -> 5 times"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			is := *was
			is.findings.Rows = append([]findings.Row(nil), was.findings.Rows...)
			is.estimator.Rows = append([]estimator.Row(nil), was.estimator.Rows...)
			tt.change(&is)
			var c Change
			c.compare(was, &is)
			assert.Equal(t, tt.verdicts, c.Verdicts)
			assert.Equal(t, tt.figures, c.Figures)
		})
	}
}

func TestTable(t *testing.T) {
	r := Report{Changes: []*Change{
		{Name: "feed.onV", Factor: 0.75, Origin: "our choice", Verdicts: []string{"missed: x", "false: y", "false: z"}},
		{Name: "feed.onV", Factor: 1.25, Origin: "our choice", Figures: []string{"hot raised 3 -> 5 times"}},
		{Name: "bank.n", Factor: 0.75}, {Name: "bank.n", Factor: 1.25, Crash: "panic: bug"},
	}, Fixed: []string{"unit.MaxBatteries"}}
	var text strings.Builder
	require.NoError(t, r.Table(&text))
	assert.Equal(t, `feed.onV x 0.75  our choice  verdict: missed: x; false: y; and 1 more
feed.onV x 1.25  our choice  figure: hot raised 3 -> 5 times
bank.n x 1.25                refused: panic: bug
moves nothing: bank.n x 0.75
4 changes by a quarter: 1 move a verdict, 1 a figure, 1 nothing, 1 are refused; 1 constants can't be changed
`, text.String())
	assert.Equal(t, 4, r.Jobs())
}
