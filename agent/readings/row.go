package readings

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// rowVersion is the first byte of a row on disk.
const rowVersion = 1

// AppendRow appends a row's compact form: a version, a bit for each figure that is known, and for
// each of those its mean and how far minimum and maximum are from it, as variable-length numbers. A
// quiet minute of two batteries takes about 40 bytes.
func AppendRow(b []byte, r Row) []byte {
	b = append(b, rowVersion)
	var known uint64
	for i, s := range r.Stats {
		if s.Known {
			known |= 1 << i
		}
	}
	b = binary.AppendUvarint(b, known)
	for _, s := range r.Stats {
		if s.Known {
			b = binary.AppendVarint(b, int64(s.Mean))
			b = binary.AppendUvarint(b, uint64(int64(s.Mean)-int64(s.Min)))
			b = binary.AppendUvarint(b, uint64(int64(s.Max)-int64(s.Mean)))
		}
	}
	return b
}

var errRow = errors.New("row: damaged")

// ParseRow reads what AppendRow wrote for a layout of n figures. The caller sets Start.
func ParseRow(n int, data []byte) (Row, error) {
	r := Row{Stats: make([]Stat, n)}
	if len(data) == 0 || data[0] != rowVersion {
		return r, fmt.Errorf("%w: version: want %d", errRow, rowVersion)
	}
	data = data[1:]
	known, used := binary.Uvarint(data)
	if used <= 0 || n > maxSeries || n < 64 && known>>n != 0 {
		return r, fmt.Errorf("%w: known figures: want at most %d", errRow, n)
	}
	data = data[used:]
	for i := range r.Stats {
		if known>>i&1 == 0 {
			continue
		}
		mean, a := binary.Varint(data)
		if a <= 0 {
			return r, errRow
		}
		below, b := binary.Uvarint(data[a:])
		if b <= 0 {
			return r, errRow
		}
		above, c := binary.Uvarint(data[a+b:])
		if c <= 0 || below > math.MaxUint32 || above > math.MaxUint32 || !is32(mean) || !is32(mean-int64(below)) ||
			!is32(mean+int64(above)) {
			return r, errRow
		}
		r.Stats[i] = Stat{Min: int32(mean - int64(below)), Mean: int32(mean), Max: int32(mean + int64(above)),
			Known: true}
		data = data[a+b+c:]
	}
	if len(data) != 0 {
		return r, fmt.Errorf("%w: %d bytes too many", errRow, len(data))
	}
	return r, nil
}

func is32(x int64) bool { return x >= math.MinInt32 && x <= math.MaxInt32 }
