package curve_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/sim/curve"
)

func TestWrite(t *testing.T) {
	var out strings.Builder
	w := curve.NewWriter(&out)
	require.NoError(t, w.Write(0, curve.Row{Battery: "a", VoltageV: 12.65, CurrentA: -0.0085, TempC: 25,
		TempKnown: true}, 97.5))
	require.NoError(t, w.Write(0.005, curve.Row{Battery: "b", VoltageV: -12.00004, CurrentA: -0.00001}, 100))
	require.NoError(t, w.Write(31536000.25, curve.Row{Battery: "d", VoltageV: 9.99996, CurrentA: -123.45678,
		TempC: -0.5, TempKnown: true}, 0.123456))
	require.NoError(t, w.Flush())
	assert.Equal(t, "time_s,battery,voltage_v,current_a,temperature_c,true_soc_pct\n"+
		"0,a,12.65,-0.0085,25,97.5\n"+
		"0.005,b,-12,0,,100\n"+
		"31536000.25,d,10,-123.4568,-0.5,0.1235\n", out.String())
}

func TestWriteWithoutRowsHasTheHeader(t *testing.T) {
	var out strings.Builder
	require.NoError(t, curve.NewWriter(&out).Flush())
	assert.Equal(t, "time_s,battery,voltage_v,current_a,temperature_c,true_soc_pct\n", out.String())
}

func TestWriteRefuses(t *testing.T) {
	w := curve.NewWriter(io.Discard)
	assert.EqualError(t, w.Write(1, curve.Row{Battery: "e"}, 50), `write curve: battery: "e": want a, b, c or d`)
	assert.EqualError(t, w.Write(1, curve.Row{Battery: "a", VoltageV: math.NaN()}, 50),
		"write curve: battery a at 1 s: NaN V, 0 A, 0 °C, 50 %: want finite values")
	assert.EqualError(t, w.Write(1, curve.Row{Battery: "a", VoltageV: 12}, math.Inf(1)),
		"write curve: battery a at 1 s: 12 V, 0 A, 0 °C, +Inf %: want finite values")
	assert.NoError(t, w.Write(1, curve.Row{Battery: "a", TempC: math.NaN()}, 50),
		"an unknown temperature doesn't matter")
}

type fullDisk struct{}

var errFull = errors.New("disk full")

func (fullDisk) Write([]byte) (int, error) { return 0, errFull }

func TestWriteFailureComesOut(t *testing.T) {
	w := curve.NewWriter(fullDisk{})
	require.NoError(t, w.Write(1, curve.Row{Battery: "a"}, 50), "buffered")
	assert.EqualError(t, w.Flush(), "write curve: disk full")
	assert.ErrorIs(t, w.Write(2, curve.Row{Battery: "a"}, 50), errFull, "and stays")
}

// What is written reads back within half of the last decimal.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want []curve.Instant
		timeS := 0.0
		var out bytes.Buffer
		w := curve.NewWriter(&out)
		for range rapid.IntRange(1, 20).Draw(t, "instants") {
			timeS += float64(rapid.IntRange(1, 1e9).Draw(t, "microseconds")) / 1e6
			instant := curve.Instant{TimeS: timeS}
			for _, id := range rapid.Permutation([]string{"a", "b", "c", "d"}).Draw(t,
				"ids")[:rapid.IntRange(1, 4).Draw(t, "batteries")] {
				row := curve.Row{
					Battery: id, VoltageV: rapid.Float64Range(-100, 100).Draw(t, "V"),
					CurrentA: rapid.Float64Range(-5000, 5000).Draw(t, "A"),
					TempC:    rapid.Float64Range(-100, 200).Draw(t, "°C"), TempKnown: true,
				}
				instant.Rows = append(instant.Rows, row)
				require.NoError(t, w.Write(timeS, row, rapid.Float64Range(0, 100).Draw(t, "SoC")))
			}
			want = append(want, instant)
		}
		require.NoError(t, w.Flush())
		got, err := readAll(curve.NewReader(&out, "curve.csv"))
		require.NoError(t, err)
		require.Len(t, got, len(want))
		for i, instant := range want {
			require.InDelta(t, instant.TimeS, got[i].TimeS, 0.6e-6)
			require.Len(t, got[i].Rows, len(instant.Rows))
			for j, row := range instant.Rows {
				require.Equal(t, row.Battery, got[i].Rows[j].Battery)
				require.InDelta(t, row.VoltageV, got[i].Rows[j].VoltageV, 0.51e-4)
				require.InDelta(t, row.CurrentA, got[i].Rows[j].CurrentA, 0.51e-4)
				require.InDelta(t, row.TempC, got[i].Rows[j].TempC, 0.51e-2)
			}
		}
	})
}

func BenchmarkWriter(b *testing.B) {
	w := curve.NewWriter(io.Discard)
	row := curve.Row{Battery: "b", VoltageV: 12.6543, CurrentA: -0.0345, TempC: 24.53, TempKnown: true}
	timeS := 0.0
	b.ReportAllocs()
	for b.Loop() {
		if err := w.Write(timeS, row, 87.6543); err != nil {
			b.Fatal(err)
		}
		timeS++
	}
}
