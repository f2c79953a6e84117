package strict

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

func TestParseDuration(t *testing.T) {
	ok := func(text string, want time.Duration) {
		t.Helper()
		got, ok := ParseDuration(text)
		assert.True(t, ok, text)
		assert.Equal(t, want, got, text)
	}
	ok("250ms", 250*time.Millisecond)
	ok("1s", time.Second)
	ok("0s", 0)
	ok("24h", 24*time.Hour)
	ok("7d", 7*24*time.Hour)
	ok("1h30m", 90*time.Minute)
	ok("1.5h", 90*time.Minute)
	ok("0.5d", 12*time.Hour)

	for _, text := range []string{"", "0", "1", "1 s", "s", "-1s", "+1s", "1S", "1w", "1us", "1µs", "1.s", ".5s",
		"1e3s", "s1", "1s ", "99999999999999999999d", "36600d1d", "1h-30m"} {
		_, ok := ParseDuration(text)
		assert.False(t, ok, text)
	}
}

func TestDurationsAreReadAsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]time.Duration{time.Millisecond, time.Second, time.Minute, time.Hour,
			24 * time.Hour}).Draw(t, "unit")
		want := time.Duration(rapid.Int64Range(0, 30000).Draw(t, "count")) * unit
		got, ok := ParseDuration(FormatDuration(want))
		assert.True(t, ok)
		assert.Equal(t, want, got)
	})
}

func TestParseNumber(t *testing.T) {
	for text, want := range map[string]float64{"0": 0, "-3": -3, "+5": 5, "12.40": 12.4, "1e3": 1000, ".5": 0.5,
		"0100": 100, "5.": 5} {
		got, ok := parseNumber(text)
		assert.True(t, ok, text)
		assert.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "-", ".", "1e999", "1e", "inf", ".inf", "nan", ".nan", "0x10", "1_000", "1,5",
		"12.4V", " 1", "1 2", "१"} {
		_, ok := parseNumber(text)
		assert.False(t, ok, text)
	}
}

func TestNumberHint(t *testing.T) {
	is := func(text, unit, want string) {
		t.Helper()
		assert.Equal(t, want, numberHint(text, unit))
	}
	is("100 Ah", "Ah", "wrong unit: write 100, a plain number: the field is in Ah")
	is("95000 mAh", "Ah", "wrong unit: write 95, a plain number: the field is in Ah")
	is("12.4V", "V", "wrong unit: write 12.4, a plain number: the field is in V")
	is("6.25 mV/A", "V/A", "wrong unit: write 0.00625, a plain number: the field is in V/A")
	is("0.25 mΩ", "ohm", "wrong unit: write 0.00025, a plain number: the field is in ohm")
	is("1 Mohm", "ohm", "wrong unit: write 1000000, a plain number: the field is in ohm")
	is("25 C", "°C", "wrong unit: write 25, a plain number: the field is in °C")
	is("60%", "%", "wrong unit: write 60, a plain number: the field is in %")
	is("3 kg", "V", "wrong unit: write a plain number: the field is in V")
	is("12,4", "V", "write 12.4, with a point")
	is("12", "V", "write 12 without quotes")
	is("many", "V", "")
	is("3 x", "", "")
}

func TestDurationHint(t *testing.T) {
	is := func(text string, like time.Duration, want string) {
		t.Helper()
		assert.Equal(t, want, durationHint(text, like))
	}
	is("10", time.Second, "no unit: write 10s if it is meant in seconds")
	is("7", 7*24*time.Hour, "no unit: write 7d if it is meant in days")
	is("5", 5*time.Millisecond, "no unit: write 5ms if it is meant in milliseconds")
	is("2 days", time.Hour, "write 2d")
	is("10 s", time.Hour, "write 10s")
	is("1 W", time.Hour, "wrong unit: want ms, s, m, h or d")
	is("soon", time.Hour, "")
}
