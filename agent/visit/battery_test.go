package visit

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit/judge"
)

// fitter notes what was fitted.
type fitter struct {
	done []string
	fail error
}

func (f *fitter) note(what string) error {
	if f.fail == nil {
		f.done = append(f.done, what)
	}
	return f.fail
}

func (f *fitter) FitBattery(_ context.Context, battery string, now Fitted, _ string) error {
	return f.note("fit " + battery + " " + now.Chemistry)
}

func (f *fitter) TakeBackBattery(_ context.Context, battery string, was Fitted, _ string) error {
	return f.note("back " + battery + " " + was.Chemistry)
}

func (f *fitter) DescribeBattery(_ context.Context, battery string, p snapshot.Passport, _ string) error {
	return f.note("describe " + battery + " " + p.Serial)
}

func (f *fitter) SettleBatteries(context.Context) error { return f.note("settle") }

func (f *fitter) BeginWork(context.Context, string, string) error { return f.note("begin") }

func (f *fitter) EndWork(context.Context, string) error { return f.note("end") }

// tests are fields of a load test that fails and of a label.
var tests = map[string]string{
	"test.b.load_a": "475", "test.b.after_s": "15", "test.b.voltage_v": "8.9", "test.b.temperature_c": "11",
	"test.b.before_v": "12.6", "fit.b.chemistry": "agm", "fit.b.rated_ah": "105", "fit.b.rated_cca_a": "900",
	"fit.b.serial": "M2-77105", "fit.b.date_code": "2025-W33", "order.number": "88213",
}

// The agent's loop, which makes a demonstration's visit, is asked for nothing: it would wait for itself.
func TestAVisitInTheLoopAsksItForNothing(t *testing.T) {
	f := &fitter{}
	k := open(t, t.TempDir(), func(o *Options) { o.Fitter, o.Switch = f, f })
	now := facts(t, 0)
	now.InLoop = true
	d, err := k.Begin("R. Vale", "abc123", now)
	require.NoError(t, err)
	_, err = k.Finish(d.ID, now)
	require.NoError(t, err)
	assert.Empty(t, f.done)
}

// A replaced battery takes its tests with it; the record has what came out and what came in; what is
// settled at the end can't be undone.
func TestRecordOfAReplacement(t *testing.T) {
	f := &fitter{}
	k := open(t, t.TempDir(), func(o *Options) { o.Fitter = f })
	d, err := k.Begin("R. Vale", "abc123", facts(t, 0))
	require.NoError(t, err)
	r, err := k.Save(d.ID, 1, tests, facts(t, time.Minute))
	require.NoError(t, err)
	require.Empty(t, r.Refusals)
	d, err = k.ReplaceBattery(t.Context(), d.ID, "0123456789", "b", facts(t, 2*time.Minute))
	require.NoError(t, err)
	w := d.Work[0]
	assert.True(t, w.Acted)
	assert.Equal(t, "2025-W33", w.Fitted.Passport.Made)
	assert.Equal(t, "2026-03-09", w.Fitted.Passport.Installed, "today, where the clock is set")
	assert.Equal(t, judge.Fails, w.Removed.Tests.Load.Outcome)
	assert.Equal(t, "flooded", w.Removed.Chemistry)
	assert.NotContains(t, d.Fields, "test.b.load_a")
	_, err = k.TakeBack(t.Context(), d.ID, "no-such", facts(t, 0))
	require.ErrorIs(t, err, ErrNoSuchWork)
	v, err := k.Finish(d.ID, facts(t, time.Hour))
	require.NoError(t, err)
	assert.Equal(t, []string{"settle", "fit b agm", "settle"}, f.done)
	assert.Equal(t, "88213", v.Order.Number)
	assert.Len(t, v.Found, 3)
	require.NotEmpty(t, v.Before.Batteries[0].Sigmas)

	var b bytes.Buffer
	require.NoError(t, v.WriteCSV(&b))
	checkCSV(t, b.Bytes(), []string{
		"load-test,b,judged,fails,,agree,", "battery,b,serial,M2-77105,,,put in", "battery,b,rated_capacity,100,Ah,,taken out",
		"order,,number,88213,,,",
	})
}

// checkCSV holds a table against its published description, and wants some lines.
func checkCSV(t *testing.T, text []byte, want []string) {
	t.Helper()
	meta, err := os.ReadFile(filepath.Join("..", "..", "deploy", "schema", "csv", "visit.csv-metadata.json"))
	require.NoError(t, err)
	var m struct {
		TableSchema struct {
			Columns []struct {
				Name, Titles string
				Required     bool
				Datatype     any
			}
		}
	}
	require.NoError(t, json.Unmarshal(meta, &m))
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	require.NoError(t, err)
	for i, c := range m.TableSchema.Columns {
		require.Equal(t, c.Titles, rows[0][i])
		format := ""
		if d, ok := c.Datatype.(map[string]any); ok {
			format, _ = d["format"].(string)
		}
		for _, row := range rows[1:] {
			assert.False(t, c.Required && row[i] == "", "%v: %s", row, c.Name)
			if format != "" {
				assert.Regexp(t, regexp.MustCompile("^(?:"+format+")$"), row[i], "%v: %s", row, c.Name)
			}
		}
	}
	assert.Len(t, rows[0], len(m.TableSchema.Columns))
	var lines []string
	for _, row := range rows {
		lines = append(lines, strings.Join(row, ","))
	}
	for _, line := range want {
		assert.Contains(t, lines, line)
	}
}

// A finding that is over does not remain, acknowledged or not.
func TestWhatIsClearedDoesNotRemain(t *testing.T) {
	now := facts(t, 0)
	now.Snapshot.Findings[0].Active, now.Snapshot.Findings[0].State = false, "returned to normal unacknowledged"
	k := open(t, t.TempDir())
	d, err := k.Begin("R. Vale", "abc123", facts(t, 0))
	require.NoError(t, err)
	v, err := k.Finish(d.ID, now)
	require.NoError(t, err)
	assert.Len(t, v.Found, len(v.Findings)+1)
	gone := now.Snapshot.Findings[0].Name
	assert.False(t, slices.ContainsFunc(v.Findings, func(r Remaining) bool { return r.Name == gone }))
}

// What the agent refuses is noted with the work, and the tests stay with the battery that stays.
func TestReplacementThatFails(t *testing.T) {
	f := &fitter{}
	k := open(t, t.TempDir(), func(o *Options) { o.Fitter = f })
	d, err := k.Begin("R. Vale", "abc123", facts(t, 0))
	require.NoError(t, err)
	_, err = k.Save(d.ID, 1, tests, facts(t, time.Minute))
	require.NoError(t, err)
	f.fail = syscall.EIO
	d, err = k.ReplaceBattery(t.Context(), d.ID, "0123456789", "b", facts(t, 2*time.Minute))
	require.NoError(t, err)
	assert.False(t, d.Work[0].Acted)
	assert.Equal(t, "475", d.Fields["test.b.load_a"])
	_, err = k.TakeBack(t.Context(), d.ID, "0123456789", facts(t, 0))
	require.ErrorIs(t, err, syscall.EIO)
	assert.Nil(t, k.Draft().Work[0].TakenBack)
}

// Each operation on the disk fails while a battery is replaced and taken back: nothing is done that
// is not noted, and after the next start the draft says what was done last.
func TestEachOperationOfAReplacementFails(t *testing.T) {
	for _, forever := range []bool{false, true} {
		for n := 1; ; n++ {
			d := crash.New("/card")
			undo := disk.Use(d)
			f := &fitter{}
			o := Options{Dir: "/card/visits", Unit: "t-1", Form: NewForm(DefaultChecklist(), []string{"a", "b"}), Fitter: f}
			k, err := Open(o)
			require.NoError(t, err)
			draft, err := k.Begin("R. Vale", "abc123", facts(t, 0))
			require.NoError(t, err)
			_, err = k.Save(draft.ID, 1, tests, facts(t, 0))
			require.NoError(t, err)
			begun := d.Operations()
			d.FailWith(func(at int, _, _ string) error {
				if at == begun+n || forever && at > begun+n {
					return syscall.EIO
				}
				return nil
			})
			_, replaced := k.ReplaceBattery(t.Context(), draft.ID, "0123456789", "b", facts(t, time.Minute))
			_, back := k.TakeBack(t.Context(), draft.ID, "0123456789", facts(t, time.Minute))
			done := d.Operations() < begun+n
			d.FailWith(nil)
			k, err = Open(o)
			require.NoError(t, err)
			now := k.Draft()
			if slices.Contains(f.done, "fit b agm") {
				require.Len(t, now.Work, 1, "operation %d: done and not noted", n)
			}
			if replaced == nil && back == nil {
				assert.NotNil(t, now.Work[0].TakenBack, "operation %d", n)
				assert.Equal(t, "475", now.Fields["test.b.load_a"])
			}
			undo()
			if done {
				break
			}
		}
	}
}

// The largest record that can be is sent within the bound, without drawings; the unit has it whole.
func TestTheLargestRecordIsBounded(t *testing.T) {
	k := open(t, t.TempDir(), func(o *Options) { o.Fitter = &fitter{} })
	d, err := k.Begin("R. Vale", "abc123", facts(t, 0))
	require.NoError(t, err)
	drawing := strings.TrimSuffix(strings.Repeat("123,123 ", 740), " ")
	form := map[string]string{"sign.technician": drawing, "sign.received": drawing}
	for _, f := range k.Form().Fields {
		switch f.Kind {
		case Note:
			form[f.Key] = strings.Repeat("ü", NoteLimit)
		case Text:
			form[f.Key] = strings.Repeat("ü", TextLimit)
		}
	}
	r, err := k.Save(d.ID, 1, form, facts(t, 0))
	require.NoError(t, err)
	require.Empty(t, r.Refusals)
	for i := range 3 {
		_, err = k.Save(d.ID, k.Draft().Revision, tests, facts(t, 0))
		require.NoError(t, err)
		_, err = k.ReplaceBattery(t.Context(), d.ID, "0123456789"+strconv.Itoa(i), "b", facts(t, 0))
		require.NoError(t, err)
	}
	v, err := k.Finish(d.ID, facts(t, time.Hour))
	require.NoError(t, err)
	assert.Equal(t, drawing, v.Order.Signature)
	const limit = 96 << 10 // as records.VisitBody has it
	body, err := v.Bounded(limit)
	require.NoError(t, err)
	assert.LessOrEqual(t, len(body), limit)
	var sent Visit
	require.NoError(t, json.Unmarshal(body, &sent))
	assert.True(t, sent.Shortened)
	assert.Empty(t, sent.Order.Signature)
	assert.NotEmpty(t, sent.Work)
	assert.Equal(t, drawing, v.Order.Signature, "the record itself stays")
	assert.NotEmpty(t, v.Work[0].Removed.Fields)
}

// A date code is read where it can mean one thing only, and kept as text otherwise. Those of ISO 8601 by the standard; those
// of the trade are common practice, no source.
func TestDateCodes(t *testing.T) {
	at := func(day string) Facts {
		x, err := time.Parse(time.DateOnly, day)
		require.NoError(t, err)
		return Facts{At: x, ClockTrusted: true}
	}
	now := at("2026-11-29")
	for code, made := range map[string]string{
		"2025-08": "2025-08", "2025-08-14": "2025-08-14", "20250814": "2025-08-14", "2025-W33": "2025-W33", "2025W33": "2025-W33",
		"2025-W33-4": "2025-W33", "33/25": "", "5H14": "", "1234-56": "", "2025-13": "", "2025-W53": "", "2020-W53": "2020-W53",
		"2025-W54": "", "2025-W00": "", "": "", "soon": "", "H": "", "H255": "", "HH5": "",
		// A letter and the year's last digit, or two.
		"H5": "2025-08", "h5": "2025-08", " H 5 ": "2025-08", "H-25": "2025-08", "A6": "2026-01", "L6": "", "M6": "2016-12", "M5": "2025-12",
		"I5": "2025-09", "I9": "2019-09", "H27": "", "H15": "", "N5": "", "J5": "", "K5": "", "L5": "", "L17": "", "L16": "2016-12",
		// Month and year.
		"08/25": "2025-08", "08-25": "2025-08", "0825": "2025-08", "12/26": "", "13/25": "", "25/08": "", "00/25": "", "1220": "2020-12",
		// Year and week; with year and month in doubt.
		"2533": "2025-W33", "2508": "", "2653": "", "2053": "2020-W53", "1733": "2017-W33", "1633": "", "9933": "", "25/33": "",
		"2649": "", "2648": "2026-W48",
	} {
		assert.Equal(t, made, MadeBy(code, now), code)
		if d, err := time.Parse("2006-01", made); err == nil && len(code) < 6 {
			assert.False(t, d.After(now.At), code)
		}
	}
	for code, can := range map[string][]string{
		"J5": {"2025-09", "2025-10"}, "L5": {"2025-11", "2025-12"}, "L6": {"2016-12", "2026-11"}, "2508": {"2025-08", "2025-W08"}, "X1": nil,
	} {
		assert.Equal(t, can, ReadDateCode(code, now.At).Can, code)
	}
	assert.Empty(t, MadeBy("0825", Facts{At: now.At}), "the clock is not set")
	assert.Equal(t, "2025-W33", MadeBy("2025-W33", Facts{At: now.At}))
	assert.Equal(t, "2015-08", MadeBy("H5", at("2025-07-31")), "the last one")
	assert.Empty(t, MadeBy("1118", at("2020-01-01")), "November 2018, or the 18th week of 2011")
	for typed, kept := range map[string]string{
		"2025-10-16": "2025-10-16", "2025-10": "2025-10", "10/2025": "2025-10", "Oct 2028": "2028-10", "16 Oct 2025": "2025-10-16",
		"10/11/2025": "", "16.10.25": "", "2025": "", "soon": "", "0025-01": "", "2025-02-30": "",
	} {
		got, why := cleanDate(typed)
		assert.Equal(t, kept, got, typed)
		assert.Equal(t, kept == "", why == NotDate, typed)
	}
}

// Whatever is on a label: nothing that is read lies in the future or is older than ten years, and no code of the trade means
// more than three things.
func FuzzDateCode(f *testing.F) {
	for _, code := range []string{"H5", "0825", "2533", "08/25", "2025-W33", "J6", "M 16"} {
		f.Add(code, int64(1795910400))
	}
	f.Fuzz(func(t *testing.T, code string, unix int64) {
		now := time.Unix(unix%4e9, 0)
		m := ReadDateCode(code, now)
		assert.LessOrEqual(t, len(m.Can), 3)
		for _, made := range m.Can {
			assert.Regexp(t, `^\d{4}-(\d\d(-\d\d)?|W\d\d)$`, made)
			if d, err := time.Parse("2006-01", made); err == nil && m.Trade {
				assert.False(t, d.After(now))
				assert.True(t, d.After(now.AddDate(-codeYears, -1, 0)))
			}
		}
	})
}

// Only strokes are a drawing.
func FuzzDrawing(f *testing.F) {
	f.Add("1,2 3,4;5,6")
	f.Add(`1,2"/><script>`)
	f.Fuzz(func(t *testing.T, text string) {
		path := Path(text)
		if strings.Trim(path, "ML0123456789,l ") != "" {
			t.Fatalf("%q", path)
		}
		field := Field{Kind: Drawing}
		if kept, why := field.clean(text); why == "" && kept != "" && Path(kept) == "" {
			t.Fatalf("%q is kept and can't be drawn", kept)
		}
	})
}
