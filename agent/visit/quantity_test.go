package visit

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What people type for a number is understood, or refused with the reason. Conversions: NIST SP 811,
// appendix B (1 psi = 6.894757 kPa, 1 inch = 25.4 mm, 0 °C = 32 °F).
func TestQuantitiesAsTyped(t *testing.T) {
	volts := Field{Kind: Number, Unit: "V", Min: 0, Max: 40}
	amps := Field{Kind: Number, Unit: "A", Min: -1000, Max: 1000}
	psi := Field{Kind: Number, Unit: "psi", Min: -anyReading, Max: anyReading}
	mm := Field{Kind: Number, Unit: "mm", Min: 0, Max: anyReading}
	celsius := Field{Kind: Number, Unit: "°C", Min: -60, Max: 120}
	ohm := Field{Kind: Number, Unit: "mΩ", Min: 0, Max: 10000}
	second := Field{Kind: Number, Unit: "s", Min: 0, Max: 3600}
	for _, c := range []struct {
		f    Field
		in   string
		want float64
	}{
		{volts, "12,70", 12.7}, {volts, "12.70 V", 12.7}, {volts, "12.70V", 12.7}, {volts, " 12,7 v ", 12.7},
		{volts, "12,70\u00a0V", 12.7}, {volts, "12700 mV", 12.7}, {volts, "12,650", 12.65}, {volts, ".5", 0.5},
		{volts, "12.", 12}, {volts, "+12.6 volts", 12.6}, {volts, "0", 0}, {volts, "-0", 0}, {volts, "12.5 Vdc", 12.5},
		{amps, "−120", -120}, {amps, "–120", -120}, {amps, "‑120 A", -120}, {amps, "- 120", -120}, {amps, "-1.5 amps", -1.5},
		{amps, "120 Amp.", 120}, {amps, "0,12 kA", 120},
		{psi, "2 000", 2000}, {psi, "2\u202f000 psi", 2000}, {psi, "2'000", 2000}, {psi, "137.9 bar", 2000.07},
		{psi, "13,79 MPa", 2000.07}, {psi, "12,50", 12.5}, {psi, "1.250", 1.25},
		{mm, "1/2", math.NaN()}, {mm, `2"`, 50.8}, {mm, "2 in", 50.8}, {mm, "1,5 cm", 15}, {mm, "12 000", 12000},
		{celsius, "11", 11}, {celsius, "52 °F", 11.11}, {celsius, "52F", 11.11}, {celsius, "-40 f", -40},
		{celsius, "11,5 °C", 11.5}, {celsius, "11 C", 11},
		{ohm, "0,50 mΩ", 0.5}, {ohm, "500 µΩ", 0.5}, {ohm, "5.2 mohm", 5.2}, {ohm, "0.005 Ω", 5},
		{second, "14 s", 14}, {second, "14 sec", 14}, {second, "0,5 min", 30},
	} {
		got, trouble := c.f.quantity(c.in)
		if math.IsNaN(c.want) {
			assert.NotEmpty(t, trouble, c.in)
			continue
		}
		assert.Empty(t, trouble, c.in)
		assert.InDelta(t, c.want, got, 0.005, c.in)
	}
	for _, c := range []struct {
		f    Field
		in   string
		want Problem
	}{
		{psi, "1,250", Ambiguous}, {psi, "1,250 psi", Ambiguous}, {volts, "12.6 A", WrongUnit}, {volts, "12.6 %", WrongUnit},
		{volts, "12.6.1", NotNumber}, {volts, "twelve", NotNumber}, {volts, "V", NotNumber}, {volts, "", NotNumber},
		{volts, "12 V 5", NotNumber}, {volts, "1e3", NotNumber}, {volts, "NaN", NotNumber}, {volts, "0x10", NotNumber},
		{volts, "41", OutOfSpan}, {volts, "-1", OutOfSpan}, {volts, "12,65,1", NotNumber}, {volts, "1 2", NotNumber},
		{celsius, "300 °F", OutOfSpan}, {celsius, "11 K", WrongUnit}, {volts, strings.Repeat("1", 41), NotNumber},
		{amps, "12\x00", WrongUnit}, {Field{Kind: Number, Max: 9}, "5 V", NotNumber},
	} {
		_, trouble := c.f.quantity(c.in)
		assert.Equal(t, c.want, trouble, "%q", c.in)
	}
	v, trouble := ParseQuantity("12,75 V", "V")
	assert.Empty(t, trouble)
	assert.Equal(t, 12.75, v)
}

// A form in °F sends back what it shows, rounded: nobody has changed it.
func TestAFormInFahrenheitChangesNothing(t *testing.T) {
	form := NewForm(DefaultChecklist(), []string{"a"})
	const key = "meter.a.temperature_c"
	for _, typed := range []string{"11.27", "52 °F", "52.34 °F", "-3.3", "0", "31.9 °F"} {
		d := &Draft{Fields: map[string]string{}, Beside: map[string]MonitorFigure{}}
		d.apply(form, 0, map[string]string{key: typed}, Facts{})
		was, revision := d.Fields[key], d.Revision
		require.NotEmpty(t, was)
		c, _ := ParseNumber(was)
		shown := Field{Kind: Number}
		text, _ := shown.clean("0")
		require.Equal(t, "0", text)
		r, changed := d.apply(form, revision, map[string]string{key: formatF(ToFahrenheit(c)) + " °F"}, Facts{})
		assert.False(t, changed, typed)
		assert.Empty(t, r.Conflicts)
		assert.Equal(t, was, d.Fields[key])
	}
}

func FuzzQuantity(f *testing.F) {
	for _, s := range []string{"12,70", "12.70 V", "−120", "1,250", "2 000 psi", "52 °F", "½", "1'0", "٣", "12,,", "\xff", "- -1", "1\u2009000"} {
		f.Add(s)
	}
	fields := []Field{
		{Kind: Number, Unit: "V", Min: 0, Max: 40}, {Kind: Number, Unit: "°C", Min: -60, Max: 120},
		{Kind: Number, Unit: "psi", Min: -anyReading, Max: anyReading}, {Kind: Number, Min: -5, Max: 5},
	}
	f.Fuzz(func(t *testing.T, in string) {
		for _, field := range fields {
			v, trouble := field.quantity(in)
			if trouble != "" {
				require.Contains(t, []Problem{NotNumber, OutOfSpan, Ambiguous, WrongUnit}, trouble)
				continue
			}
			require.True(t, field.takes(v), "%q: %g", in, v)
			require.True(t, strings.ContainsAny(in, "0123456789"), in)
			kept, trouble := field.clean(in)
			require.Empty(t, trouble)
			again, trouble := field.clean(kept)
			require.Empty(t, trouble, "%q: %q", in, kept)
			require.Equal(t, kept, again)
		}
	})
}
