package detect_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
)

func TestCatalogIsComplete(t *testing.T) {
	seen := map[string]bool{}
	for _, d := range detect.Catalog() {
		assert.False(t, seen[d.Name], "%s: twice", d.Name)
		seen[d.Name] = true
		assert.Same(t, d, detect.Lookup(d.Name))
		assert.Contains(t, finding.Severities, d.Severity, d.Name)
		assert.GreaterOrEqual(t, len(d.Causes), 2, d.Name)
		assert.NotEmpty(t, d.NextCheck, d.Name)
		for _, text := range d.Texts() {
			assert.NotEmpty(t, text.English, text.ID)
			assert.True(t, strings.HasPrefix(text.ID, d.Name+"."), "%s: of %s", text.ID, d.Name)
			assert.Equal(t, strings.TrimSpace(text.English), text.English, text.ID)
		}
		assert.LessOrEqual(t, len(strings.Fields(strings.ReplaceAll(d.Title, finding.Subject, ""))), 6, d.Title)
		if d.About == finding.Unit {
			assert.NotContains(t, d.Title+d.Summary, finding.Subject, d.Name)
		} else {
			assert.Contains(t, d.Title+d.Summary, finding.Subject, d.Name)
		}
		causes := map[*unit.Text]bool{}
		for _, c := range d.Causes {
			assert.False(t, causes[c], c.ID)
			causes[c] = true
			assert.Same(t, c, unit.Lookup(c.ID))
		}
		for _, path := range d.Settings {
			l := limit.Find(rules.Limits(), path)
			require.NotNil(t, l, "%s: no limit %s", d.Name, path)
			assert.Nil(t, limit.Find(detect.LimitsOf(d.Name), path), "%s: %s is its own", d.Name, path)
		}
	}
	assert.Nil(t, detect.Lookup("no-such"))
	assert.Nil(t, detect.LimitsOf("no-such"))
}

// What explains a finding is a finding, and explanations do not go round: from each, by whatever
// way, none comes back to itself.
func TestExplanationsEnd(t *testing.T) {
	var walk func(from string, way []string)
	walk = func(from string, way []string) {
		d := detect.Lookup(from)
		require.NotNil(t, d, "explained by %s, which there is not: %v", from, way)
		require.NotContains(t, way, from, "explanations go round")
		for _, by := range d.ExplainedBy {
			walk(by, append(slices.Clone(way), from))
		}
	}
	for _, d := range detect.Catalog() {
		walk(d.Name, nil)
		unique := slices.Compact(slices.Sorted(slices.Values(d.ExplainedBy)))
		assert.Len(t, unique, len(d.ExplainedBy), "%s: explained twice by one", d.Name)
	}
}

// Each finding is shown under each one that its definition names, of any subject or of the same
// one, when both hold; and under what explains that.
func TestEveryExplanationIsFollowed(t *testing.T) {
	active := func(u *played, name, subject string) int {
		i := u.f.Book.Find(name, subject)
		require.GreaterOrEqual(t, i, 0, "%s %s", name, subject)
		s := u.f.Book.State()
		s.Seq++
		s.Records = append(s.Records, finding.RecordState{Name: name, Subject: subject, Life: finding.Life{
			State: finding.Unacknowledged, Holding: true, Unacked: true, Times: 1, Seq: s.Seq, RaisedAt: u.f.At.Mono,
			Since: u.f.At.Mono,
		}})
		require.NoError(t, u.f.Book.Restore(s))
		return i
	}
	subjects := func(u *played, name string) (all []string) {
		for i := range u.f.Book.Records {
			if r := &u.f.Book.Records[i]; r.Def.Name == name {
				all = append(all, r.Subject)
			}
		}
		return all
	}
	for _, d := range detect.Catalog() {
		for _, by := range d.ExplainedBy {
			l := unit.Parallel
			if u := newPlayed(t, d.Name, 4); len(subjects(u, d.Name)) == 0 || len(subjects(u, by)) == 0 {
				l = unit.SeriesPairs // of strings alone
			}
			fitted := func() *played {
				u := newPlayedOf(t, d.Name, l, 4)
				u.do("limit oil.relief_up_bar = 170")
				u.do("fit everything")
				return u
			}
			u := fitted()
			for _, subject := range subjects(u, by) {
				u := fitted()
				cause := active(u, by, subject)
				own := subjects(u, d.Name)[0]
				i := active(u, d.Name, own)
				u.set.Explain()
				if d.SameSubjectOnly && subject != "" && subject != own {
					assert.Negative(t, u.f.Book.Records[i].CausedBy, "%s %s by %s %s", d.Name, own, by, subject)
					continue
				}
				assert.Equal(t, cause, u.f.Book.Records[i].CausedBy, "%s %s by %s %s", d.Name, own, by, subject)
				roots := detect.Lookup(by).ExplainedBy
				if len(roots) > 0 && !detect.Lookup(by).SameSubjectOnly && len(subjects(u, roots[0])) > 0 {
					root := active(u, roots[0], subjects(u, roots[0])[0])
					u.set.Explain()
					assert.Equal(t, root, u.f.Book.Records[cause].CausedBy)
					if !slices.Contains(d.ExplainedBy[:slices.Index(d.ExplainedBy, by)], roots[0]) {
						assert.Equal(t, root, u.f.Book.Records[i].CausedBy, "%s by %s by %s", d.Name, by, roots[0])
					}
				}
				require.NoError(t, u.f.Book.TakeOut(by, subject, "kim", u.f.At.Mono))
				u.set.Explain()
				assert.NotEqual(t, cause, u.f.Book.Records[i].CausedBy, "what is out of service explains nothing")
			}
		}
	}
}

func TestLimitsAreSound(t *testing.T) {
	all := rules.Limits()
	assert.Empty(t, limit.Conflicts(all), "the defaults contradict each other")
	seen := map[string]bool{}
	for _, l := range all {
		a := l.Describe()
		assert.False(t, seen[a.Path], "%s: twice", a.Path)
		seen[a.Path] = true
		low, high := l.Range()
		assert.Less(t, low, high, a.Path)
		assert.NotEmpty(t, a.Doc, a.Path)
		assert.True(t, a.Origin >= limit.Published && a.Origin <= limit.Owner, "%s: origin", a.Path)
		if a.Origin == limit.Owner {
			assert.NotEmpty(t, a.Usual, "%s: what if it is not set?", a.Path)
		}
		if a.Below != "" {
			assert.NotNil(t, limit.Find(all, a.Below), "%s: less than %s, which there is not", a.Path, a.Below)
		}
		value := l.Value()
		require.NoError(t, l.Put(value), "%s: the default is out of range", a.Path)
		require.NoError(t, l.Put(low), a.Path)
		require.NoError(t, l.Put(high), a.Path)
		assert.ErrorContains(t, l.Put(high+1), a.Path+": ")
		assert.ErrorContains(t, l.Put(low-1), a.Path+": ")
		assert.InDelta(t, high, l.Value(), 1e-9, "%s: what is refused changes nothing", a.Path)
	}
}

// A default that follows another limit follows it when that one is not the finding's own, too.
func TestADefaultFollowsALimitOfAnotherPart(t *testing.T) {
	for _, c := range []struct {
		values limit.Values
		clearV float64
	}{
		{nil, 12.45}, {limit.Values{"findings.bank_low_v": 12.2}, 12.25},
		{limit.Values{"findings.bank_low_v": 12.2, "findings.bank_low_clear_v": 12.45}, 12.45},
	} {
		u := newPlayed(t, "bank-low", 1)
		u.values = c.values
		u.start()
		assert.InDelta(t, c.clearV, limit.Find(u.set.Limits(), "findings.bank_low_clear_v").Value(), 1e-9, "%v",
			c.values)
	}
}

func TestStartRefusesALimitOutOfRange(t *testing.T) {
	u := newPlayed(t, "hot", 2)
	_, err := detect.Start(&u.f, limit.Values{"findings.hot_c": 200, "findings.link_mohm": 0})
	require.ErrorContains(t, err, "hot: findings.hot_c: 200: want 30 to 80 °C")
	assert.ErrorContains(t, err, "link-resistive: findings.link_mohm: 0: want 0.2 to 20 mΩ")
}

// A bank of one has nothing that two are needed for.
func TestRecordsOfABankOfOne(t *testing.T) {
	u := newPlayed(t, "", 1)
	for i := range u.f.Book.Records {
		r := &u.f.Book.Records[i]
		assert.NotContains(t, []string{"share-uneven", "circulating", "link-resistive"}, r.Def.Name)
		assert.Equal(t, i, u.f.Book.Find(r.Def.Name, r.Subject), "%s %s: twice", r.Def.Name, r.Subject)
	}
	// Whatever is done to it, and to the joints that it does not have.
	u.do("wait 1m")
	u.set.Worked(detect.NewBattery, 0)
	u.set.Worked(detect.Joints, -1)
	u.do("wait 1m")
}

// A memory that can't be is refused, its finding named, and the others are taken over all the same.
func TestRestoreRefusesWhatCannotBe(t *testing.T) {
	u := newPlayed(t, "", 2)
	u.do("unit: quiet = yes")
	u.do("wait 2d by 1h")
	good := u.set.Save()
	require.NoError(t, u.set.Restore(good))
	for text, name := range map[string]string{
		`{"":{"FromPct":-1}}`: "parked-drain", `{"":{"FromPct":101}}`: "parked-drain", `{"":7}`: "parked-drain",
		`{`:                "parked-drain",
		`{"a":{"Days":3}}`: "share-uneven", `{"":{"Clean":4}}`: "motor-overrun",
		`{"":{"Amps":[0,-1.1e4,0,0]}}`: "circulating", `{"":{"Amps":[1.1e4,0,0,0]}}`: "circulating",
	} {
		bad := detect.Memory{}
		for k, v := range good {
			bad[k] = v
		}
		bad[name] = json.RawMessage(text)
		fresh := newPlayed(t, "", 2)
		empty := fresh.set.Save()
		err := fresh.set.Restore(bad)
		require.ErrorContains(t, err, name+": ", text)
		for k, v := range fresh.set.Save() {
			want := good[k]
			if k == name {
				want = empty[k]
			}
			assert.JSONEq(t, string(want), string(v), "%s after %s", k, text)
		}
	}
	for text, name := range map[string]string{
		`{"":{"FromPct":0}}`: "parked-drain", `{"":{"FromPct":100}}`: "parked-drain",
		`{"a":{"Days":2}}`: "share-uneven",
		`{"":{"Clean":3}}`: "motor-overrun", `{"":{"Amps":[0,-9.9e3,9.9e3,0]}}`: "circulating",
		`{"z":{}}`: "share-uneven",
	} {
		assert.NoError(t, newPlayed(t, "", 2).set.Restore(detect.Memory{name: json.RawMessage(text)}), text)
	}
	assert.NoError(t, u.set.Restore(detect.Memory{"no-such": json.RawMessage(`7`)}), "of a finding that there was")
	_, saved := good["hot"]
	assert.False(t, saved, "it remembers nothing")
	assert.NotContains(t, newPlayed(t, "", 1).set.Save(), "circulating", "a bank of one does not have it")
}

// Looking takes no memory: the board scans a hundred times a second.
func TestJudgingAllocatesNothing(t *testing.T) {
	for _, l := range unit.Layouts() {
		t.Run(l.String(), func(t *testing.T) { judgingAllocatesNothing(t, newPlayedOf(t, "no-such", l, 4/(1+int(l)%2))) })
	}
}

func judgingAllocatesNothing(t *testing.T, u *played) {
	u.do("a: temperature = 60, verdict = failed")
	u.do("link positive a-b: 9 ± 0.1")
	u.do("wait 1h by 1m")
	assert.Zero(t, testing.AllocsPerRun(50, func() {
		u.f.At.Mono += time.Second
		u.f.Look()
		for _, pace := range []detect.Pace{detect.First, detect.Swift, detect.Slow} {
			u.set.Judge(pace)
		}
		u.set.Explain()
		u.f.Book.Take()
	}))
}
