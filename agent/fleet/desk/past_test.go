package desk

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/fleet/db"
	"liftbank/agent/page/words"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

func TestPastPage(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleRead)
	for span, wants := range map[string][]string{
		"":                       {"3 months", "a 905", "b 543", "limits 760, 570", "Feed a day, at most 3 h", "Battery b is weak", "No full charge for days"},
		"?span=week":             {"Motor runs", "Battery b is weak"},
		"?span=year":             {"2026", "No charge reaches the bank"},
		"?span=%3Cscript%3E":     {"Cold cranking, A"},
		"?span=month&span=week":  {"State of charge, %"},
		"?span=year&from=1&to=x": {"Rested voltage"},
	} {
		code, body := c.get("/units/4017" + span)
		require.Equal(t, http.StatusOK, code)
		for _, want := range wants {
			assert.Contains(t, body, want, span)
		}
		assert.NotContains(t, body, "NaN", span)
		assert.NotContains(t, body, "Inf", span)
		assert.Equal(t, 4, strings.Count(body, `class="scale"`), "a chart each: capability, resistance, rested voltage, charge")
		assert.Equal(t, 6, strings.Count(body, "The same as a table"), span)
	}
	_, body := c.get("/units/4017")
	for _, want := range []string{ // 30 days of 8 lifts and 3 h of feed, the last since the day before
		`Lifts</th><td>248`, `Hours of feed</th><td>93`, `Charge in</th><td>667`, `Charge out</th><td>620`, `Days undercharged</th><td>4`,
		`Longest since a full charge</th><td>11`,
	} {
		assert.Contains(t, body, want)
	}
	assert.Less(t, strings.Index(body, "Cold cranking, A</b>"), strings.Index(body, "State of charge, %</b>"))
	f.store.units["4056"].Row.Name = "feed-lost"
	f.store.past["4056"] = pastFor(f.now, 365)
	_, body = c.get("/units/4056")
	assert.Less(t, strings.Index(body, "State of charge, %</b>"), strings.Index(body, "Cold cranking, A</b>"), "what the finding is about comes first")
	_, body = c.get("/units/5001")
	assert.Contains(t, body, "not known yet", "nothing known, nothing drawn")
	assert.NotContains(t, body, `class="plot"`)

	code, body := c.get("/api/v1/units/4017/past?span=month")
	require.Equal(t, http.StatusOK, code)
	var a PastAnswer
	require.NoError(t, json.Unmarshal([]byte(body), &a))
	assert.Equal(t, "month", a.Span)
	assert.Len(t, a.Days, 31)
	assert.Equal(t, uint64(8), *a.Days[3].Lifts)
	assert.InDelta(t, 3, *a.Days[3].FeedH, 1e-9)
	assert.Equal(t, uint64(248), *a.Last30.Lifts)
	assert.NotEmpty(t, a.Hours)
	assert.Len(t, a.Findings, 4)
	code, _ = c.get("/api/v1/units/nobody/past")
	assert.Equal(t, http.StatusNotFound, code)
}

// Sums don't depend on what lies outside of their days, take a counter that began anew for what it says,
// and say from when they are.
func TestSums(t *testing.T) {
	to := t0
	day := func(n int, lifts uint64, low float64) db.Day {
		d := to.Truncate(dayLong).AddDate(0, 0, n)
		full := float64(30+n) * dayLong.Seconds()
		return db.Day{Day: d, At: d.Add(20 * time.Hour), LowPct: &low, SinceFullS: &full, DayFigures: db.DayFigures{Counted: db.DayCounts{Lifts: lifts}}}
	}
	from := to.AddDate(0, 0, -30)
	s := sumsOf(&Past{Days: []db.Day{day(-40, 100, 5), day(-29, 130, 50), day(-3, 140, 40), day(-2, 6, 60)}}, from, to)
	assert.Equal(t, uint64(30+10+6), *s.Lifts)
	assert.Equal(t, 3, s.Days)
	assert.InDelta(t, 40, *s.LowestPct, 0)
	assert.InDelta(t, 28, *s.WithoutFullMaxD, 1e-9)
	assert.Equal(t, from.Truncate(dayLong), s.From)
	s = sumsOf(&Past{Days: []db.Day{day(-3, 140, 40), day(-2, 150, 60)}, Hours: []Hour{{At: to.Add(-time.Hour), Low: 12}}}, from, to)
	assert.Equal(t, uint64(10), *s.Lifts)
	assert.Equal(t, day(-3, 0, 0).Day, s.From)
	assert.InDelta(t, 12, *s.LowestPct, 0)
	s = sumsOf(&Past{Alarms: []db.Alarm{
		{Finding: "bank-undercharged", Raised: to.AddDate(0, 0, -50), Ended: to.AddDate(0, 0, -29)},
		{Finding: "bank-undercharged", Raised: to.Add(-time.Minute)}, {Finding: "bank-undercharged", Raised: to.Add(-2 * time.Minute), Ended: to.Add(-time.Minute)},
		{Finding: "bank-low", Raised: to.AddDate(0, 0, -20)},
	}}, from, to)
	assert.Equal(t, 3, s.UnderchargedD, "two at the start, and today once")
	assert.Nil(t, s.Lifts)
	assert.Nil(t, s.LowestPct)
}

// Whatever the figures, a chart's lines lie within it, and its scale around them.
func TestChartsHoldTheirLines(t *testing.T) {
	numbers := regexp.MustCompile(`[ML]([-0-9.]+) ([-0-9.]+)`)
	v := &view{To: words.Readers[0], Now: t0}
	rapid.Check(t, func(t *rapid.T) {
		size := math.Pow(10, float64(rapid.IntRange(-3, 6).Draw(t, "size")))
		c := curve{name: "a", least: rapid.IntRange(0, 2).Draw(t, "least")}
		from := t0.AddDate(-1, 0, 0)
		n := rapid.IntRange(2, 40).Draw(t, "points")
		for i := range n {
			x := rapid.Float64Range(-1, 1).Draw(t, "v") * size
			e := snapshot.Estimate{Value: &x}
			if rapid.Bool().Draw(t, "with sigma") {
				s := rapid.Float64Range(0, 0.2).Draw(t, "sigma") * size
				e.Sigma = &s
			}
			c.add(from.Add(time.Duration(i+1)*200*time.Hour), e, 15*dayLong, rapid.Bool().Draw(t, "apart"))
		}
		limits := []float64{rapid.Float64Range(-1, 1).Draw(t, "limit") * size}
		got := v.chartOf("x", "X", v.axisOf(from, t0), []curve{c}, limits)
		require.NotNil(t, got)
		for _, m := range numbers.FindAllStringSubmatch(string(got.Plot), -1) {
			x, err := strconv.ParseFloat(m[1], 64)
			require.NoError(t, err)
			y, err := strconv.ParseFloat(m[2], 64)
			require.NoError(t, err)
			assert.True(t, x >= 0 && x <= 1000 && y >= -0.05 && y <= chartHeight+0.05, m[0])
		}
		labels := strings.Count(string(got.Scale), "<text")
		assert.True(t, labels >= 2 && labels <= 6, "%d labels", labels)
		assert.LessOrEqual(t, len(got.Rows), tableRows)
		assert.NotContains(t, string(got.Plot+got.Scale), "NaN")
	})
}

// What was in doubt when it was measured is not drawn, nor summed.
func TestDoubtedFiguresAreNotDrawn(t *testing.T) {
	v := &view{To: words.Readers[0], Now: t0}
	a := v.axisOf(t0.AddDate(0, 0, -30), t0)
	drawn := func(finding, subject string) (names []string, cranking string) {
		p := pastFor(t0, 365)
		p.Alarms = []db.Alarm{{Finding: finding, Subject: subject, Severity: "urgent", Raised: t0.AddDate(0, 0, -200)}}
		for _, c := range v.charts(p, a, "", nil) {
			names = append(names, c.Name)
			if c.Name == "cranking" {
				for _, l := range c.Lines {
					cranking += l.Name
				}
			}
		}
		return names, cranking
	}
	names, cranking := drawn("feed-lost", "")
	assert.Len(t, names, 4)
	assert.Equal(t, "ab", cranking)
	names, _ = drawn("series-wired", "")
	assert.Empty(t, names)
	names, cranking = drawn("sense-fault", "battery b voltage")
	assert.NotContains(t, names, "charge", "the bank's charge rests on both")
	assert.Equal(t, "a", cranking)
	p := pastFor(t0, 60)
	p.Alarms = []db.Alarm{{Finding: "series-wired", Raised: t0.AddDate(0, 0, -50)}}
	assert.Nil(t, sumsOf(p, t0.AddDate(0, 0, -30), t0).LowestPct)
}

func TestDigitsGoAsFarAsTheUncertainty(t *testing.T) {
	e := func(v, s float64) snapshot.Estimate { return snapshot.Estimate{Value: &v, Sigma: &s} }
	for want, got := range map[string]snapshot.Estimate{
		"3.20 ±\u00a00.08": e(3.2, 0.08), "905 ±\u00a024": e(905.4, 24), "12.651 ±\u00a00.012": e(12.6512, 0.012),
	} {
		shown := written(got, 0)
		assert.Equal(t, want, shown.Value+" "+shown.Sigma)
	}
	assert.Equal(t, "—", written(snapshot.Estimate{}, 0).Value)
}

// readingsOf is a batch of an hour with the bank's charge falling from one value to another.
func (o *onDatabase) readingsOf(id string, at time.Time, from, to float64) (m []byte) {
	o.Helper()
	layout := readings.Layout{{Figure: readings.SoCPct}}
	var rows []readings.Row
	for i := range 60 {
		v := int32(10 * (from + (to-from)*float64(i)/59))
		rows = append(rows, readings.Row{Start: time.Duration(i) * time.Minute, Stats: []readings.Stat{{Min: v, Mean: v, Max: v, Known: true}}})
	}
	batch, err := readings.Compress(layout, rows, readings.DefaultBounds())
	require.NoError(o, err)
	o.seq++
	body, err := json.Marshal(records.Readings{Head: o.head(id, "readings", records.ReadingsSchema, o.seq, at.Add(time.Hour)), Start: at, Readings: batch})
	require.NoError(o, err)
	return body
}

func TestHoursOnADatabase(t *testing.T) {
	o := newOnDatabase(t)
	send := func(body []byte) {
		m, err := o.parser.Parse("liftbank/v1/4017/readings", body)
		require.NoError(t, err)
		o.commit(m)
	}
	hour := o.now.Truncate(time.Hour).Add(-10 * time.Hour)
	send(o.readingsOf("4017", hour, 80, 60))
	send(o.readingsOf("4017", hour.Add(time.Hour), 60, 70))
	o.commit(o.unit("4017")...)
	store := o.desk.opts.Store
	past := func() *Past {
		p, err := store.Past(t.Context(), "4017", o.now.Add(-24*time.Hour), o.now)
		require.NoError(t, err)
		return p
	}
	p := past()
	require.Len(t, p.Hours, 2)
	assert.Equal(t, hour, p.Hours[0].At)
	assert.InDelta(t, 70, p.Hours[0].Mean, 0.6)
	assert.InDelta(t, 60, p.Hours[0].Low, 1.01) // bounds of the batch: 1 %
	assert.InDelta(t, 80, p.Hours[0].High, 1.01)
	assert.Len(t, p.Runs, 1)
	require.Len(t, p.Days, 1)
	send(o.readingsOf("4017", hour.Add(2*time.Hour), 70, 75))
	assert.Len(t, past().Hours, 3, "what comes in after the first look is seen")
	assert.Len(t, past().Hours, 3)
	p, err := store.Past(t.Context(), "4017", o.now.Add(-365*24*time.Hour), o.now)
	require.NoError(t, err)
	assert.Empty(t, p.Hours)
	p, err = store.Past(t.Context(), "nobody", o.now.Add(-24*time.Hour), o.now)
	require.NoError(t, err)
	assert.Equal(t, &Past{}, p)
	o.now = o.now.Add(50 * 24 * time.Hour)
	assert.Empty(t, past().Hours, "an old hour is forgotten")

	books := newHourBooks()
	for i := range 3 * mostBooks {
		books.book(fmt.Sprint(i), t0.Add(time.Duration(i)*time.Second))
	}
	assert.Len(t, books.units, mostBooks)
	assert.Contains(t, books.units, fmt.Sprint(3*mostBooks-1))
}

// yearOf fills a database with a year of one unit as it would send it: a row a day, and a month of
// batches.
func yearOf(t testing.TB) *onDatabase {
	t.Helper()
	o := newOnDatabase(t)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(o.first, &s))
	begin := o.now.AddDate(-1, 0, 0)
	body, err := os.ReadFile(filepath.Join("..", "wire", "testdata", "readings.json"))
	require.NoError(t, err)
	var batch map[string]any
	require.NoError(t, json.Unmarshal(body, &batch))
	for i := range 366 {
		at := begin.AddDate(0, 0, i)
		o.seq++
		s.Unit, s.Session, s.Seq, s.At, s.ClockTrusted, s.UptimeS = "4017", "s1", o.seq, at, true, at.Sub(t0).Seconds()+4e7
		s.Motor.LiftCycles, s.Motor.Runs, s.Feed.FeedTimeS = uint64(8*i), uint64(31*i), 10800*float64(i)
		_, err := o.db.Commit(t.Context(), at, append(o.runsOf(31, at), o.message("4017", "snapshot", s)))
		require.NoError(t, err)
	}
	for i := range 31 * 24 {
		at := o.now.Add(-time.Duration(31*24-i) * time.Hour)
		batch["unit"], batch["session"], batch["first"], batch["seq"], batch["start"], batch["at"] = "4017", "s1", 1, i+1, at, at.Add(time.Hour)
		body, err := json.Marshal(batch)
		require.NoError(t, err)
		m, err := o.parser.Parse("liftbank/v1/4017/readings", body)
		require.NoError(t, err)
		_, err = o.db.Commit(t.Context(), at.Add(time.Hour), append(o.runsOf(1, at), m))
		require.NoError(t, err)
	}
	return o
}

// cpu returns the time that this process has used.
func cpu() time.Duration {
	var u syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u) // it has no way to fail
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkUnitPage asks for a unit's page of a year, as it is first asked for and again.
func BenchmarkUnitPage(b *testing.B) {
	o := yearOf(b)
	c := o.as(RoleRead)
	for _, span := range []string{"week", "month", "quarter", "year"} {
		for _, first := range []bool{true, false} {
			b.Run(fmt.Sprintf("%s/first=%v", span, first), func(b *testing.B) {
				before := cpu()
				defer func() { b.ReportMetric(float64((cpu()-before).Milliseconds())/float64(b.N), "cpu-ms/page") }()
				for b.Loop() {
					if first {
						store := o.desk.opts.Store.(dbStore)
						clear(store.hours.units)
					}
					code, _ := c.get("/units/4017?span=" + span)
					if code != http.StatusOK {
						b.Fatal(code)
					}
				}
			})
		}
	}
}
