package visit

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/snapshot"
)

var start = time.Date(2026, 3, 9, 14, 3, 22, 0, time.UTC)

func facts(t testing.TB, after time.Duration) Facts {
	b, err := os.ReadFile(filepath.Join("..", "snapshot", "testdata", "findings.json"))
	require.NoError(t, err)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(b, &s))
	return Facts{At: start.Add(after), ClockTrusted: true, Snapshot: &s}
}

type outlet struct {
	got  []string
	fail error
}

func (o *outlet) Visit(v *Visit) error {
	if o.fail != nil {
		return o.fail
	}
	o.got = append(o.got, v.ID)
	return nil
}

type actions struct {
	Actions
	done []string
	fail error
}

func (a *actions) ReplaceBattery(_ context.Context, battery, by string) error {
	a.done = append(a.done, "replace "+battery+" "+by)
	return a.fail
}

func open(t testing.TB, dir string, change ...func(*Options)) *Store {
	o := Options{Dir: dir, Unit: "lift-1", Form: NewForm(DefaultChecklist(), []string{"a", "b"})}
	for _, f := range change {
		f(&o)
	}
	k, err := Open(o)
	require.NoError(t, err)
	return k
}

func begun(t testing.TB, dir string, change ...func(*Options)) (*Store, *Draft) {
	k := open(t, dir, change...)
	d, err := k.Begin("R. Vega", "abc123", facts(t, 0))
	require.NoError(t, err)
	return k, d
}

// What was confirmed is there after the agent was killed at any moment: nothing is only in memory.
func TestADraftSurvives(t *testing.T) {
	dir := t.TempDir()
	k, d := begun(t, dir)
	for i, note := range []string{"one", "two", "three"} {
		r, err := k.Save(
			d.ID, i+1, map[string]string{"note": note, "check.oil.leaks.state": "attention"}, facts(t, time.Minute),
		)
		require.NoError(t, err)
		require.NoError(
			t, os.WriteFile(filepath.Join(dir, ".new-half"), []byte("{"), 0o600), "killed while it wrote the next",
		)
		k = open(t, dir)
		again := k.Draft()
		assert.Equal(t, r.Draft, again)
		assert.Equal(t, note, again.Fields["note"])
		_, err = os.Stat(filepath.Join(dir, ".new-half"))
		assert.ErrorIs(t, err, os.ErrNotExist)
	}
}

func TestADamagedDraftIsKeptAside(t *testing.T) {
	for _, bad := range []string{
		"", "{", "null", `{"schema":"other","id":"20260309t140322-abc123"}`,
		`{"schema":"liftbank.visit-draft.v1","id":"../../x"}`, "\x00\xff",
	} {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, draftFile), []byte(bad), 0o600))
		k := open(t, dir)
		assert.Nil(t, k.Draft())
		require.NotEmpty(t, k.Damaged())
		b, err := os.ReadFile(k.Damaged())
		require.NoError(t, err)
		assert.Equal(t, bad, string(b))
		_, err = k.Begin("R. Vega", "abc123", facts(t, 0))
		assert.NoError(t, err)
	}
}

// Between writing the visit and taking its draft away: the next start takes it away.
func TestKilledWhileFinishing(t *testing.T) {
	dir := t.TempDir()
	k, d := begun(t, dir)
	draft, err := os.ReadFile(filepath.Join(dir, draftFile))
	require.NoError(t, err)
	_, err = k.Finish(d.ID, facts(t, time.Hour))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, draftFile), draft, 0o600))
	k = open(t, dir)
	assert.Nil(t, k.Draft())
	_, all, err := k.List(10)
	require.NoError(t, err)
	assert.Equal(t, 1, all)
}

func TestADiskThatFailsConfirmsNothing(t *testing.T) {
	dir := t.TempDir()
	k, d := begun(t, dir)
	require.NoError(t, os.RemoveAll(dir))
	_, err := k.Save(d.ID, 1, map[string]string{"note": "x"}, facts(t, 0))
	assert.Error(t, err)
	assert.Empty(t, k.Draft().Fields["note"])
	_, err = k.Finish(d.ID, facts(t, 0))
	assert.Error(t, err)
	assert.NotNil(t, k.Draft(), "still open")
}

func TestOneVisitAtATime(t *testing.T) {
	k, d := begun(t, t.TempDir())
	_, err := k.Begin("Other", "zzz999", facts(t, 0))
	assert.ErrorIs(t, err, ErrVisitOpen)
	_, err = k.Save("20260309t140322-zzz999", 1, nil, facts(t, 0))
	assert.ErrorIs(t, err, ErrWrongVisit)
	require.NoError(t, k.Discard(d.ID))
	_, err = k.Save(d.ID, 1, nil, facts(t, 0))
	assert.ErrorIs(t, err, ErrNoDraft)
	left, err := filepath.Glob(filepath.Join(k.o.Dir, "draft-discarded-*.json"))
	require.NoError(t, err)
	assert.Len(t, left, 1, "thrown away, not lost")
	for _, nobody := range []string{"", " ", "\x00", strings.Repeat("x", 121)} {
		_, err = k.Begin(nobody, "abc123", facts(t, 0))
		assert.ErrorIs(t, err, ErrNoName)
	}
	for _, token := range []string{"", "short", "../../etc", strings.Repeat("a", 33)} {
		_, err = k.Begin("R. Vega", token, facts(t, 0))
		assert.Error(t, err, token)
	}
	for _, id := range []string{"", "..", "../draft", "draft", "20260309t140322-abc123/../x"} {
		_, err = k.Get(id)
		assert.ErrorIs(t, err, ErrNone, id)
	}
}

func TestClean(t *testing.T) {
	f := func(field Field, in, want string, trouble Problem) {
		t.Helper()
		got, why := field.clean(in)
		assert.Equal(t, want, got, in)
		assert.Equal(t, trouble, why, in)
	}
	number := Field{Kind: Number, Min: 0, Max: 40}
	f(number, " 12,65 ", "12.65", "")
	f(number, "", "", "")
	f(number, "40.001", "", OutOfSpan)
	f(number, "−1", "", OutOfSpan)
	for _, bad := range []string{"12.6.1", "1e3", "NaN", "Inf", "0x1", "12 V", "1_0", "１２"} {
		f(number, bad, "", NotNumber)
	}
	f(Field{}, "a\r\nb\tc\x00\u202ed", "a b cd", "")
	f(Field{Kind: Note}, " a\r\nb \n", "a\nb", "")
	f(Field{}, strings.Repeat("é", TextLimit), strings.Repeat("é", TextLimit), "")
	f(Field{}, strings.Repeat("é", TextLimit+1), "", TooLong)
	f(Field{}, "a\xffb", "a�b", "")
	f(Field{Kind: Choice, Choices: States}, "ok", "ok", "")
	f(Field{Kind: Choice, Choices: States}, "OK", "", NotChoice)
}

// The rule for two forms made from the same revision: a field changed by one of them takes that
// value; by both to different values is a conflict with the first one's value standing; both values
// are in the log.
func TestTwoFormsFromOneRevision(t *testing.T) {
	values := []string{"", "x", "y"}
	keys := []string{"place", "note", "check.oil.filter.note"}
	rapid.Check(t, func(t *rapid.T) {
		form := NewForm(DefaultChecklist(), []string{"a"})
		d := &Draft{Fields: map[string]string{}, Beside: map[string]MonitorFigure{}}
		draw := func(label string) map[string]string {
			m := map[string]string{}
			for _, k := range keys {
				m[k] = rapid.SampledFrom(values).Draw(t, label+k)
			}
			return m
		}
		base, first, second := draw("base"), draw("first"), draw("second")
		d.apply(form, 0, base, Facts{})
		from := d.Revision
		r, _ := d.apply(form, from, first, Facts{})
		require.Empty(t, r.Conflicts)
		r, _ = d.apply(form, from, second, Facts{})
		conflicts := map[string]Conflict{}
		for _, c := range r.Conflicts {
			conflicts[c.Key] = c
		}
		for _, k := range keys {
			one, two := first[k] != base[k], second[k] != base[k]
			c, clash := conflicts[k]
			switch {
			case one && two && first[k] != second[k]:
				require.True(t, clash, k)
				require.Equal(t, Conflict{k, base[k], first[k], second[k]}, c)
				require.Equal(t, first[k], d.Fields[k])
				logged := false
				for _, l := range d.Log {
					logged = logged || l.Refused && l.Key == k && l.New == second[k]
				}
				require.True(t, logged)
			case two:
				require.False(t, clash, k)
				require.Equal(t, second[k], d.Fields[k])
			default:
				require.False(t, clash, k)
				require.Equal(t, first[k], d.Fields[k])
			}
		}
	})
}

// A revision older than the log goes back is treated as if the field had changed: better a question
// than somebody's words gone.
func TestARevisionOlderThanTheLog(t *testing.T) {
	form := NewForm(nil, nil)
	d := &Draft{Fields: map[string]string{}, Beside: map[string]MonitorFigure{}}
	for i := range logLimit + 10 {
		d.apply(form, d.Revision, map[string]string{"note": fmt.Sprint(i)}, Facts{})
	}
	assert.LessOrEqual(t, len(d.Log), logLimit)
	r, _ := d.apply(form, 1, map[string]string{"note": "late"}, Facts{})
	assert.Len(t, r.Conflicts, 1)
	r, _ = d.apply(form, d.Revision, map[string]string{"note": "now"}, Facts{})
	assert.Empty(t, r.Conflicts)
	assert.Equal(t, "now", d.Fields["note"])
}

// Work is on the disk before it acts, acts once, and says when the agent didn't take it.
func TestWorkActsOnce(t *testing.T) {
	dir, acts := t.TempDir(), &actions{}
	k, d := begun(t, dir, func(o *Options) { o.Actions = acts })
	w := Work{ID: "form-1", Kind: BatteryReplaced, Subject: "b", Note: "new one"}
	for range 2 {
		_, err := k.AddWork(t.Context(), d.ID, w, facts(t, 0))
		require.NoError(t, err)
	}
	assert.Equal(t, []string{"replace b R. Vega"}, acts.done)
	acts.fail = errors.New("the loop has stopped")
	w.ID = "form-2"
	now, err := k.AddWork(t.Context(), d.ID, w, facts(t, 0))
	require.NoError(t, err)
	assert.True(t, now.Work[0].Acted)
	assert.False(t, now.Work[1].Acted)
	assert.Equal(t, "the loop has stopped", now.Work[1].Error)
	assert.Equal(t, now, open(t, dir).Draft())
	for _, bad := range []Work{
		{ID: "x", Kind: "explode"}, {ID: "x", Kind: BatteryReplaced}, {ID: "x", Kind: BatteryReplaced, Subject: "q"},
		{ID: "x", Kind: JointCleaned, Subject: "a"}, {ID: "x", Kind: OtherWork, Note: strings.Repeat("x", NoteLimit+1)},
	} {
		_, err := k.AddWork(t.Context(), d.ID, bad, facts(t, 0))
		assert.Error(t, err, "%v", bad)
	}
}

func TestTheOutletIsAskedUntilItTakesAVisit(t *testing.T) {
	dir, out := t.TempDir(), &outlet{fail: errors.New("no broker")}
	with := func(o *Options) { o.Outlet = out }
	k, d := begun(t, dir, with)
	v, err := k.Finish(d.ID, facts(t, time.Hour))
	require.ErrorIs(t, err, ErrNotSent)
	require.NotNil(t, v, "kept all the same")
	k = open(t, dir, with)
	require.Error(t, k.HandOver())
	out.fail = nil
	next, err := k.Begin("R. Vega", "bcd234", facts(t, 2*time.Hour))
	require.NoError(t, err)
	_, err = k.Finish(next.ID, facts(t, 3*time.Hour))
	require.NoError(t, err)
	require.NoError(t, open(t, dir, with).HandOver())
	assert.Equal(t, []string{d.ID, next.ID}, out.got, "each once, the one left over first")
}

func TestTheRecord(t *testing.T) {
	k, d := begun(t, t.TempDir())
	r, err := k.Save(d.ID, 1, map[string]string{
		"place": "Yard 4", "meter.a.voltage_v": "11.98", "test.b.cranking_a": "310", "test.b.method": "=cmd()",
		"oil.level": "low", "oil.position": "raised",
		"check.battery-box.level.state": "attention", "check.battery-box.level.reading": "8",
		"check.battery-box.level.photo": "IMG_17",
	}, facts(t, time.Minute))
	require.NoError(t, err)
	require.Empty(t, r.Refusals)
	later := facts(t, time.Hour)
	later.Snapshot.Motor.LiftCycles += 3
	fresh := 4.2
	later.Snapshot.Batteries[1].ResistanceMohm.Value = &fresh
	v, err := k.Finish(d.ID, later)
	require.NoError(t, err)
	back, err := k.Get(d.ID)
	require.NoError(t, err)
	assert.Equal(t, v, back)
	assert.Equal(t, start, v.Begun)
	assert.Equal(t, start.Add(time.Hour), v.Finished)
	assert.Equal(t, v.Start.LiftCycles+3, v.End.LiftCycles)
	require.Len(t, v.Readings, 1)
	assert.Equal(t, 11.952, *v.Readings[0].Agent)
	assert.Equal(t, start.Add(time.Minute), v.Readings[0].At)
	require.Len(t, v.Tests, 1)
	assert.Equal(t, 310.0, *v.Tests[0].CrankingA)
	assert.Equal(t, fresh, *v.After.Batteries[1].ResistanceMohm)
	assert.NotEqual(t, v.Before.Batteries[1].ResistanceMohm, v.After.Batteries[1].ResistanceMohm)
	assert.Len(t, v.Findings, 3)
	item := v.Areas[0].Items[5]
	eight := 8.0
	assert.Equal(
		t,
		CheckedItem{
			ID: "level", Text: "Electrolyte above the plates (flooded)", State: "attention", Reading: "8", Unit: "mm",
			Photo: "IMG_17", Value: &eight,
		},
		item,
	)
	assert.Equal(t, "not-checked", v.Areas[0].Items[0].State)

	var b bytes.Buffer
	require.NoError(t, v.WriteCSV(&b))
	rows, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	assert.Contains(t, rows, []string{"meter", "a", "voltage_v", "11.98", "V", "11.952", "2026-03-09T14:04:22Z"})
	assert.Contains(
		t, rows,
		[]string{
			"load-test", "b", "cranking", "310", "A", figure(AgentFigure(later.Snapshot, "b", "cranking_a")), "'=cmd()",
		},
		"no formula for a spreadsheet",
	)
}

// Formulas begin so (OWASP, CSV injection); numbers may too.
func TestHarmless(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "=1+1": "'=1+1", "+cmd": "'+cmd", "-cmd": "'-cmd", "@x": "'@x", "-1.5": "-1.5", "+3": "+3",
		"plain": "plain",
	} {
		assert.Equal(t, want, escapeFormula(in))
	}
}

func TestAgentFigure(t *testing.T) {
	s := facts(t, 0).Snapshot
	assert.Nil(t, AgentFigure(nil, "a", "voltage_v"))
	assert.Nil(t, AgentFigure(s, "x", "voltage_v"))
	assert.Nil(t, AgentFigure(s, "a", "color"))
	s.Motor.Running = false
	assert.Nil(t, AgentFigure(s, "motor", "current_a"), "the bank's current is not the motor's while it stands")
	s.Motor.Running = true
	amps := -120.0
	s.Bank.CurrentA = &amps
	assert.Equal(t, 120.0, *AgentFigure(s, "motor", "current_a"))
	assert.Equal(t, 11.952, *AgentFigure(s, "a", "voltage_v"))
}

func FuzzClean(f *testing.F) {
	for _, s := range []string{"", "12.6", "−3,5", "a\r\nb", "\xff\x00", "\u202e=1", strings.Repeat("9", 400)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, in string) {
		for _, field := range []Field{
			{}, {Kind: Note}, {Kind: Number, Min: -10, Max: 10}, {Kind: Choice, Choices: States},
		} {
			out, trouble := field.clean(in)
			if trouble != "" {
				continue
			}
			again, trouble := field.clean(out)
			require.Empty(t, trouble)
			require.Equal(t, out, again, "clean already")
			if field.Kind == Number && out != "" {
				v, ok := ParseNumber(out)
				require.True(t, ok && math.Abs(v) <= 10)
			}
		}
	})
}
