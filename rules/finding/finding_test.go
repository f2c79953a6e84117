package finding_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/finding"
	"liftbank/rules/unit"
)

// lost, low and wired are findings of every severity but note.
var (
	plug   = unit.Says("test.plug", "plug not seated")
	fuse   = unit.Says("test.fuse", "fuse blown")
	cable  = unit.Says("test.cable", "cable broken")
	wet    = unit.Says("test.wet", "it is wet")
	noOne  = unit.Says("test.no-sensor", "no sensor")
	volts  = finding.NewLabel("test.volts", "feed voltage", "V")
	lamp   = finding.NewLabel("test.lamp", "lamp", "")
	on     = unit.Says("test.on", "on")
	absent = finding.Verdict{Opinion: finding.Absent}
	same   = finding.Verdict{}

	lost  = finding.Definition{Name: "lost", Severity: finding.Urgent, Causes: []*unit.Text{plug, fuse, cable}}
	low   = finding.Definition{Name: "low", Severity: finding.Repair}
	wired = finding.Definition{Name: "wired", Severity: finding.Urgent}
)

// holds is the verdict that a condition holds.
func holds() finding.Verdict {
	var p finding.Proof
	return p.Holds()
}

// one is a book with one finding, lost, with these times.
func one(hold, release time.Duration) *finding.Book {
	b := &finding.Book{MaxShelve: 30 * 24 * time.Hour}
	b.Add(finding.NewRecord(&lost, "", hold, release))
	return b
}

// judge applies one verdict and reports what it brought about.
func judge(b *finding.Book, at time.Duration, v finding.Verdict) (raised, cleared bool) {
	b.Judge(0, at, v)
	for _, c := range b.Take() {
		raised, cleared = raised || c.Kind == finding.Raised, cleared || c.Kind == finding.Cleared
	}
	return raised, cleared
}

func TestAConditionMustHoldAndMustBeOver(t *testing.T) {
	b := one(10*time.Second, 30*time.Second)
	at := time.Duration(0)
	give := func(v finding.Verdict, span time.Duration) (raised, cleared bool) {
		for end := at + span; at < end; at += time.Second {
			up, down := judge(b, at, v)
			raised, cleared = raised || up, cleared || down
		}
		return raised, cleared
	}
	raised, _ := give(holds(), 9*time.Second)
	assert.False(t, raised)
	give(absent, time.Second)
	raised, _ = give(holds(), 9*time.Second)
	assert.False(t, raised, "the hold starts again")
	raised, _ = give(holds(), 5*time.Second)
	assert.True(t, raised)
	_, cleared := give(absent, 29*time.Second)
	assert.False(t, cleared)
	_, cleared = give(same, time.Hour)
	assert.False(t, cleared, "no evidence changes nothing")
	give(absent, 20*time.Second)
	b.ResetHolds()
	_, cleared = give(absent, 30*time.Second)
	assert.False(t, cleared, "after a gap the wait starts again")
	_, cleared = give(absent, 2*time.Second)
	assert.True(t, cleared)
	assert.Equal(t, b.Records[0].ClearedAt, b.Records[0].Since)
}

func TestNotJudgedSaysWhyAndChangesNothing(t *testing.T) {
	b := one(0, 0)
	judge(b, 0, holds())
	r := &b.Records[0]
	require.True(t, r.Active())
	judge(b, time.Hour, finding.Unjudged(noOne))
	assert.True(t, r.Active())
	assert.Same(t, noOne, r.Because)
	judge(b, 2*time.Hour, absent)
	assert.False(t, r.Active())
	assert.Nil(t, r.Because)
}

// What has been waited for is not held against a condition that could not be judged meanwhile.
func TestNotJudgedStartsTheHoldAgain(t *testing.T) {
	b := one(10*time.Second, 0)
	judge(b, 0, holds())
	judge(b, 5*time.Second, finding.Unjudged(noOne))
	raised, _ := judge(b, 11*time.Second, holds())
	assert.False(t, raised)
	raised, _ = judge(b, 21*time.Second, holds())
	assert.True(t, raised)
}

// Raised and cleared alternate, whatever is judged, and what the book counts as active is.
func TestRaisedAndClearedAlternate(t *testing.T) {
	verdicts := []finding.Verdict{same, absent, holds(), finding.Unjudged(noOne)}
	rapid.Check(t, func(t *rapid.T) {
		hold := time.Duration(rapid.IntRange(0, 5).Draw(t, "hold"))
		b := one(hold, hold)
		at, active := time.Duration(0), false
		for range 60 {
			at += time.Duration(rapid.IntRange(0, 3).Draw(t, "dt"))
			raised, cleared := judge(b, at, rapid.SampledFrom(verdicts).Draw(t, "verdict"))
			require.False(t, raised && cleared)
			require.False(t, raised && active)
			require.False(t, cleared && !active)
			active = (active || raised) && !cleared
			require.Equal(t, active, b.Records[0].Active())
			require.Equal(t, active, b.AnyActive("lost"))
		}
	})
}

func TestEndClearsAtOnce(t *testing.T) {
	b := one(0, time.Hour)
	b.End(0, time.Second)
	assert.False(t, b.Pending(), "nothing to end")
	judge(b, 2*time.Second, holds())
	b.Judge(0, 3*time.Second, absent)
	b.End(0, 4*time.Second)
	assert.False(t, b.Records[0].Active())
	assert.False(t, b.AnyActive("lost"))
	assert.Equal(t, finding.ReturnedUnacknowledged, b.Records[0].State)
	assert.Equal(t, 4*time.Second, b.Records[0].ClearedAt)
	changes := b.Take()
	require.Len(t, changes, 1)
	assert.Equal(t, finding.Cleared, changes[0].Kind)
	raised, _ := judge(b, 5*time.Second, holds())
	assert.True(t, raised, "what still holds is raised again")
}

func TestAnyActiveIsOfAnySubject(t *testing.T) {
	b := &finding.Book{}
	b.Add(finding.NewRecord(&low, "a", 0, 0))
	k := b.Add(finding.NewRecord(&low, "b", 0, 0))
	b.Add(finding.NewRecord(&lost, "", 0, 0))
	assert.False(t, b.AnyActive("low"))
	b.Judge(k, 0, holds())
	assert.True(t, b.AnyActive("low"))
	assert.False(t, b.AnyActive("lost"))
	assert.Equal(t, k, b.Find("low", "b"))
	assert.Equal(t, -1, b.Find("low", "c"))
	assert.Equal(t, -1, b.Find("none", ""))
}

func TestEvidenceIsTheLastThatHeld(t *testing.T) {
	b := one(time.Minute, 0)
	var p finding.Proof
	b.Judge(0, -time.Minute, p.Holds(volts.Is(12.8)))
	r := &b.Records[0]
	assert.Empty(t, r.Evidence, "what does not last is no evidence")
	b.Judge(0, 0, p.Holds(volts.Is(12.6), lamp.Says(on), lamp.Names("b")).Suspect(fuse, wet))
	require.Len(t, r.Evidence, 3)
	assert.Equal(t, finding.Evidence{What: volts.Text, Value: 12.6, Unit: "V"}, r.Evidence[0])
	assert.Equal(t, "", r.Evidence[0].Text())
	none := volts.Is(math.Copysign(0, -1))
	assert.False(t, math.Signbit(none.Value), "-0 V is 0 V")
	assert.Equal(t, "on", r.Evidence[1].Text())
	assert.Equal(t, "b", r.Evidence[2].Text())
	b.Judge(0, time.Minute, p.Holds(volts.Is(12.5)))
	assert.Equal(t, []finding.Evidence{{What: volts.Text, Value: 12.5, Unit: "V", At: time.Minute}}, r.Evidence)
	assert.Empty(t, r.Likely, "that evidence points to no cause")
	b.Judge(0, 2*time.Minute, absent)
	b.Judge(0, 2*time.Minute, p.Holds(volts.Is(11), volts.Is(10)))
	b.Judge(0, 2*time.Minute+30*time.Second, same)
	assert.Len(t, r.Evidence, 1, "kept for those who read of it later, whatever is there for a moment")
	b.Judge(0, 2*time.Minute+40*time.Second, p.Holds())

	nine := make([]finding.Evidence, 9)
	for i := range nine {
		nine[i] = volts.Is(float64(i))
	}
	b.Judge(0, 4*time.Minute, p.Holds(nine...).Suspect(plug, wet).Suspect(fuse, wet).Suspect(cable, wet).Suspect(wet,
		wet))
	require.Len(t, r.Evidence, 8)
	assert.InDelta(t, 7, r.Evidence[7].Value, 0)
	assert.Len(t, r.Likely, 3)
}

// One that comes and goes every day is one episode: who has seen it has seen it.
func TestRaisedAgainSoonIsTheSameEpisode(t *testing.T) {
	daily := finding.Definition{Name: "daily", Severity: finding.Urgent, Episode: 26 * time.Hour}
	b := &finding.Book{}
	b.Add(finding.NewRecord(&daily, "", time.Minute, time.Minute))
	r := &b.Records[0]
	give := func(at, span time.Duration, v finding.Verdict) (changes []finding.Change) {
		for ; span >= 0; at, span = at+30*time.Second, span-30*time.Second {
			b.Judge(0, at, v)
		}
		return b.Take()
	}
	const day = 24 * time.Hour
	for d := range 14 {
		at := time.Duration(d)*day + 14*time.Hour
		changes := give(at, 2*time.Minute, holds())
		require.Len(t, changes, 1)
		assert.Equal(t, finding.Raised, changes[0].Kind)
		assert.Equal(t, d > 0, changes[0].Muted, "day %d", d)
		if d == 3 {
			require.NoError(t, b.Acknowledge("daily", "", "ann", at))
			b.Take()
		}
		assert.Equal(t, d < 3, r.Unacked, "day %d", d)
		assert.EqualValues(t, 1, r.Times)
		assert.Equal(t, 14*time.Hour+time.Minute, r.BeganAt)
		assert.Equal(t, at+time.Minute, r.RaisedAt)
		require.Len(t, give(at+4*time.Hour, 2*time.Minute, absent), 1)
	}
	changes := give(17*day, 2*time.Minute, holds())
	require.Len(t, changes, 1)
	assert.False(t, changes[0].Muted, "three days later it is another one")
	assert.True(t, r.Unacked)
	assert.EqualValues(t, 2, r.Times)
}

func TestCausesInTheOrderOfTheEvidence(t *testing.T) {
	b := one(0, 0)
	r := &b.Records[0]
	assert.Equal(t, []finding.Likely{{Cause: plug}, {Cause: fuse}, {Cause: cable}}, r.Causes())
	var p finding.Proof
	b.Judge(0, 0, p.Holds().Suspect(cable, wet).Suspect(nil, wet).Suspect(cable, noOne))
	assert.Equal(t, []finding.Likely{{cable, wet}, {Cause: plug}, {Cause: fuse}}, r.Causes())
}

func TestSubjectsInSentences(t *testing.T) {
	for _, c := range []struct {
		about         finding.About
		subject, want string
	}{
		{finding.Unit, "", " hot"}, {finding.Battery, "", "A battery hot"}, {finding.Battery, "b", "Battery b hot"},
		{finding.Joint, "", "A link or joint hot"}, {finding.Joint, "positive link a-b", "The positive link a-b hot"},
		{finding.Channel, "", "A sensor hot"}, {finding.Channel, "feed voltage", "The sensor for feed voltage hot"},
	} {
		d := finding.Definition{About: c.about, Title: "{subject} hot", Summary: "{subject} hot"}
		assert.Equal(t, c.want, d.TitleOf(c.subject))
		r := finding.NewRecord(&d, c.subject, 0, 0)
		assert.Equal(t, c.want, r.Title())
		assert.Equal(t, c.want, r.Summary())
	}
}

func TestTextsOfADefinition(t *testing.T) {
	d := finding.Definition{
		Name: "x", Title: "T", Summary: "S", Detected: "D", Clears: "C", Steady: "H", RaisedWithin: "W",
		NextCheck: []string{"1", "2"},
		Causes:    []*unit.Text{plug},
	}
	assert.Equal(t, []finding.Text{
		{"x.title", "T"}, {"x.summary", "S"}, {"x.detected", "D"}, {"x.clears", "C"}, {"x.steady", "H"},
		{"x.within", "W"},
		{"x.check.1", "1"}, {"x.check.2", "2"}, {"test.plug", "plug not seated"},
	}, d.Texts())
}

func TestEvidenceGoesThroughJSON(t *testing.T) {
	for _, e := range []finding.Evidence{volts.Is(-3.25), lamp.Says(on), lamp.Names("d"), {}} {
		e.At = 7 * time.Hour
		text, err := json.Marshal(e)
		require.NoError(t, err)
		var back finding.Evidence
		require.NoError(t, json.Unmarshal(text, &back))
		assert.Equal(t, e, back, "%s", text)
	}
	text, err := json.Marshal(finding.Likely{Cause: plug, Reason: wet})
	require.NoError(t, err)
	var back finding.Likely
	require.NoError(t, json.Unmarshal(text, &back))
	assert.Equal(t, finding.Likely{Cause: plug, Reason: wet}, back)
	for _, bad := range []string{`7`, `{"What":3}`, `{"Cause":[]}`, `{"Value":"x"}`} {
		var e finding.Evidence
		var l finding.Likely
		assert.Error(t, joined(json.Unmarshal([]byte(bad), &e), json.Unmarshal([]byte(bad), &l)), bad)
	}
	_, err = json.Marshal(finding.Evidence{Value: math.NaN()})
	assert.Error(t, err)
}

func joined(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// What can't be judged says how far it is, and no longer once it can.
func TestProgress(t *testing.T) {
	var b finding.Book
	b.Add(finding.NewRecord(&finding.Definition{Name: "x"}, "", 0, 0))
	r := &b.Records[0]
	b.Judge(0, 0, finding.Unjudged(noOne).Having(12, 20))
	assert.Equal(t, finding.Progress{Have: 12, Want: 20}, r.Progress)
	b.Judge(0, 1, finding.Unjudged(noOne).Having(25, 20))
	assert.Equal(t, finding.Progress{Have: 20, Want: 20}, r.Progress, "never more than all")
	b.Judge(0, 2, finding.Unjudged(noOne))
	assert.Equal(t, finding.Progress{}, r.Progress)
	b.Judge(0, 3, finding.Verdict{Opinion: finding.Absent})
	assert.Nil(t, r.Because)
}
