package visits

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/words"
	"liftbank/agent/visit"
	"liftbank/agent/visit/judge"
)

// Bold in the report is a change beyond twice the uncertainty of both together, for each kind of figure, and nothing else:
// not a figure that one side lacks, nor one whose uncertainty nobody knows.
func TestBoldIsBeyondTheUncertainty(t *testing.T) {
	kinds := []struct {
		name string // a part of the row's
		set  func(f *visit.Figures, v, sigma *float64)
	}{
		{"Cold cranking", func(f *visit.Figures, v, s *float64) {
			f.Batteries[0].CrankingA, f.Batteries[0].Sigmas.CrankingA = v, s
		}},
		{"State of charge", func(f *visit.Figures, v, s *float64) { f.Batteries[0].SoCPct, f.Batteries[0].Sigmas.SoCPct = v, s }},
		{"Rested voltage", func(f *visit.Figures, v, s *float64) { f.Batteries[0].RestedV, f.Batteries[0].Sigmas.RestedV = v, s }},
		{"Resistance, mΩ", func(f *visit.Figures, v, s *float64) {
			f.Batteries[0].ResistanceMohm, f.Batteries[0].Sigmas.ResistanceMohm = v, s
		}},
		{"ositive link", func(f *visit.Figures, v, s *float64) { f.Links[0].ResistanceMohm, f.Links[0].SigmaMohm = v, s }},
		{words.English.W["FeedPath"], func(f *visit.Figures, v, s *float64) { f.FeedMohm, f.FeedSigmaMohm = v, s }},
		{words.English.W["MotorPath"], func(f *visit.Figures, v, s *float64) { f.MotorMohm, f.MotorSigmaMohm = v, s }},
	}
	empty := func() visit.Figures {
		return visit.Figures{
			Batteries: []visit.BatteryFigures{{ID: "a", Verdict: "fit", Sigmas: &visit.Sigmas{}}},
			Links:     []visit.LinkFigures{{Side: "positive", From: "a", To: "b"}},
		}
	}
	v := func(x float64) *float64 { return &x }
	both := math.Hypot(3, 4) // 5
	for _, k := range kinds {
		for _, c := range []struct {
			what             string
			b, bs, a, as     *float64
			bold, noRowAtAll bool
		}{
			{"just within", v(100), v(3), v(100 + 2*both - 0.01), v(4), false, false},
			{"just beyond", v(100), v(3), v(100 + 2*both + 0.01), v(4), true, false},
			{"beyond, the other way", v(100), v(3), v(100 - 2*both - 0.01), v(4), true, false},
			{"the same", v(100), v(3), v(100), v(3), false, false},
			{"uncertainty before not known", v(100), nil, v(900), v(4), false, false},
			{"uncertainty after not known", v(100), v(3), v(900), nil, false, false},
			{"not known before", nil, nil, v(900), v(4), false, false},
			{"not known after", v(900), v(3), nil, nil, false, false},
			{"not known at all", nil, nil, nil, nil, false, true},
			{"not a number", v(100), v(math.NaN()), v(900), v(4), false, false},
		} {
			x := &visit.Visit{Before: empty(), After: empty()}
			k.set(&x.Before, c.b, c.bs)
			k.set(&x.After, c.a, c.as)
			first, more := compareFigures(words.Readers[0], x)
			var rows []compareRow
			for _, r := range append(first, more...) {
				if strings.Contains(r.Name, k.name) {
					rows = append(rows, r)
				} else {
					assert.False(t, r.BeforeBold || r.AfterBold, "%s, %s: %s", k.name, c.what, r.Name)
				}
			}
			if c.noRowAtAll {
				assert.Empty(t, rows, k.name)
				continue
			}
			require.Len(t, rows, 1, "%s, %s", k.name, c.what)
			assert.Equal(t, []bool{c.bold, c.bold}, []bool{rows[0].BeforeBold, rows[0].AfterBold}, "%s, %s", k.name, c.what)
		}
	}

	row := func(x *visit.Visit, name string) compareRow {
		first, more := compareFigures(words.Readers[0], x)
		for _, r := range append(first, more...) {
			if strings.Contains(r.Name, name) {
				return r
			}
		}
		require.Fail(t, "no such row", name)
		return compareRow{}
	}
	for _, c := range []struct {
		before, after string
		bold          bool
	}{{"fit", "fit", false}, {"tired", "fit", true}, {"tired", "unknown", false}, {"unknown", "fit", false}, {"fit", "", false}} {
		x := &visit.Visit{Before: empty(), After: empty()}
		x.Before.Batteries[0].Verdict, x.After.Batteries[0].Verdict = c.before, c.after
		r := row(x, "Verdict")
		assert.Equal(t, []bool{c.bold, c.bold}, []bool{r.BeforeBold, r.AfterBold}, "%s to %s", c.before, c.after)
	}

	// Below its limit a figure is bold where that is beyond its own uncertainty. 80 % of 950 A are 760 A.
	x := &visit.Visit{Before: empty(), After: empty()}
	x.Passports = []visit.Labeled{{Battery: "a", Fitted: visit.Fitted{RatedCCA: 950}}}
	kinds[0].set(&x.Before, v(759.9-2*30), v(30))
	kinds[0].set(&x.After, v(760.1-2*30), v(30))
	r := row(x, "Cold cranking")
	assert.Equal(t, "760", r.Limit)
	assert.True(t, r.BeforeBold)
	assert.False(t, r.AfterBold)

	// A load test is bold where it fails: what a meter may be wrong about is at the limit.
	needed := 9.6
	for outcome, bold := range map[judge.Outcome]bool{judge.Fails: true, judge.Borderline: false, judge.Passes: false, judge.NotJudged: false} {
		x.Tests = []visit.Test{{Battery: "a", VoltageV: v(9.4), Tested: visit.Tested{Load: &judge.LoadResult{Outcome: outcome, NeededV: &needed}}}}
		r := row(x, words.English.W["TestTitle"])
		assert.Equal(t, bold, r.BeforeBold, outcome)
		assert.False(t, r.AfterBold)
	}
}
