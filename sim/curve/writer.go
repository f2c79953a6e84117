package curve

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// writtenHeader is that of a simulated curve: what a recorded one has, and the truth that replay
// ignores.
const writtenHeader = header + ",true_soc_pct\n"

// Decimals written, at most: a microsecond, 0.1 mV, 0.1 mA, 0.01 °C and 0.0001 %.
const (
	timeDecimals    = 6
	voltageDecimals = 4
	currentDecimals = 4
	tempDecimals    = 2
	socDecimals     = 4
)

// Writer writes a simulated curve, row by row. It allocates its buffer once.
type Writer struct {
	w *bufio.Writer
}

// NewWriter writes a curve to w, beginning with the header. Nothing is sure to be in w before
// Flush.
func NewWriter(w io.Writer) *Writer {
	b := bufio.NewWriterSize(w, 64<<10)
	_, _ = b.WriteString(writtenHeader) // an error stays in b and comes with the next call
	return &Writer{w: b}
}

// Write adds a row: the time in s, 0 or more and never going back, a battery's row, and its true
// state of charge in %. An unknown temperature is left empty, and so is an unknown true charge,
// NaN. It is an error if another value isn't finite, and if w fails.
func (w *Writer) Write(timeS float64, row Row, trueSoCPct float64) error {
	if len(row.Battery) != 1 || !strings.Contains(ids, row.Battery) {
		return fmt.Errorf("write curve: battery: %q: want a, b, c or d", row.Battery)
	}
	tempC := row.TempC
	if !row.TempKnown {
		tempC = 0
	}
	known := !math.IsNaN(trueSoCPct)
	if !known {
		trueSoCPct = 0
	}
	for _, v := range [...]float64{timeS, row.VoltageV, row.CurrentA, tempC, trueSoCPct} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("write curve: battery %s at %g s: %g V, %g A, %g °C, %g %%: want finite values",
				row.Battery, timeS, row.VoltageV, row.CurrentA, tempC, trueSoCPct)
		}
	}
	b := appendDecimal(w.w.AvailableBuffer(), timeS, timeDecimals)
	b = append(b, ',', row.Battery[0], ',')
	b = append(appendDecimal(b, row.VoltageV, voltageDecimals), ',')
	b = append(appendDecimal(b, row.CurrentA, currentDecimals), ',')
	if row.TempKnown {
		b = appendDecimal(b, tempC, tempDecimals)
	}
	b = append(b, ',')
	if known {
		b = appendDecimal(b, trueSoCPct, socDecimals)
	}
	b = append(b, '\n')
	if _, err := w.w.Write(b); err != nil {
		return fmt.Errorf("write curve: %w", err)
	}
	return nil
}

// Flush brings everything written to the underlying writer.
func (w *Writer) Flush() error {
	if err := w.w.Flush(); err != nil {
		return fmt.Errorf("write curve: %w", err)
	}
	return nil
}

var powersOfTen = [...]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6}

// appendDecimal appends v rounded to so many decimals, without zeros at the end of them. It does
// the usual sizes by integers, several times as fast as strconv.
func appendDecimal(b []byte, v float64, decimals int) []byte {
	scaled := math.RoundToEven(float64(v * powersOfTen[decimals]))
	if math.Abs(scaled) > 1<<53 {
		return strconv.AppendFloat(b, v, 'f', -1, 64)
	}
	n := uint64(math.Abs(scaled))
	for decimals > 0 && n%10 == 0 {
		n /= 10
		decimals--
	}
	var digits [20]byte
	i := len(digits)
	put := func(c byte) { i--; digits[i] = c }
	for ; decimals > 0; decimals-- {
		put(byte('0' + n%10))
		n /= 10
		if decimals == 1 {
			put('.')
		}
	}
	put(byte('0' + n%10))
	for n /= 10; n > 0; n /= 10 {
		put(byte('0' + n%10))
	}
	if scaled < 0 {
		put('-')
	}
	return append(b, digits[i:]...)
}
