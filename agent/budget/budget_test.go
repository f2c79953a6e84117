package budget_test

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/budget"
	"liftbank/agent/config"
)

func example(t *testing.T, file string, change ...string) config.Config {
	text, err := os.ReadFile(filepath.Join("..", "..", "deploy", file))
	require.NoError(t, err)
	changed := string(text)
	for i := 0; i < len(change); i += 2 {
		require.Contains(t, changed, change[i])
		changed = strings.ReplaceAll(changed, change[i], change[i+1])
	}
	cfg, err := config.Parse(file, []byte(changed))
	require.NoError(t, err)
	return cfg
}

func of(t *testing.T, cfg config.Config) budget.Report {
	r, err := budget.Of(&cfg)
	require.NoError(t, err)
	return r
}

func channel(t *testing.T, r budget.Report, name string) budget.Channel {
	for _, c := range r.Channels {
		if c.Name == name {
			return c
		}
	}
	require.Fail(t, name)
	return budget.Channel{}
}

// By hand from data sheets and circuits. Hall sensor: 2.5 mV/A on an ADS1115 at ±4.096 V, steps of
// 125 µV, three steps of zero, 0.15 % of gain and 0.1 % between ranges (SBAS444E), which at the middle of 1.65 V is a zero, too.
// Tap: eleven times the pin.
func TestBudgetOfTheReferenceBoard(t *testing.T) {
	r := of(t, example(t, "board-two-batteries.yaml"))
	assert.Empty(t, r.Warnings)
	amps := channel(t, r, "battery_current_a")
	assert.InDelta(t, 125e-6/0.0025, amps.Step, 1e-9)
	assert.InDelta(t, 0.2+(3*125e-6+0.0025*1.65)/0.0025, amps.Zero, 1e-9)
	assert.InDelta(t, 1.25, amps.GainPct, 1e-9)
	require.Len(t, amps.At, 3)
	for i, a := range []float64{20, 200, 400} {
		assert.Equal(t, a, amps.At[i].Value)
		assert.InDelta(t, amps.Zero+0.0125*a, amps.At[i].OffBy, 1e-9)
		assert.True(t, amps.At[i].Shown)
	}
	assert.InDelta(t, 1.65+520*0.0025, amps.PinHigh, 1e-9)
	volts := channel(t, r, "battery_voltage_a")
	assert.InDelta(t, 125e-6*11, volts.Step, 1e-9)
	assert.InDelta(t, 0.01+11*3*125e-6+0.0125*12.6, volts.At[0].OffBy, 1e-9)
	assert.InDelta(t, 2*volts.At[0].OffBy, r.TapsV, 1e-9)
	warm := channel(t, r, "battery_temperature_a")
	assert.True(t, warm.At[0].Shown)
	assert.Equal(t, []float64{-50, 90}, []float64{warm.Low, warm.High})

	a, b := r.Batteries[0], r.Batteries[1]
	assert.InDelta(t, 24*amps.Zero, a.ZeroAhPerDay, 1e-9)
	assert.InDelta(t, math.Hypot(1.25, 1.25), a.ResistancePct, 1e-9)
	assert.InDelta(t, 950*0.0125*math.Sqrt2, a.CapabilityA, 1e-6)
	noise := math.Hypot(0.002, 0.001375/math.Sqrt(12))
	assert.InDelta(t, 1000*noise*math.Sqrt(2.0/3)/60, a.RunMohm, 1e-6, "60 A each of the motor's 120 A")
	assert.Zero(t, a.LinkMohm)
	assert.InDelta(t, 0.0078, b.LinkMohm, 0.0005)
	assert.Greater(t, b.RunMohm, a.RunMohm)
}

// Each way to fit a board that can't tell what it should is named, with its field.
func TestWarnings(t *testing.T) {
	const hall = "scale: {kind: hall, zero_v: 1.65, v_per_a: 0.0025}"
	for _, tt := range []struct {
		name, file string
		change     []string
		field      string
		want       string
	}{
		{
			"two chemistries", "board-four-batteries.yaml",
			[]string{"{id: c, chemistry: agm", "{id: c, chemistry: flooded"},
			"bank.batteries[2].chemistry", "battery c is flooded and a is agm",
		},
		{
			"a smaller battery", "board-four-batteries.yaml",
			[]string{"{id: d, chemistry: agm, rated_ah: 100", "{id: d, chemistry: agm, rated_ah: 80"},
			"bank.batteries[3]", "battery d (80 Ah, 850 A) and a (100 Ah, 850 A) differ by more than 10 %",
		},
		{
			"a sensor beyond its supply", "board-two-batteries.yaml",
			[]string{"min_a: -520\n      max_a: 520\n      " + hall, "min_a: -520\n      max_a: 520\n      scale: {kind: hall, zero_v: 1.65, v_per_a: 0.004}"},
			"board.channels[5].scale", "ends near 387 A, not at min_a and max_a",
		},
		{
			"a sensor without room for the inrush of a neighbor that is off", "board-two-batteries.yaml",
			[]string{"min_a: -520\n      max_a: 520\n      " + hall, "min_a: -300\n      max_a: 300\n      " + hall},
			"board.channels[5].scale", "ends at 300 A: while another battery is off, a start takes up to 400 A",
		},
		{
			"a sensor without room for the inrush", "board-two-batteries.yaml",
			[]string{"min_a: -520\n      max_a: 520\n      " + hall, "min_a: -200\n      max_a: 200\n      " + hall},
			"board.channels[5].scale", "a start of the motor takes up to 260 A from a battery of this bank",
		},
		{
			"a rate too slow", "board-shunts.yaml",
			[]string{"chip: shunt-b, input: bus,", "chip: shunt-b, input: bus, run_average: 16,"},
			"board.chips", "by chip shunt-b: want 20 ms or less",
		},
		{
			"no thermometer", "board-iio.yaml",
			[]string{"    - {signal: battery_temperature, battery: a, chip: amps, input: voltage3, step_uv: 125,\n       scale: {kind: ntc_beta, r25_ohm: 10000, beta_k: 3950, pullup_ohm: 10000, supply_v: 3.3}}\n", ""},
			"board.channels", "no battery_temperature",
		},
		{
			"sensors too rough for a verdict", "board-shunts.yaml",
			[]string{"gain_pct: 0.5}", "gain_pct: 10}"},
			"bank.batteries[0]", "its resistance is known to 10 % only",
		},
		{
			"a zero that is not learned", "board-shunts.yaml",
			[]string{"{zero_a: 0.05, gain_pct: 0.5}", "{zero_a: 4, gain_pct: 0.5}"},
			"board.channels[0].scale", "more than is learned at rest",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			assert.Empty(t, of(t, example(t, tt.file)).Warnings, "as it stands")
			r := of(t, example(t, tt.file, tt.change...))
			require.NotEmpty(t, r.Warnings)
			assert.Equal(t, tt.field, r.Warnings[0].Field)
			assert.Contains(t, r.Warnings[0].Text, tt.want)
		})
	}
}

// The extra signals have ends and a value of their own: a transducer of 250 bar, 2.5 bar and 2 % off.
func TestBudgetOfEverySignal(t *testing.T) {
	r := of(t, example(t, "board-full.yaml"))
	assert.Empty(t, r.Warnings)
	for _, c := range r.Channels {
		assert.Less(t, c.Low, c.High, c.Name)
		for _, p := range c.At {
			assert.True(t, p.Shown, "%s at %g", c.Name, p.Value)
		}
	}
	oil := channel(t, r, "oil_pressure")
	assert.Equal(t, 260.0, oil.High)
	assert.Equal(t, 150.0, oil.At[0].Value)
	assert.InDelta(t, oil.Zero+oil.GainPct/100*150, oil.At[0].OffBy, 1e-9)
	assert.InDelta(t, 125e-6*250/2.4, oil.Step, 1e-9, "250 bar over 2.4 V")
}

// A bank of one battery takes the whole inrush from it.
func TestOneBattery(t *testing.T) {
	one := example(t, "board-two-batteries.yaml")
	one.Bank.Batteries = one.Bank.Batteries[:1]
	one.Board.Channels = append(one.Board.Channels[:1:1], one.Board.Channels[4])
	one.Board.Channels[1].Max, one.Board.Channels[1].Min = 380, -380
	r := of(t, one)
	assert.Contains(t, r.Warnings[0].Text, "takes up to 400 A from a battery of this bank")
	assert.Zero(t, r.TapsV)
	assert.InDelta(t, 1000*math.Hypot(0.002, 0.001375/math.Sqrt(12))*math.Sqrt(2.0/3)/120, r.Batteries[0].RunMohm, 1e-6)
}

// By hand: the upper battery is the difference of two taps over one ground, of which its own sees 25.2 V. Two
// resistors of 0.1 % and the zero of the channel on an ADS1115, whose gain is the same for both taps.
func TestBudgetOfAString(t *testing.T) {
	r := of(t, example(t, "board-series.yaml"))
	assert.Empty(t, r.Warnings)
	require.Len(t, r.Strings, 1)
	s := r.Strings[0]
	zero, chip, own := 0.005+16*3*125e-6, 0.0025, 0.002
	assert.InDelta(t, zero+12.6*(own+chip), s.LowerOffV, 1e-9)
	assert.InDelta(t, 2*zero+(25.2+12.6)*(own+chip), s.UpperOffV, 1e-9)
	assert.InDelta(t, 3*zero+(25.2+12.6+12.6)*own, s.ApartV, 1e-9, "tap of b, its negative post, tap of a")
	assert.InDelta(t, 0.02+3*0.005, s.CalibratedV, 1e-9, "a meter's constant part and three last digits")
	assert.InEpsilon(t, s.ApartPct/s.ApartV, s.CalibratedPct/s.CalibratedV, 1e-9)
	// 12.64 V full and 12.1 V half charged: some 10 mV for 1 % (common practice, no source).
	assert.InEpsilon(t, 0.010, s.ApartV/s.ApartPct, 0.3)
	assert.False(t, s.Calibrated)
	assert.Zero(t, r.TapsV, "they have not one voltage")

	assert.InDelta(t, 25.2, channel(t, r, "battery_voltage_b").At[0].Value, 1e-9)
	assert.InDelta(t, 12.6, channel(t, r, "battery_voltage_a").At[0].Value, 1e-9)
	assert.InDelta(t, 12.6, channel(t, r, "battery_negative_b").At[0].Value, 1e-9)
	assert.InDelta(t, 25.2, channel(t, r, "motor_voltage").At[0].Value, 1e-9)
	assert.Equal(t, 200.0, channel(t, r, "battery_current_a").At[2].Value, "half of what a 12 V motor takes")

	a, b := r.Batteries[0], r.Batteries[1]
	assert.InDelta(t, a.ZeroAhPerDay, b.ZeroAhPerDay, 1e-9, "one sensor for both")
	assert.InDelta(t, math.Hypot(3*0.45, 1.25), b.ResistancePct, 1e-9)
	assert.Greater(t, b.RunMohm, a.RunMohm)
	assert.True(t, b.Middle)
	assert.Positive(t, b.LinkMohm)
}

// Two dividers of 1 %: 0.25 V of the upper tap's alone, in all half a volt between two
// batteries that are alike. It is said, with what to do, until both taps are calibrated.
func TestStringThatCannotBeTold(t *testing.T) {
	rough := []string{"accuracy: {zero_v: 0.005, gain_pct: 0.2}", "accuracy: {zero_v: 0.005, gain_pct: 1}"}
	r := of(t, example(t, "board-series.yaml", rough...))
	require.Len(t, r.Warnings, 1)
	assert.Greater(t, r.Strings[0].ApartV, 0.25)
	assert.Contains(t, r.Warnings[0].Text, "batteries a and b: two that are alike may read 0.54 V apart")
	assert.Contains(t, r.Warnings[0].Text, "Take resistors of 0.1 % for both taps, or calibrate both against one meter: then 0.04 V")
	cfg := example(t, "board-series.yaml", rough...)
	for i := range cfg.Board.Channels {
		if ch := &cfg.Board.Channels[i]; ch.Signal == config.BatteryVoltage {
			ch.Calibration.Gain = 1.003
		}
	}
	r = of(t, cfg)
	assert.Empty(t, r.Warnings)
	assert.True(t, r.Strings[0].Calibrated)

	cfg = example(t, "board-series-pairs.yaml")
	r = of(t, cfg)
	assert.Empty(t, r.Warnings)
	require.Len(t, r.Strings, 2)
	assert.Equal(t, []string{"c", "d"}, []string{r.Strings[1].Lower, r.Strings[1].Upper})
	zero := 0.005 + 16*3*125e-6
	assert.InDelta(t, 3*zero+4*12.6*0.002, r.Strings[0].ApartV, 1e-9, "without a tap at its negative post that of a counts twice")
	for i := range cfg.Board.Channels { // of another chip, the chips' own gains are another error
		if cfg.Board.Channels[i].Name() == "battery_voltage_b" {
			cfg.Board.Channels[i].Chip = "rest"
		}
	}
	assert.InDelta(t, 4*12.6*0.0025, of(t, cfg).Strings[0].ApartV-r.Strings[0].ApartV, 1e-9)
}

// A string's smaller battery is what mixing costs there, and one sensor must see the whole motor.
func TestWarningsOfStrings(t *testing.T) {
	r := of(t, example(t, "board-series.yaml", "{id: b, chemistry: flooded, rated_ah: 100", "{id: b, chemistry: flooded, rated_ah: 80"))
	require.Len(t, r.Warnings, 1)
	assert.Equal(t, "bank.batteries[1]", r.Warnings[0].Field)
	assert.Contains(t, r.Warnings[0].Text, "the smaller one is empty first, and is reversed when a lift goes on")
	r = of(t, example(t, "board-series.yaml", "min_a: -300, max_a: 300", "min_a: -150, max_a: 150"))
	require.Len(t, r.Warnings, 1)
	assert.Contains(t, r.Warnings[0].Text, "a start of the motor takes up to 200 A from a string of this bank")
	r = of(t, example(t, "board-series-pairs.yaml", "battery: c, chip: amps, input: AIN1, min_a: -300, max_a: 300", "battery: c, chip: amps, input: AIN1, min_a: -150, max_a: 150"))
	require.Len(t, r.Warnings, 1)
	assert.Contains(t, r.Warnings[0].Text, "while another string is off, a start takes up to 200 A from this one")
}
