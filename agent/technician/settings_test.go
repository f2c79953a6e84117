package technician

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/safefile"
)

// whole is a unit with the defaults of a file.
func whole() *config.Config {
	c := config.Default()
	c.Bank = unit().Bank
	c.Unit.ID, c.Unit.Place = "lift-1", "Yard 4"
	return &c
}

// drawn draws a value that a setting takes, as it is written.
func drawn(t *rapid.T, e *Effective) string {
	switch e.Kind {
	case Choice:
		return rapid.SampledFrom(e.Choices).Draw(t, e.Path)
	case Text:
		return strings.TrimSpace(rapid.StringMatching(`[a-zé0-9 ,.-]{0,30}`).Draw(t, e.Path))
	case Whole:
		return strconv.Itoa(rapid.IntRange(int(e.Min), int(e.Max)).Draw(t, e.Path))
	}
	return strconv.Itoa(rapid.IntRange(int(e.Min), min(int(e.Max), 5000)).Draw(t, e.Path))
}

func values(all []Effective) map[string]string {
	out := map[string]string{}
	for _, e := range all {
		out[e.Path] = e.Value
	}
	return out
}

// Changes and their undoing, of all settings in any order, over restarts: what holds is what was set
// last, the journal played from the beginning leads to it, its numbers go up by one, and what differs
// from the configuration says so.
func TestAnyChangesAndUndoing(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d := crash.New("/card")
		defer disk.Use(d)()
		const path = "/card/visits/technician.json"
		base := whole()
		o, err := Open(path)
		require.NoError(rt, err)
		_, all := o.Apply(*base)
		first := values(all)
		want := values(all)
		for range rapid.IntRange(1, 25).Draw(rt, "changes") {
			e := &all[rapid.IntRange(0, len(all)-1).Draw(rt, "which")]
			journal := o.Journal()
			switch rapid.IntRange(0, 3).Draw(rt, "what") {
			case 0:
				o, err = Open(path)
				require.NoError(rt, err)
			case 1:
				if len(journal) == 0 {
					continue
				}
				one := journal[rapid.IntRange(0, len(journal)-1).Draw(rt, "entry")]
				c, err := o.Undo(base, one.Seq)
				if want[one.Path] != one.New {
					require.ErrorIs(rt, err, ErrNotNow)
					continue
				}
				require.NoError(rt, err)
				c.By, c.At = "undo", noon
				require.NoError(rt, o.Set(base, c))
				want[one.Path] = one.Old
			default:
				v := drawn(rt, e)
				require.NoError(rt, o.Set(base, Change{
					Values: map[string]string{e.Path: v}, Seen: map[string]string{e.Path: want[e.Path]}, By: "set", At: noon,
				}), "%s %q", e.Path, v)
				want[e.Path] = v
			}
		}
		cfg, now := o.Apply(*base)
		require.Equal(rt, want, values(now))
		require.Equal(rt, *whole(), *base, "the base stays")
		played := first
		for i, e := range o.Journal() {
			assert.Equal(rt, i+1, e.Seq)
			assert.Equal(rt, e.Old, played[e.Path])
			played[e.Path] = e.New
		}
		assert.Equal(rt, want, played)
		for _, e := range now {
			if e.Kind != Text || !strings.HasSuffix(e.Path, ".place") || strings.HasPrefix(e.Path, "unit") {
				assert.Equal(rt, e.Value != first0(base, e.Path), e.Origin == FromTechnician, "%+v", e)
			}
		}
		for _, b := range cfg.Bank.Batteries {
			require.NoError(rt, b.Check())
		}
		again, err := Open(path)
		require.NoError(rt, err)
		_, after := again.Apply(*base)
		assert.Equal(rt, now, after, "a restart reads the same")
	})
}

// first0 returns what the configuration has.
func first0(base *config.Config, path string) string {
	for _, f := range fields(base) {
		if f.path == path && f.get != nil {
			return f.get(base)
		}
	}
	return ""
}

// Each operation on the disk fails while settings are changed and undone, or the power is cut there:
// what is read afterwards is the state before or after, whole, with its journal.
func TestEachOperationOfAChangeAndItsUndoing(t *testing.T) {
	const path = "/card/visits/technician.json"
	chance := rand.New(rand.NewPCG(3, 4))
	change := Change{Values: map[string]string{
		"service.oil_every": "365", "counter.lift_cycles": "41000", "counter.from": "old counter", "unit.name": "Ferry lift",
		"bank.batteries.a.place": "street side",
	}, By: "R. Vale", At: noon}
	for _, undoing := range []bool{false, true} {
		for _, fault := range diskErrors {
			for n := 1; ; n++ {
				d := crash.New("/card")
				undo := disk.Use(d)
				o, err := Open(path)
				require.NoError(t, err)
				require.NoError(t, o.Set(whole(), Change{Values: map[string]string{"unit.place": "North"}, By: "first", At: noon}))
				if undoing {
					require.NoError(t, o.Set(whole(), change))
				}
				_, before := o.Apply(*whole())
				c := change
				if undoing {
					c, err = o.Undo(whole(), o.Journal()[1].Seq)
					require.NoError(t, err)
				}
				begun := d.Operations()
				d.FailWith(func(at int, _, _ string) error {
					if at == begun+n {
						return fault
					}
					return nil
				})
				err = o.Set(whole(), c)
				done := d.Operations() < begun+n
				d.FailWith(nil)
				_, now := o.Apply(*whole())
				if err != nil {
					assert.Equal(t, before, now, "operation %d: what failed is not in force", n)
				}
				lost := d.Cut(chance)
				undo()
				undo = disk.Use(lost)
				again, openErr := Open(path)
				require.NoError(t, openErr, "operation %d", n)
				_, after := again.Apply(*whole())
				if err == nil {
					assert.Equal(t, now, after, "operation %d: what was confirmed outlives a power cut", n)
				} else {
					assert.Subset(t, []int{len(o.Journal()), len(o.Journal()) + len(c.Values)}, []int{len(again.Journal())})
				}
				undo()
				if done {
					break
				}
			}
		}
	}
}

// What two see and set, a form that is sent twice, and what can't be undone.
func TestConflictsAndUndoing(t *testing.T) {
	o, err := Open("")
	require.NoError(t, err)
	set := func(value, seen, id string) error {
		return o.Set(whole(), Change{
			Values: map[string]string{"service.lift_cycles": value}, Seen: map[string]string{"service.lift_cycles": seen}, By: "R. Vale",
			At: noon, ID: id,
		})
	}
	require.NoError(t, set("5000", "0", "form-1"))
	require.NoError(t, set("7000", "0", "form-1"), "the form was sent twice")
	require.Len(t, o.Journal(), 1)
	require.Len(t, o.Done("form-1"), 1)
	assert.Empty(t, o.Done(""))
	err = set("6000", "0", "form-2")
	var clash *Conflict
	require.ErrorAs(t, err, &clash)
	assert.Equal(t, []string{"0", "6000", "5000", "R. Vale"}, []string{clash.Seen, clash.Mine, clash.Now.Value, clash.Now.By})
	require.NoError(t, set("5000", "0", "form-3"), "both want the same")
	require.Len(t, o.Journal(), 1)

	_, err = o.Undo(whole(), 9)
	require.ErrorIs(t, err, ErrNoEntry)
	_, err = o.Undo(whole(), 0)
	require.ErrorIs(t, err, ErrNoEntry)
	newer := whole()
	newer.Limits, err = newer.Limits.With("service.lift_cycles", 9000)
	require.NoError(t, err)
	_, err = o.Undo(newer, 1)
	require.ErrorIs(t, err, ErrNotNow, "the file counts again")
	require.NoError(t, o.Set(whole(), fitted("R. Vale", "105")))
	for _, e := range o.Journal() {
		if strings.HasPrefix(e.Path, "passport.") {
			_, err = o.Undo(whole(), e.Seq)
			require.ErrorIs(t, err, ErrNoSetting, "a replaced battery is taken back in its visit")
		}
	}
	for path, bad := range map[string][]string{
		"service.lift_cycles": {"-1", "1000001", "1.5", "NaN", "Inf", "x", ""}, "service.oil_every": {"-1", "3651", "0.5", "1e9"},
		"service.motor_time": {"-1", "10001", "NaN"}, "counter.runs": {"-1", "10000001", "1e3", ""},
		"counter.motor_time": {"-0.1", "100001", "NaN", "Inf"}, "unit.name": {strings.Repeat("x", 61)},
		"bank.batteries.a.place": {strings.Repeat("é", 61)}, "nothing": {"1"}, "findings.hot_c": {"50"}, "unit.id": {"x"},
	} {
		for _, value := range bad {
			err := o.Set(whole(), Change{Values: map[string]string{path: value}, By: "x", At: noon})
			var refused *Refused
			require.ErrorAs(t, err, &refused, "%s %q", path, value)
			assert.ErrorContains(t, err, "want", "%s %q", path, value)
		}
	}
}

// An older file's journal has no numbers; they are given, and go on.
func TestNumbersOfAnOlderJournal(t *testing.T) {
	d := crash.New("/card")
	defer disk.Use(d)()
	require.NoError(t, safefile.Save("/card/t.json", []byte(`{"schema":"liftbank.technician.v1","journal":[
		{"at":"2026-05-04T12:00:00Z","by":"R. Vale","path":"bank.batteries.b.rated_ah","old":"100","new":"105"},
		{"at":"2026-05-04T12:00:00Z","by":"R. Vale","path":"passport.b","old":"{}","new":"{}"}]}`)))
	o, err := Open("/card/t.json")
	require.NoError(t, err)
	require.NoError(t, o.Set(whole(), Change{Values: map[string]string{"unit.name": "x"}, By: "x", At: noon}))
	for i, e := range o.Journal() {
		assert.Equal(t, i+1, e.Seq)
	}
	for i := range maxJournal + 10 { // the oldest half goes, the numbers go on
		require.NoError(t, o.Set(whole(), Change{Values: map[string]string{"unit.name": fmt.Sprint(i)}, By: "x", At: noon}))
	}
	journal := o.Journal()
	assert.Less(t, len(journal), maxJournal+2)
	assert.Equal(t, maxJournal+13, journal[len(journal)-1].Seq)
}

// Whatever is sent for a setting is taken and reads back the same, or refused and changes nothing.
func FuzzSet(f *testing.F) {
	for i, text := range []string{"12,70", "12.70 V", "−120", "NaN", "", "agm", "5000", "\x00", strings.Repeat("é", 61)} {
		f.Add(uint8(i), text)
	}
	f.Fuzz(func(t *testing.T, which uint8, text string) {
		o, err := Open("")
		require.NoError(t, err)
		_, all := o.Apply(*whole())
		path := all[int(which)%len(all)].Path
		if o.Set(whole(), Change{Values: map[string]string{path: text}, By: "x", At: noon}) != nil {
			_, after := o.Apply(*whole())
			require.Equal(t, all, after)
			return
		}
		cfg, now := o.Apply(*whole())
		kept := values(now)[path]
		require.NoError(t, o.Set(whole(), Change{Values: map[string]string{path: kept}, By: "x", At: noon}))
		_, again := o.Apply(cfg)
		require.LessOrEqual(t, len(o.Journal()), 1, "what was read back is the same")
		require.NotEmpty(t, again)
	})
}
