package worklist_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/fleet/worklist"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	"liftbank/rules/detect"
)

var now = time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)

func fnd(name, subject, severity string, age time.Duration, change ...func(*snapshot.Finding)) snapshot.Finding {
	at := now.Add(-age)
	f := snapshot.Finding{
		Name: name, Subject: subject, Severity: severity, State: "unacknowledged", Active: true, Since: at, RaisedAt: &at,
		Title: name,
	}
	for _, c := range change {
		c(&f)
	}
	return f
}

func state(s string) func(*snapshot.Finding) { return func(f *snapshot.Finding) { f.State = s } }

func causedBy(name, subject string) func(*snapshot.Finding) {
	return func(f *snapshot.Finding) { f.CausedBy, f.CausedByOf = name, subject }
}

func ptr[T any](v T) *T { return &v }

func snap() *snapshot.Snapshot {
	return &snapshot.Snapshot{
		Bank: snapshot.Bank{
			SoCPct:    snapshot.Estimate{Value: ptr(64.0), Sigma: ptr(2.0)},
			LiftsLeft: snapshot.Estimate{Value: ptr(140.0), Sigma: ptr(21.0)},
		},
		Batteries: []snapshot.Battery{
			{ID: "a", Chemistry: "flooded", RatedAh: 100, RatedCCA: 950}, {ID: "b", Chemistry: "agm", RatedAh: 75, RatedCCA: 800},
		},
	}
}

func unitOf(f ...snapshot.Finding) worklist.Unit {
	return worklist.Unit{ID: "u", Snapshot: snap(), Findings: f, HeardAt: now}
}

func TestEveryFindingHasItsPlaceAndWords(t *testing.T) {
	ranks := map[int64]string{}
	for _, d := range detect.Catalog() {
		r := worklist.Of(unitOf(fnd(d.Name, "", "note", time.Hour)), now)
		assert.Empty(t, ranks[r.Rank], "%s has the rank of another", d.Name)
		ranks[r.Rank] = d.Name
		for _, to := range words.Readers {
			assert.NotEmpty(t, worklist.Next(to, d.Name), "%s in %s", d.Name, to.Tag)
			assert.NotContains(t, worklist.Headline(to, worklist.Key{Name: d.Name, Subject: "b"}, "?"), "{")
		}
	}
	unknown := worklist.Of(unitOf(fnd("of-a-newer-agent", "", "note", time.Hour)), now)
	for rank := range ranks {
		assert.Less(t, rank, unknown.Rank)
	}
	for _, kind := range worklist.PartKinds {
		for _, to := range words.Readers {
			assert.NotEqual(t, kind, worklist.Part{Kind: kind}.Words(to), to.Tag)
		}
	}
}

func TestRowsOfOneUnit(t *testing.T) {
	feedWeak, flat := fnd("feed-weak", "", "repair", 48*time.Hour), fnd("bank-flat", "", "urgent", time.Hour, causedBy("feed-weak", ""))
	tests := map[string]struct {
		findings []snapshot.Finding
		want     func(*testing.T, worklist.Row)
	}{
		"nothing": {nil, func(t *testing.T, r worklist.Row) {
			assert.Equal(t, worklist.ListWell, r.List)
			assert.Empty(t, r.Severity)
		}},
		"urgent before repair before note": {
			[]snapshot.Finding{
				fnd("service-due", "", "note", 99*time.Hour), fnd("link-resistive", "positive link a-b", "repair", 9*time.Hour),
				fnd("feed-lost", "", "urgent", time.Minute),
			}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, "feed-lost", r.Name)
				assert.Equal(t, "urgent", r.Severity)
				assert.Equal(t, []worklist.Key{{Name: "link-resistive", Subject: "positive link a-b"}, {Name: "service-due"}}, r.Others)
			},
		},
		"what threatens the lift before what is older": {
			[]snapshot.Finding{fnd("battery-tired", "a", "repair", 900*time.Hour), feedWeak},
			func(t *testing.T, r worklist.Row) { assert.Equal(t, "feed-weak", r.Name) },
		},
		"explained is no row, and lends its severity": {
			[]snapshot.Finding{flat, feedWeak}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, "feed-weak", r.Name)
				assert.Equal(t, "urgent", r.Severity)
				assert.Equal(t, []worklist.Key{{Name: "bank-flat"}}, r.Explained)
				assert.Empty(t, r.Others)
			},
		},
		"explained by what has cleared stands alone": {
			[]snapshot.Finding{flat}, func(t *testing.T, r worklist.Row) { assert.Equal(t, "bank-flat", r.Name) },
		},
		"explained in a circle": {
			[]snapshot.Finding{
				fnd("bank-low", "", "repair", 5*time.Hour, causedBy("feed-low", "")),
				fnd("feed-low", "", "repair", 5*time.Hour, causedBy("bank-low", "")),
			}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, "bank-low", r.Name)
				assert.Equal(t, []worklist.Key{{Name: "feed-low"}}, r.Others)
			},
		},
		"acknowledged and shelved come later": {
			[]snapshot.Finding{
				fnd("feed-lost", "", "urgent", time.Hour, state("acknowledged")),
				fnd("battery-failed", "b", "urgent", time.Minute),
				fnd("bank-flat", "", "urgent", time.Hour, state("shelved")),
				fnd("motor-dead", "", "urgent", time.Hour, state("out of service")),
			}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, worklist.Key{Name: "battery-failed", Subject: "b"}, r.Key)
				assert.Equal(t, []worklist.Key{{Name: "feed-lost"}, {Name: "bank-flat"}, {Name: "motor-dead"}}, r.Others)
			},
		},
		"shelved alone stays in the list and says so": {
			[]snapshot.Finding{fnd("motor-drop", "", "repair", time.Hour, state("shelved"), func(f *snapshot.Finding) {
				f.ShelvedUntil = ptr(now.Add(time.Hour))
			})}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, worklist.ListWork, r.List)
				assert.Equal(t, "shelved", r.State)
				assert.NotNil(t, r.ShelvedUntil)
			},
		},
		"wired in series: nothing of the bank is a fact": {
			[]snapshot.Finding{
				fnd("battery-failed", "b", "urgent", time.Hour), fnd("series-wired", "", "urgent", time.Minute),
				fnd("feed-weak", "", "repair", time.Hour), fnd("service-due", "", "note", time.Hour),
			}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, "series-wired", r.Name)
				assert.Equal(t, "series-wired", r.Doubt)
				assert.Nil(t, r.ChargePct)
				assert.Nil(t, r.LiftsLow)
				assert.Equal(t, []worklist.Key{{Name: "service-due"}}, r.Others)
				assert.ElementsMatch(t, []worklist.Key{{Name: "battery-failed", Subject: "b"}, {Name: "feed-weak"}}, r.Doubted)
				assert.Equal(t, []worklist.Part{{Kind: "oil", Count: 1}, {Kind: "filter", Count: 1}}[0].Kind, r.Parts[0].Kind)
				assert.Len(t, r.Parts, 2, "no battery for one that is not judged")
			},
		},
		"reversed": {
			[]snapshot.Finding{fnd("reversed", "a", "urgent", time.Hour), fnd("bank-low", "", "repair", time.Hour)},
			func(t *testing.T, r worklist.Row) {
				assert.Equal(t, "reversed", r.Doubt)
				assert.Equal(t, []worklist.Key{{Name: "bank-low"}}, r.Doubted)
			},
		},
		"a sensor's fault doubts its battery alone": {
			[]snapshot.Finding{
				fnd("sense-fault", "battery b current", "repair", time.Hour), fnd("battery-failed", "b", "urgent", time.Hour),
				fnd("battery-tired", "a", "repair", time.Hour),
			}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, "battery-tired", r.Name, "before the sensor: it threatens the lift")
				assert.Equal(t, []worklist.Key{{Name: "battery-failed", Subject: "b"}}, r.Doubted)
				assert.Equal(t, "sense-fault", r.Doubt)
				assert.Nil(t, r.ChargePct)
			},
		},
		"a thermometer doubts no charge": {
			[]snapshot.Finding{fnd("sense-fault", "battery b temperature", "repair", time.Hour)},
			func(t *testing.T, r worklist.Row) {
				assert.Empty(t, r.Doubt)
				assert.Equal(t, 64.0, *r.ChargePct)
			},
		},
		"what can't be judged now is not lost": {
			[]snapshot.Finding{fnd("battery-failed", "b", "urgent", time.Hour, func(f *snapshot.Finding) {
				f.Because = &snapshot.Text{ID: "why.x", English: "x"}
			})}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, worklist.ListWork, r.List)
				assert.Equal(t, "battery-failed", r.Name)
				assert.Equal(t, []worklist.Key{{Name: "battery-failed", Subject: "b"}}, r.Doubted)
				assert.Empty(t, r.Parts)
			},
		},
		"cleared is nothing to do": {
			[]snapshot.Finding{fnd("bank-low", "", "repair", time.Hour, state("returned to normal unacknowledged"), func(f *snapshot.Finding) {
				f.Active = false
			})}, func(t *testing.T, r worklist.Row) { assert.Equal(t, worklist.ListWell, r.List) },
		},
		"loss of charge forecasts the day": {
			[]snapshot.Finding{fnd("balance-negative", "", "repair", time.Hour, func(f *snapshot.Finding) {
				f.Evidence = []snapshot.Evidence{{What: snapshot.Text{ID: "evidence.until-service-voltage"}, Value: 2, Unit: "d", At: now}}
			})}, func(t *testing.T, r worklist.Row) { assert.Equal(t, now.Add(48*time.Hour), r.ByWhen) },
		},
		"figures": {
			[]snapshot.Finding{fnd("battery-failed", "b", "urgent", time.Hour)}, func(t *testing.T, r worklist.Row) {
				assert.Equal(t, 64.0, *r.ChargePct)
				assert.Equal(t, 95.0, *r.LiftsLow)
				assert.Equal(t, 190.0, *r.LiftsHigh)
				assert.Equal(t, now.Add(23*time.Hour), r.ByWhen)
				assert.Equal(t, []worklist.Part{{Kind: "battery", Chemistry: "agm", RatedAh: 75, RatedCCA: 800, Count: 1}}, r.Parts)
			},
		},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) { test.want(t, worklist.Of(unitOf(test.findings...), now)) })
	}
}

// The evidence that a date is taken from is the rules' own.
func TestForecastOfTheRulesIsRead(t *testing.T) {
	assert.Contains(t, words.Languages[1].Said, "evidence.until-service-voltage")
}

func TestSilentVisitAndSettled(t *testing.T) {
	f := fnd("bank-low", "", "repair", time.Hour)
	of := func(change func(*worklist.Unit), findings ...snapshot.Finding) worklist.Row {
		u := unitOf(findings...)
		change(&u)
		return worklist.Of(u, now)
	}
	silent := func(u *worklist.Unit) { u.HeardAt = now.Add(-worklist.SilentAfter) }
	assert.Equal(t, worklist.ListSilent, of(silent).List)
	assert.Equal(t, worklist.ListSilent, of(func(u *worklist.Unit) { u.HeardAt = time.Time{} }).List, "never heard")
	r := of(silent, f)
	assert.Equal(t, worklist.ListWork, r.List, "silence hides no work")
	assert.True(t, r.Silent)
	r = of(func(u *worklist.Unit) { silent(u); u.QuietUntil = now.Add(time.Hour) })
	assert.True(t, r.Announced)
	r = of(func(u *worklist.Unit) { u.Visit = &worklist.OpenVisit{By: "V", Since: now.Add(-time.Hour)} }, f)
	assert.Equal(t, worklist.ListVisit, r.List)
	r = of(func(u *worklist.Unit) { u.Visit = &worklist.OpenVisit{By: "V", Since: now.Add(-worklist.VisitLasts)} }, f)
	assert.Equal(t, worklist.ListWork, r.List, "a visit that nobody ended")
	for _, s := range []worklist.State{worklist.Done, worklist.Dismissed} {
		r = of(func(u *worklist.Unit) { u.Work = []worklist.Work{{Key: worklist.KeyOf(&f), State: s}} }, f)
		assert.Equal(t, worklist.ListSettled, r.List)
		assert.Equal(t, []worklist.Key{{Name: "bank-low"}}, r.Settled)
		assert.Empty(t, r.Parts)
	}
}

func TestPartsAreAddedUp(t *testing.T) {
	r := worklist.Of(unitOf(
		fnd("battery-tired", "a", "repair", 1), fnd("battery-failed", "a", "urgent", 1), fnd("battery-tired", "b", "repair", 1),
		fnd("link-resistive", "positive link a-b", "repair", 1), fnd("link-resistive", "negative link a-b", "repair", 1),
		fnd("motor-drop", "", "repair", 1), fnd("motor-dead", "", "urgent", 1),
		fnd("battery-tired", "no such battery", "repair", 1),
	), now)
	want := []worklist.Part{
		{Kind: "battery", Count: 1},
		{Kind: "battery", Chemistry: "agm", RatedAh: 75, RatedCCA: 800, Count: 1},
		{Kind: "battery", Chemistry: "flooded", RatedAh: 100, RatedCCA: 950, Count: 1},
		{Kind: "lug", Count: 4}, {Kind: "contactor", Count: 1},
	}
	assert.Equal(t, want, r.Parts)
	both := worklist.Sum(append(slices.Clone(r.Parts), r.Parts...))
	for i := range both {
		assert.Equal(t, 2*want[i].Count, both[i].Count)
		back, err := worklist.ParsePart(both[i].Key(), both[i].Count)
		require.NoError(t, err)
		assert.Equal(t, both[i], back)
	}
	assert.Equal(t, "Battery AGM 75\u00a0Ah, 800\u00a0A", want[1].Words(words.Readers[0]))
	for _, bad := range []string{"", "battery", "battery/a/b/c", "x/1/2/3", "battery/a/1", "lug/"} {
		_, err := worklist.ParsePart(bad, 1)
		assert.Error(t, err, bad)
	}
}

func TestSetWork(t *testing.T) {
	k := worklist.Key{Name: "bank-low"}
	tests := []struct {
		want worklist.Work
		err  error
	}{
		{worklist.Work{State: worklist.Open}, nil},
		{worklist.Work{State: worklist.Assigned, Who: " R. Vale "}, nil},
		{worklist.Work{State: worklist.Assigned, Who: "\u202e \n"}, worklist.ErrWho},
		{worklist.Work{State: worklist.Planned, Date: "2026-03-16"}, nil},
		{worklist.Work{State: worklist.Planned, Date: "2026-03-09"}, nil},
		{worklist.Work{State: worklist.Planned, Date: "2026-03-08"}, worklist.ErrDate},
		{worklist.Work{State: worklist.Planned, Date: "16 Mar"}, worklist.ErrDate},
		{worklist.Work{State: worklist.Planned, Date: "2999-01-01"}, worklist.ErrDate},
		{worklist.Work{State: worklist.Done}, nil},
		{worklist.Work{State: worklist.Dismissed}, worklist.ErrReason},
		{worklist.Work{State: worklist.Dismissed, Reason: "sold"}, nil},
		{worklist.Work{State: "gone"}, worklist.ErrState},
		{worklist.Work{State: worklist.Dismissed, Reason: string(make([]rune, 9)) + fmt.Sprintf("%0600d", 1)}, worklist.ErrLong},
	}
	for _, test := range tests {
		test.want.Key = k
		got, err := worklist.Set(test.want, "desk", now)
		assert.ErrorIs(t, err, test.err)
		if err == nil {
			assert.Equal(t, test.want.State, got.State)
			assert.Equal(t, "desk", got.By)
		}
	}
	got, err := worklist.Set(worklist.Work{Key: k, State: worklist.Open, Who: "x", Date: "2026-03-16", Reason: "y"}, "desk", now)
	require.NoError(t, err)
	assert.Equal(t, worklist.Work{Key: k, State: worklist.Open, By: "desk", At: now}, got)
}

func TestVisitClosesWork(t *testing.T) {
	raised := now.Add(-48 * time.Hour)
	tired := worklist.Work{Key: worklist.Key{Name: "battery-tired", Subject: "b"}, State: worklist.Planned, At: now.Add(-24 * time.Hour)}
	remains := []visit.Remaining{{Name: "battery-tired", Subject: "b"}}
	v := func(change func(*visit.Visit)) *visit.Visit {
		v := &visit.Visit{ID: "v1", By: "R. Vale", Begun: now.Add(-2 * time.Hour), Finished: now, ClockTrusted: true}
		change(v)
		return v
	}
	replaced := func(battery string, at time.Time) []visit.Work {
		return []visit.Work{{Kind: visit.BatteryReplaced, Subject: battery, At: at}}
	}
	tests := map[string]struct {
		v    *visit.Visit
		want bool
	}{
		"gone at the end":          {v(func(*visit.Visit) {}), true},
		"stands at the end":        {v(func(v *visit.Visit) { v.Findings = remains }), false},
		"stands, battery replaced": {v(func(v *visit.Visit) { v.Findings, v.Work = remains, replaced("b", now) }), true},
		"stands, replaced and undone": {v(func(v *visit.Visit) {
			v.Findings, v.Work = remains, replaced("b", now)
			v.Work[0].TakenBack = &now
		}), false},
		"stands, another one":         {v(func(v *visit.Visit) { v.Findings, v.Work = remains, replaced("a", now) }), false},
		"replaced before it was so":   {v(func(v *visit.Visit) { v.Findings, v.Work = remains, replaced("b", raised.Add(-1)) }), false},
		"visit before the finding":    {v(func(v *visit.Visit) { v.Finished = raised.Add(-time.Hour) }), false},
		"visit before the desk's say": {v(func(v *visit.Visit) { v.Finished = now.Add(-30 * time.Hour) }), false},
		"clock never set":             {v(func(v *visit.Visit) { v.ClockTrusted = false }), false},
		"shortened":                   {v(func(v *visit.Visit) { v.Shortened = true }), false},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			got, changed := worklist.AfterVisit(tired, raised, test.v)
			assert.Equal(t, test.want, changed)
			if test.want {
				assert.Equal(t, worklist.Done, got.State)
				assert.Equal(t, "v1", got.Visit)
				_, again := worklist.AfterVisit(got, raised, test.v)
				assert.False(t, again)
			} else {
				assert.Equal(t, tired, got)
			}
		})
	}
}

func TestFindingMovesWork(t *testing.T) {
	f := fnd("bank-low", "", "repair", time.Hour)
	k := worklist.KeyOf(&f)
	for _, s := range []worklist.State{worklist.Done, worklist.Dismissed} {
		got, changed := worklist.AfterFinding(worklist.Work{Key: k, State: s, At: now.Add(-2 * time.Hour), Who: "x"}, &f)
		assert.True(t, changed, "raised anew opens")
		assert.Equal(t, worklist.Open, got.State)
		assert.Empty(t, got.Who)
		_, changed = worklist.AfterFinding(worklist.Work{Key: k, State: s, At: now}, &f)
		assert.False(t, changed, "the same episode, or a late message")
	}
	planned := worklist.Work{Key: k, State: worklist.Planned, At: now.Add(-2 * time.Hour)}
	_, changed := worklist.AfterFinding(planned, &f)
	assert.False(t, changed)
	f.Active, f.Since = false, now
	got, changed := worklist.AfterFinding(planned, &f)
	assert.True(t, changed)
	assert.Equal(t, worklist.Done, got.State)
	assert.Equal(t, worklist.BecauseCleared, got.Reason)
}

// drawUnit draws a unit with findings of any kind, hostile ones included.
func drawUnit(t *rapid.T, id string) worklist.Unit {
	u := worklist.Unit{ID: id, HeardAt: now.Add(-time.Duration(rapid.IntRange(0, 100).Draw(t, "heard")) * time.Hour)}
	names := []string{"of-a-newer-agent"}
	for _, d := range detect.Catalog() {
		names = append(names, d.Name)
	}
	if rapid.Bool().Draw(t, "snapshot") {
		u.Snapshot = snap()
		u.Snapshot.Bank.SoCPct.Value = ptr(rapid.SampledFrom([]float64{50, -1, math.NaN(), math.Inf(1)}).Draw(t, "soc"))
		u.Snapshot.Bank.LiftsLeft.Value = ptr(rapid.SampledFrom([]float64{0, 3, 1e9, math.NaN()}).Draw(t, "lifts"))
	}
	for range rapid.IntRange(0, 7).Draw(t, "findings") {
		f := snapshot.Finding{
			Name: rapid.SampledFrom(names).Draw(t, "name"), Subject: rapid.SampledFrom([]string{"", "a", "b", "battery b current"}).Draw(t, "subject"),
			Severity: rapid.SampledFrom([]string{"urgent", "repair", "note", "other"}).Draw(t, "severity"),
			State:    rapid.SampledFrom([]string{"unacknowledged", "acknowledged", "shelved", "out of service", "?"}).Draw(t, "state"),
			Active:   rapid.Bool().Draw(t, "active"),
			Since:    time.Unix(rapid.Int64Range(-1<<36, 1<<36).Draw(t, "since"), 0).UTC(),
		}
		if rapid.Bool().Draw(t, "explained") {
			f.CausedBy = rapid.SampledFrom(names).Draw(t, "cause")
			f.CausedByOf = rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "cause of")
		}
		if rapid.Bool().Draw(t, "unjudged") {
			f.Because = &snapshot.Text{}
		}
		u.Findings = append(u.Findings, f)
		if rapid.Bool().Draw(t, "work") {
			u.Work = append(u.Work, worklist.Work{Key: worklist.KeyOf(&f), State: rapid.SampledFrom(worklist.States).Draw(t, "work state")})
		}
	}
	return u
}

// Nothing is lost: each finding that stands is in exactly one place of the row.
func TestNoFindingIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := drawUnit(t, "u")
		r := worklist.Of(u, now)
		places := map[worklist.Key]int{}
		if r.Name != "" && !slices.Contains(r.Doubted, r.Key) {
			places[r.Key]++
		}
		for _, list := range [][]worklist.Key{r.Others, r.Explained, r.Doubted, r.Settled} {
			for _, k := range list {
				places[k]++
			}
		}
		last := map[worklist.Key]bool{}
		for i := range u.Findings {
			if u.Findings[i].Active {
				last[worklist.KeyOf(&u.Findings[i])] = true
			}
		}
		for k := range last {
			if places[k] != 1 {
				t.Fatalf("%v is in %d places of %+v", k, places[k], r)
			}
		}
		if len(places) != len(last) {
			t.Fatalf("%d findings, %d places", len(last), len(places))
		}
		if !slices.Contains(worklist.Lists, r.List) {
			t.Fatalf("list %q", r.List)
		}
		if r.Rank < 0 || r.Rank >= 1<<53 {
			t.Fatalf("rank %d is no whole number of JSON", r.Rank)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
	})
}

// The order is total and does not depend on the order in which findings came.
func TestOrderIsStable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := drawUnit(t, "u")
		seen := map[worklist.Key]bool{} // of one that comes twice the last counts: keep one
		u.Findings = slices.DeleteFunc(u.Findings, func(f snapshot.Finding) bool {
			k := worklist.KeyOf(&f)
			twice := seen[k]
			seen[k] = true
			return twice
		})
		done := map[worklist.Key]bool{}
		u.Work = slices.DeleteFunc(u.Work, func(w worklist.Work) bool {
			twice := done[w.Key]
			done[w.Key] = true
			return twice
		})
		a := worklist.Of(u, now)
		u.Findings = rapid.Permutation(u.Findings).Draw(t, "order")
		b := worklist.Of(u, now)
		slices.SortFunc(a.Explained, byKey)
		slices.SortFunc(b.Explained, byKey)
		x, _ := json.Marshal(a)
		y, _ := json.Marshal(b)
		if string(x) != string(y) {
			t.Fatalf("%s\n%s", x, y)
		}
	})
}

func byKey(a, b worklist.Key) int {
	if a.Name != b.Name {
		return map[bool]int{true: -1, false: 1}[a.Name < b.Name]
	}
	return map[bool]int{true: -1, false: 1}[a.Subject < b.Subject]
}

// A filter or an oil that is due wants its own part and its own work, not a whole service.
func TestServiceOfOneKind(t *testing.T) {
	raised := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	for subject, c := range map[string]struct {
		parts []string
		work  string
	}{
		"": {[]string{"oil", "filter"}, visit.ServiceDone}, "filter": {[]string{"filter"}, visit.FilterChanged},
		"oil": {[]string{"oil"}, visit.OilChanged},
	} {
		f := fnd("service-due", subject, "note", time.Hour)
		r := worklist.Of(unitOf(f), now)
		var kinds []string
		for _, p := range r.Parts {
			kinds = append(kinds, p.Kind)
		}
		assert.ElementsMatch(t, c.parts, kinds, subject)
		for _, done := range []string{visit.ServiceDone, visit.FilterChanged, visit.OilChanged} {
			v := &visit.Visit{
				ID: "v", Finished: raised.Add(time.Hour), ClockTrusted: true, Work: []visit.Work{{Kind: done, At: raised.Add(time.Minute)}},
				Findings: []visit.Remaining{{Name: "service-due", Subject: subject}},
			}
			_, settled := worklist.AfterVisit(worklist.Work{Key: worklist.Key{Name: "service-due", Subject: subject}}, raised, v)
			assert.Equal(t, done == c.work, settled, "%s by %s", subject, done)
		}
	}
}

// In a string, a battery stands on the tap of the one below, and has its current: both are in doubt. A bank
// wired otherwise than configured leaves nothing of it to be believed.
func TestDoubtInStrings(t *testing.T) {
	s := &snapshot.Snapshot{Strings: []snapshot.String{{From: "a", To: "b"}, {From: "c", To: "d"}}}
	for _, id := range []string{"a", "b", "c", "d"} {
		s.Batteries = append(s.Batteries, snapshot.Battery{ID: id, Chemistry: "agm", RatedAh: 100, RatedCCA: 850})
	}
	doubted := func(f ...snapshot.Finding) string {
		all := worklist.DoubtedBatteries(f, s)
		ids := ""
		for _, b := range s.Batteries {
			if all[b.ID] {
				ids += b.ID
			}
		}
		return ids
	}
	assert.Equal(t, "ab", doubted(fnd("sense-fault", "battery b voltage", "repair", time.Hour)))
	assert.Equal(t, "cd", doubted(fnd("middle-tap-open", "c", "repair", time.Hour)))
	assert.Equal(t, "abcd", doubted(fnd("parallel-wired", "", "urgent", time.Hour)))
	assert.Empty(t, doubted(fnd("blocks-unequal", "a", "repair", time.Hour)))

	u := worklist.Unit{ID: "u", Snapshot: s, HeardAt: now, Findings: []snapshot.Finding{
		fnd("blocks-unequal", "b", "repair", time.Hour), fnd("parallel-wired", "", "urgent", time.Hour), fnd("feed-mismatch", "", "urgent", time.Hour),
	}}
	r := worklist.Of(u, now)
	assert.Equal(t, "parallel-wired", r.Doubt)
	assert.Equal(t, "parallel-wired", r.Name)
	assert.Equal(t, []worklist.Key{{Name: "blocks-unequal", Subject: "b"}}, r.Doubted)
	u.Findings = u.Findings[:1]
	assert.Empty(t, worklist.Of(u, now).Doubt)
	u.Findings = []snapshot.Finding{fnd("near-reversal", "a", "urgent", time.Hour)}
	assert.Equal(t, []worklist.Part{{Kind: worklist.PartBattery, Chemistry: "agm", RatedAh: 100, RatedCCA: 850, Count: 1}}, worklist.Of(u, now).Parts)
}
