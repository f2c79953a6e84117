package curve_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/sim/curve"
)

const header = "time_s,battery,voltage_v,current_a,temperature_c\n"

// readAll returns all instants with rows of their own.
func readAll(r *curve.Reader) ([]curve.Instant, error) {
	var all []curve.Instant
	for {
		instant, err := r.Next()
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return all, err
		}
		instant.Rows = append([]curve.Row(nil), instant.Rows...)
		all = append(all, instant)
	}
}

func TestRead(t *testing.T) {
	got, err := readAll(curve.NewReader(strings.NewReader(header+
		"0,a,12.65,-0.0085,\n"+
		"0,b,12.7,1e-1,21.5\n"+
		"0.5,a,12.64,+2,22\n"+
		"60,b,-12.7,-120,\n"+
		"60,a,12.3,.5,-3\n"), "curve.csv"))
	require.NoError(t, err)
	assert.Equal(t, []curve.Instant{
		{TimeS: 0, Rows: []curve.Row{
			{Battery: "a", VoltageV: 12.65, CurrentA: -0.0085},
			{Battery: "b", VoltageV: 12.7, CurrentA: 0.1, TempC: 21.5, TempKnown: true},
		}},
		{TimeS: 0.5, Rows: []curve.Row{{Battery: "a", VoltageV: 12.64, CurrentA: 2, TempC: 22, TempKnown: true}}},
		{TimeS: 60, Rows: []curve.Row{
			{Battery: "b", VoltageV: -12.7, CurrentA: -120, TempC: 21.5, TempKnown: true},
			{Battery: "a", VoltageV: 12.3, CurrentA: 0.5, TempC: -3, TempKnown: true},
		}},
	}, got)
}

func TestColumnsInAnyOrderWithOthers(t *testing.T) {
	want := []curve.Instant{{TimeS: 7, Rows: []curve.Row{{Battery: "c", VoltageV: 12, CurrentA: 3, TempC: 25,
		TempKnown: true}}}}
	for name, text := range map[string]string{
		"other order": "temperature_c,battery,current_a,time_s,voltage_v\n25,c,3,7,12\n",
		"other columns": "note,time_s,battery,voltage_v,current_a,temperature_c,true_soc_pct\n\"a, b\n" +
			"c\",7,c,12,3,25,NaN\n",
		"byte order mark":   "\uFEFFtime_s,battery,voltage_v,current_a,temperature_c\n7,c,12,3,25\n",
		"Windows' line end": "time_s,battery,voltage_v,current_a,temperature_c\r\n7,c,12,3,25\r\n",
		"no last line end":  header + "7,c,12,3,25",
		"quoted":            header + `"7","c","12","3","25"`,
	} {
		t.Run(name, func(t *testing.T) {
			got, err := readAll(curve.NewReader(strings.NewReader(text), "curve.csv"))
			require.NoError(t, err)
			assert.Equal(t, want, got)
		})
	}
}

func TestErrors(t *testing.T) {
	tests := []struct{ name, text, want string }{
		{"empty file", "", "curve.csv:1: header: file is empty: want time_s,battery,voltage_v,current_a,temperature_c"},
		{"header only", header, "curve.csv:1: no row after the header: want at least one"},
		{
			"missing columns", "time_s,voltage_v,temperature_c\n0,12,\n",
			"curve.csv:1: header: no battery, current_a: want time_s,battery,voltage_v,current_a,temperature_c, in " +
				"any order",
		},
		{
			"no header", "0,a,12.6,0,25\n",
			"curve.csv:1: header: no time_s, battery, voltage_v, current_a, temperature_c: " +
				"want time_s,battery,voltage_v,current_a,temperature_c, in any order",
		},
		{
			"column twice", "time_s,battery,voltage_v,current_a,temperature_c,time_s\n",
			"curve.csv:1: header: time_s twice: want each column once",
		},
		{"short row", header + "0,a,12.6,0,25\n1,a,12.6\n",
			"curve.csv:3: other number of fields than the header: want 5 (decimals want a point, not a comma)"},
		{"long row", header + "0,a,12.6,0,25,\n",
			"curve.csv:2: other number of fields than the header: want 5 (decimals want a point, not a comma)"},
		{
			"broken quotes", header + "0,a,\"12.6,0,25\n",
			"curve.csv:2: character 16: extraneous or missing \" in quoted-field: want comma-separated values as in " +
				"RFC 4180",
		},
		{"time missing", header + ",a,12.6,0,25\n", `curve.csv:2: time_s: "": want a number from 0 to 9e9 s`},
		{"time below 0", header + "-1,a,12.6,0,25\n", `curve.csv:2: time_s: "-1": want a number from 0 to 9e9 s`},
		{"time in ms", header + "1764000000000,a,12.6,0,25\n",
			`curve.csv:2: time_s: "1764000000000": want a number from 0 to 9e9 s`},
		{"time in words", header + "noon,a,12.6,0,25\n", `curve.csv:2: time_s: "noon": want a number from 0 to 9e9 s`},
		{
			"time backwards", header + "0,a,12.6,0,25\n20,a,12.6,0,25\n\n10,a,12.6,0,25\n",
			`curve.csv:5: time_s: "10": after 20 in the row before: want time never to go back`,
		},
		{
			"time of day", header + "2026-03-09T06:30:00Z,a,12.6,0,25\n", `curve.csv:2: time_s: "2026-03-09T06:30:00Z": ` +
				`want a number from 0 to 9e9 s; this is a time of day: want seconds since the first row`,
		},
		{
			"semicolons", "time_s;battery;voltage_v;current_a;temperature_c\n0;a;12,6;0;25\n",
			"curve.csv:1: header: columns are separated by something else than commas: want " +
				"time_s,battery,voltage_v,current_a,temperature_c; in a spreadsheet, save as CSV with commas and decimal points",
		},
		{"unknown battery", header + "0,e,12.6,0,25\n", `curve.csv:2: battery: "e": want a, b, c or d`},
		{"battery missing", header + "0,,12.6,0,25\n", `curve.csv:2: battery: "": want a, b, c or d`},
		{"two letters", header + "0,ab,12.6,0,25\n", `curve.csv:2: battery: "ab": want a, b, c or d`},
		{"capital", header + "0,A,12.6,0,25\n", `curve.csv:2: battery: "A": want a, b, c or d`},
		{
			"battery twice", header + "5,a,12.6,0,25\n5,b,12.6,0,25\n5.0,a,12.6,0,25\n",
			`curve.csv:4: battery: "a": a second row at time_s 5.0: want one row a battery and instant`,
		},
		{"voltage missing", header + "0,a,,0,25\n", `curve.csv:2: voltage_v: "": want a number from -100 to 100 V`},
		{"voltage NaN", header + "0,a,NaN,0,25\n", `curve.csv:2: voltage_v: "NaN": want a number from -100 to 100 V`},
		{"voltage in mV", header + "0,a,12650,0,25\n",
			`curve.csv:2: voltage_v: "12650": want a number from -100 to 100 V`},
		{"voltage with unit", header + "0,a,12.6 V,0,25\n",
			`curve.csv:2: voltage_v: "12.6 V": want a number from -100 to 100 V`},
		{"voltage with comma", header + "0,a,\"12,6\",0,25\n",
			`curve.csv:2: voltage_v: "12,6": want a number from -100 to 100 V; is there a decimal comma? want a point`},
		{"voltage hexadecimal", header + "0,a,0x1p3,0,25\n",
			`curve.csv:2: voltage_v: "0x1p3": want a number from -100 to 100 V`},
		{"current infinite", header + "0,a,12.6,-Inf,25\n",
			`curve.csv:2: current_a: "-Inf": want a number from -5000 to 5000 A`},
		{"current overflows", header + "0,a,12.6,1e999,25\n",
			`curve.csv:2: current_a: "1e999": want a number from -5000 to 5000 A`},
		{
			"temperature in K", header + "0,a,12.6,0,298.15\n",
			`curve.csv:2: temperature_c: "298.15": want a number from -100 to 200 °C, or nothing`,
		},
		{
			"long nonsense", header + "0,a," + strings.Repeat("x", 41) + ",0,25\n",
			`curve.csv:2: voltage_v: "` + strings.Repeat("x", 40) + `...": want a number from -100 to 100 V`,
		},
		{
			"after a field of two lines", "note," + header + "\"one\ntwo\",0,a,12.6,0,25\n,1,a,x,0,25\n",
			`curve.csv:4: voltage_v: "x": want a number from -100 to 100 V`,
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := curve.NewReader(strings.NewReader(tt.text), "curve.csv")
			_, err := readAll(r)
			require.EqualError(t, err, tt.want)
			_, again := r.Next()
			assert.Equal(t, err, again, "the error stays")
		})
	}
}

func TestReadFailure(t *testing.T) {
	broken := errors.New("device gone")
	_, err := readAll(curve.NewReader(io.MultiReader(strings.NewReader(header+"0,a,12,0,\n"), iotest.ErrReader(broken)),
		"-"))
	assert.EqualError(t, err, "-: read: device gone")
	assert.ErrorIs(t, err, broken)
}

func TestEndStays(t *testing.T) {
	r := curve.NewReader(strings.NewReader(header+"0,a,12,0,\n"), "curve.csv")
	_, err := r.Next()
	require.NoError(t, err)
	for range 3 {
		_, err = r.Next()
		assert.Equal(t, io.EOF, err)
	}
}

// FuzzReader checks what every caller relies on: ids and limits, time that goes forward, one row a
// battery and instant, and errors that name the file.
func FuzzReader(f *testing.F) {
	for _, text := range []string{
		"", header, header + "0,a,12.65,-0.5,25\n0,b,12.6,0,\n1.5,a,12.7,3,\n", "battery,time_s\n",
		"note," + header + "\"x\ny\",0,a,1,2,3\n", header + "1,a,NaN,0,0\n", header + "2,a,1,1,1\n1,a,1,1,1\n", header +
			"0,a,\"1",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		all, err := readAll(curve.NewReader(strings.NewReader(text), "curve.csv"))
		if err != nil && !strings.HasPrefix(err.Error(), "curve.csv:") {
			t.Errorf("error without the file: %v", err)
		}
		if err == nil && len(all) == 0 {
			t.Error("neither an instant nor an error")
		}
		last := -1.0
		for _, instant := range all {
			if !(instant.TimeS > last) || len(instant.Rows) == 0 {
				t.Errorf("instant at %v after %v with %d rows", instant.TimeS, last, len(instant.Rows))
			}
			last = instant.TimeS
			seen := map[string]bool{}
			for _, row := range instant.Rows {
				if len(row.Battery) != 1 || !strings.Contains("abcd", row.Battery) || seen[row.Battery] ||
					!(math.Abs(row.VoltageV) <= 100) || !(math.Abs(row.CurrentA) <= 5000) ||
					!(math.Abs(row.TempC) <= 200) {
					t.Errorf("row %+v", row)
				}
				seen[row.Battery] = true
			}
		}
	})
}

func BenchmarkReader(b *testing.B) {
	var text strings.Builder
	text.WriteString(header)
	const rows = 10_000
	for i := range rows {
		fmt.Fprintf(&text, "%d,%c,12.6531,-0.0085,24.5\n", i/2, 'a'+i%2)
	}
	b.SetBytes(int64(text.Len()))
	b.ReportAllocs()
	for b.Loop() {
		r := curve.NewReader(strings.NewReader(text.String()), "curve.csv")
		for {
			if _, err := r.Next(); err != nil {
				break
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*rows), "ns/row")
}
