package draw

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/history"
	"liftbank/agent/page/words"
)

var english = words.Readers[0]

func f(v float64) *float64 { return &v }

// window is a span of a day in 24 bins, with lines as given.
func window(series ...history.Series) *history.Window {
	from := time.Date(2026, 10, 8, 0, 0, 0, 0, time.UTC)
	w := &history.Window{From: from, To: from.Add(24 * time.Hour), StepS: 3600, Series: series}
	for i := range 24 {
		w.TimesS = append(w.TimesS, from.Add(time.Duration(i)*time.Hour).Unix())
	}
	return w
}

func flat(figure, battery string, v float64) history.Series {
	s := history.Series{Figure: figure, Battery: battery}
	for range 24 {
		s.Min, s.Mean, s.Max = append(s.Min, f(v-0.1)), append(s.Mean, f(v)), append(s.Max, f(v+0.1))
	}
	return s
}

var places = regexp.MustCompile(`(-?[\d.]+(?:e[+-]\d+)?) (-?[\d.]+(?:e[+-]\d+)?)`)

// The bank's voltage has a scale of its own: the motor, at 0 V, is not on it.
func TestTheBankHasItsOwnScale(t *testing.T) {
	w := window(flat("voltage_v", "", 12.7), flat("motor_voltage_v", "", 0), flat("feed_voltage_v", "", 14.4), flat("voltage_v", "a", 12.7),
		flat("voltage_v", "b", 12.72))
	w.Series[0].Min[9] = f(11.8)
	w.Runs = []history.Run{{At: w.From.Add(9*time.Hour + 20*time.Minute), DurationS: 9}}
	all := Past{}.Charts(english, w)
	require.Len(t, all, 1, "the batteries are where the bank is")
	c := all[0]
	assert.Equal(t, []string{"13.0", "12.5", "12.0", "11.5"}, c.Values)
	assert.Contains(t, c.Name, "Voltage, V; Bank 12.70, between 11.80 and 12.80")
	needle := regexp.MustCompile(`class="needle low" d="M([\d.]+) ([\d.]+)V([\d.]+)"`).FindStringSubmatch(string(c.SVG))
	require.NotNil(t, needle, string(c.SVG))
	x, _ := strconv.ParseFloat(needle[1], 64)
	assert.InDelta(t, 1000*(9+1.0/3)/24, x, 0.06, "it hangs where the run is")
	low, _ := strconv.ParseFloat(needle[3], 64)
	assert.InDelta(t, 100*(13-11.8)/1.5, low, 0.1, "to its lowest")

	w.Series[4] = flat("voltage_v", "b", 12.2) // a bad tap, or an open link
	all = Past{}.Charts(english, w)
	require.Len(t, all, 2)
	assert.Equal(t, "Voltage by battery, V", all[1].Title)
}

// A gap is a gap, what stands alone is a dot, and nothing is drawn after now.
func TestGapsAndNow(t *testing.T) {
	s := flat("temperature_c", "a", 11)
	s.Mean[5], s.Mean[7] = nil, nil
	w := window(s)
	c := Past{Now: w.From.Add(10*time.Hour + 30*time.Minute)}.Charts(english, w)[0]
	d := regexp.MustCompile(`class="curve c0" d="([^"]+)"`).FindStringSubmatch(string(c.SVG))[1]
	assert.Equal(t, 3, strings.Count(d, "M"), d)
	assert.Contains(t, d, "h0", "alone between two gaps")
	for _, p := range places.FindAllStringSubmatch(d, -1) {
		x, err := strconv.ParseFloat(p[1], 64)
		require.NoError(t, err)
		assert.LessOrEqual(t, x, 1000*10.5/24+0.05)
	}
	assert.Len(t, c.Table.Rows, 3, "four hours a row, up to now")
}

// Whatever was kept, every place is a number within the picture.
func TestEveryPlaceIsInThePicture(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.OneOf(rapid.Float64Range(-600, 600), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, math.Copysign(0, -1),
			1e300, -1e300, math.MaxFloat64, 5e-324}))
		var series []history.Series
		for range rapid.IntRange(1, 6).Draw(t, "lines") {
			s := history.Series{
				Figure:  rapid.SampledFrom([]string{"voltage_v", "current_a", "soc_pct", "soc_sigma_pct", "temperature_c"}).Draw(t, "figure"),
				Battery: rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "battery"),
			}
			for range rapid.IntRange(0, 24).Draw(t, "kept") {
				if rapid.Bool().Draw(t, "gap") {
					s.Min, s.Mean, s.Max = append(s.Min, nil), append(s.Mean, nil), append(s.Max, nil)
					continue
				}
				s.Min, s.Mean, s.Max = append(s.Min, f(value.Draw(t, "min"))), append(s.Mean, f(value.Draw(t, "mean"))),
					append(s.Max, f(value.Draw(t, "max")))
			}
			series = append(series, s)
		}
		w := window(series...)
		for range rapid.IntRange(0, 5).Draw(t, "runs") {
			w.Runs = append(w.Runs, history.Run{At: w.From.Add(time.Duration(rapid.IntRange(-3600, 90000).Draw(t, "at")) * time.Second), DurationS: value.Draw(t, "s")})
		}
		p := Past{Now: w.From.Add(time.Duration(rapid.IntRange(-3, 30).Draw(t, "now")) * time.Hour),
			Zone: time.FixedZone("", rapid.IntRange(-14*60, 14*60).Draw(t, "zone")*60)}
		strip := p.Strip(english, w)
		text := string(p.Axis(english, w))
		for _, r := range strip.Rows {
			text += string(r.SVG)
		}
		for _, c := range p.Charts(english, w) {
			text += string(c.SVG) + strings.Join(c.Values, " ")
			for _, m := range regexp.MustCompile(`class="(?:curve|band)[^"]*" d="([^"]*)"`).FindAllStringSubmatch(string(c.SVG), -1) {
				for _, place := range places.FindAllStringSubmatch(m[1], -1) {
					x, errX := strconv.ParseFloat(place[1], 64)
					y, errY := strconv.ParseFloat(place[2], 64)
					if errX != nil || errY != nil || x < -0.1 || x > plotWidth+0.1 || y < -0.1 || y > plotHeight+0.1 {
						t.Fatalf("%s: %v", c.Title, place)
					}
				}
			}
		}
		if strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Fatal(text)
		}
	})
}

// Times are named by the reader's own midnight, weeks begin on Monday, months on the first.
func TestTimesAreNamed(t *testing.T) {
	w := window()
	names := func(p Past, from time.Time, span time.Duration) []string {
		w.From, w.To = from, from.Add(span)
		var all []string
		for _, m := range p.timeline(english, w).marks {
			all = append(all, m.name)
		}
		return all
	}
	day := time.Date(2026, 10, 8, 0, 0, 0, 0, time.UTC) // a Thursday
	assert.Equal(t, []string{"Thu", "Fri", "Sat", "Sun", "Mon", "Tue", "Wed"}, names(Past{}, day, 7*24*time.Hour))
	west := Past{Zone: time.FixedZone("", -5*3600)}
	assert.Equal(t, []string{"00:00", "04:00", "08:00", "12:00", "16:00", "20:00"}, names(west, day.Add(5*time.Hour), 24*time.Hour))
	assert.Equal(t, []string{"5 Oct", "12 Oct", "19 Oct", "26 Oct", "2 Nov"}, names(Past{}, day, 30*24*time.Hour))
	assert.Equal(t, []string{"Sep", "Nov", "Jan", "Mar", "May", "Jul", "Sep"}, names(Past{}, day, 365*24*time.Hour))
	assert.Len(t, names(Past{}, day, 10*time.Minute), 5)
	assert.NotEmpty(t, names(Past{}, day, 400*24*time.Hour))
}

// A finding that holds is a bar to now, one that is over is hatched; both begin where they did.
func TestFindingsInTheStrip(t *testing.T) {
	w := window(flat("current_a", "", -0.1))
	ended := w.From.Add(9 * time.Hour)
	for i := 6; i < 9; i++ {
		w.Series[0].Max[i] = f(8)
	}
	w.Findings = []history.Span{
		{Name: "feed-lost", Severity: "urgent", From: w.From.Add(3 * time.Hour), To: &ended},
		{Name: "battery-tired", Subject: "b", Severity: "repair", From: w.From.Add(6 * time.Hour)},
	}
	p := Past{Now: w.From.Add(12 * time.Hour), Number: func(name, _ string) int { return map[string]int{"battery-tired": 1}[name] }}
	s := p.Strip(english, w)
	require.Len(t, s.Rows, 4)
	assert.Contains(t, string(s.Rows[1].SVG), `class="feed" d="M250.0 5.0H375.0"`, "it charged from six to nine")
	assert.Equal(t, 1, s.Rows[2].Number)
	assert.False(t, s.Rows[2].Over)
	assert.Contains(t, string(s.Rows[2].SVG), `class="holds" d="M250.0 5.0H500.0"`)
	assert.True(t, s.Rows[3].Over)
	assert.Contains(t, string(s.Rows[3].SVG), `class="over" d="M125.0 5.0H375.0"`)
}

// The band of a charge is one standard deviation where that was kept, within 0 and 100 %.
func TestTheBandIsTheDoubt(t *testing.T) {
	w := window(flat("soc_pct", "a", 99), flat("soc_sigma_pct", "a", 3))
	c := Past{}.Charts(english, w)
	require.Len(t, c, 1, "the doubt is no chart of its own")
	assert.Equal(t, []string{"100", "95", "90"}, c[0].Values)
	band := regexp.MustCompile(`class="band c0" d="([^"]+)"`).FindStringSubmatch(string(c[0].SVG))
	require.NotNil(t, band)
	assert.Contains(t, band[1], "M20.8 0.0L", "not above 100 %")
	assert.Contains(t, band[1], " 40.0", "99 − 3 %, on a scale of 100 to 90")
}

// A time a few days ago is in days, one before that in hours.
func TestTimesOfSmallChartsAreInOneUnit(t *testing.T) {
	for _, span := range SmallSpans {
		for k := range smallParts {
			at := span / smallParts * time.Duration(k+1)
			assert.True(t, at <= 3*24*time.Hour || at%(24*time.Hour) == 0, "%v of %v", at, span)
		}
	}
}
