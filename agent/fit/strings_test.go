package fit

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
)

func example(t testing.TB, file string, change ...string) config.Config {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "deploy", file))
	require.NoError(t, err)
	text := string(data)
	for i := 0; i < len(change); i += 2 {
		require.Contains(t, text, change[i])
		text = strings.ReplaceAll(text, change[i], change[i+1])
	}
	cfg, err := config.Parse(file, []byte(text))
	require.NoError(t, err)
	return cfg
}

// frame returns a frame with values by channel; the others are 0, temperatures 20 °C.
func frame(cfg *config.Config, values map[string]float64) Frame {
	f := FrameOf(cfg)
	for i := range cfg.Board.Channels {
		c := &cfg.Board.Channels[i]
		f.Readings[i].Value = values[c.Name()]
		if c.Unit() == "°C" {
			f.Readings[i].Value = 20
		}
	}
	for i, c := range cfg.Board.Contacts {
		if f.Contacts[i] = Off; c.Signal == config.Disconnect {
			f.Contacts[i] = On
		}
	}
	return f
}

// A bank that is wired otherwise than configured, and taps in the wrong order, are said in one sentence.
func TestALookAtTheLayout(t *testing.T) {
	series := example(t, "board-series.yaml")
	pairs := example(t, "board-series-pairs.yaml")
	parallel := example(t, "board-four-batteries.yaml")
	v := func(all ...float64) map[string]float64 {
		m := map[string]float64{}
		for i, x := range all {
			m["battery_voltage_"+string("abcd"[i])] = x
		}
		m["battery_negative_b"] = all[0]
		if len(all) > 2 {
			m["battery_negative_b"] = 0
		}
		return m
	}
	for _, tt := range []struct {
		name string
		cfg  *config.Config
		v    map[string]float64
		want string // of the one sentence; empty: nothing is wrong
	}{
		{"right", &series, v(12.6, 25.2), ""},
		{"right, one empty", &series, v(11.4, 24.0), ""},
		{"right, pairs", &pairs, v(12.6, 25.2, 12.7, 25.2), ""},
		{"right, parallel", &parallel, v(12.6, 12.6, 12.6, 12.6), ""},
		{"wired in parallel", &series, v(12.6, 12.62), "batteries in parallel, and bank.layout in the configuration is series"},
		{"pairs wired in parallel", &pairs, v(12.6, 12.6, 12.6, 12.6), "batteries in parallel, and bank.layout in the configuration is series-pairs"},
		{"wired in series", &parallel, v(12.6, 25.2, 12.6, 25.2), "batteries in series, and bank.layout in the configuration is parallel"},
		{"swapped", &series, v(25.2, 12.6), "battery_voltage_a shows 25.20 V and battery_voltage_b 12.60 V: their wires are swapped"},
		{"one string swapped", &pairs, v(12.6, 25.2, 25.2, 12.6), "battery_voltage_c shows 25.20 V and battery_voltage_d 12.60 V: their wires are swapped"},
		{"middle tap open", &series, v(0.1, 25.2), "battery_voltage_a shows nothing and others do"},
	} {
		f := frame(tt.cfg, tt.v)
		if tt.name == "middle tap open" {
			f.Readings[channelOf(tt.cfg, config.BatteryNegative, "b")].Value = 12.6
		}
		got := AtRest(tt.cfg, f)
		if tt.want == "" {
			assert.Empty(t, got, tt.name)
			continue
		}
		require.Len(t, got, 1, "%s: %v", tt.name, got)
		assert.Contains(t, got[0], tt.want, tt.name)
	}
	f := frame(&series, v(12.6, 25.2))
	f.Readings[channelOf(&series, config.BatteryNegative, "b")].Value = 0
	assert.Contains(t, strings.Join(AtRest(&series, f), "\n"), "battery_negative_b shows 0.00 V, and this negative post stands on another battery")
}

// Whatever the readings, a look says something or nothing, and ends.
func TestALookAtAnything(t *testing.T) {
	cfgs := []config.Config{example(t, "board-series.yaml"), example(t, "board-series-pairs.yaml")}
	rapid.Check(t, func(rt *rapid.T) {
		cfg := &cfgs[rapid.IntRange(0, 1).Draw(rt, "board")]
		f := FrameOf(cfg)
		for i := range f.Readings {
			f.Readings[i].Value = rapid.SampledFrom([]float64{0, 12.6, 25.2, -12.6, 40, math.NaN(), math.Inf(1), rapid.Float64().Draw(rt, "any")}).Draw(rt, "v")
			f.Readings[i].Fault = rapid.SampledFrom([]string{"", "", "open"}).Draw(rt, "fault")
		}
		for _, text := range AtRest(cfg, f) {
			require.NotEmpty(rt, text)
		}
	})
}

// The steps on strings: where the meter goes at each post, one current a string, and a string off at a time.
func TestStepsOfStrings(t *testing.T) {
	ids := func(cfg config.Config) string {
		var all []string
		for _, s := range Steps(&cfg) {
			all = append(all, s.ID)
		}
		return strings.Join(all, " ")
	}
	assert.Equal(t, "begin look post-a post-b foot-b opened closed run-a motor breaker wake wake-off warm-a warm-b thermistor-a thermistor-b",
		ids(example(t, "board-series.yaml")))
	assert.Equal(t, "begin look post-a post-b post-c post-d opened closed part-a run-a run-c negative-c motor breaker wake wake-off "+
		"warm-a warm-b warm-c thermistor-a thermistor-b thermistor-c", ids(example(t, "board-series-pairs.yaml")))
	cfg := example(t, "board-series-pairs.yaml")
	text := func(id string) string {
		for _, s := range Steps(&cfg) {
			if s.ID == id {
				text := s.Title.String()
				for _, do := range s.Do {
					text += "\n" + do.String()
				}
				return text
			}
		}
		return ""
	}
	assert.Contains(t, text("post-a"), "some 12 V: that is the middle of its string")
	assert.Contains(t, text("post-d"), "black lead on the negative post of battery a, red lead on the positive post of battery d")
	assert.Contains(t, text("post-d"), "some 25 V: that is its whole string")
	assert.Contains(t, text("part-a"), "A run without string a-b")
	assert.Contains(t, text("part-a"), "bolted to the positive post of battery b off that post")
	assert.Contains(t, text("run-c"), "Current of string c-d")
}

// By hand: the monitor's difference of the two batteries, upper tap less twice the lower, against that of one
// meter, which may be off by a share without a difference.
func TestTapsOfAStringAgainstOneMeter(t *testing.T) {
	cfg := example(t, "board-series.yaml")
	seen := func(x float64) Seen { return Seen{Mean: calibrate.Mean{Value: x, Count: 20, DF: 7}, OK: true} }
	verdict := func(low, high, meterLow, meterHigh float64) Verdict {
		s := NewSession(&cfg, State{})
		s.state.Records = map[string][]Record{}
		put := func(step string, volts float64) {
			r := Record{At: time.Now(), Typed: []TypedFigure{{Name: "volts", Value: volts, Unit: "V", Half: 0.005}}}
			for i := range cfg.Board.Channels {
				x := 0.0
				switch cfg.Board.Channels[i].Name() {
				case "battery_voltage_a", "battery_negative_b":
					x = low
				case "battery_voltage_b":
					x = high
				case "battery_temperature_a", "battery_temperature_b":
					x = 20
				}
				r.Shown, r.Before = append(r.Shown, seen(x)), append(r.Before, seen(x))
			}
			for range cfg.Board.Contacts {
				r.Levels, r.LevelsBefore = append(r.Levels, Off.String()), append(r.LevelsBefore, Off.String())
			}
			s.state.Records[step] = []Record{r}
		}
		put(string(Look), 0)
		put("post-a", meterLow)
		put("post-b", meterHigh)
		for _, v := range s.Verdicts() {
			if v.Test == "pair" {
				return v
			}
		}
		return Verdict{}
	}
	v := verdict(12.60, 25.20, 12.65, 25.30) // a meter that is 0.4 % high at both
	assert.Equal(t, Good, v.Outcome)
	assert.Contains(t, v.Text, "agree with one meter")
	assert.InDelta(t, 0, v.Figures[0].Value, 1e-9)
	assert.InDelta(t, 0.02+3*0.005, v.Figures[1].Value, 1e-9)

	v = verdict(12.60, 25.29, 12.60, 25.20)
	assert.Contains(t, v.Text, "are 0.09 V apart by one meter")
	assert.InDelta(t, 0.09, v.Figures[0].Value, 1e-9)
	assert.Empty(t, v.Changes, "the page of calibration takes more than one reading")

	assert.Equal(t, Verdict{}, verdict(12.60, 25.20, 12.60, 20), "each by itself comes first")
}
