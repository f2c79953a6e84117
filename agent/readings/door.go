package readings

// point is a corner of a thinned series: its place, counted in bins, and its value. After a point
// that is not ok nothing is known until the next one.
type point struct {
	bin int
	v   int32
	ok  bool
}

// sample is one value of a series with no gaps in its places.
type sample struct {
	v  int32
	ok bool
}

// swingingDoor thins a series to the corners of a polyline that passes every value within the given
// distance. Corners are values of the series, so a corner is exact.
//
// From the last corner, each value swings the two sides of a door inward. Once the next value lies
// outside what both leave open, the one before it becomes a corner. (E. H. Bristol, "Swinging door
// trending: adaptive trend recording?", ISA National Conference 1990; US patent 4,669,097,
// expired.) The original lets the doors swing until they are parallel, which bounds the distance to
// some line. Here the line must end in a measured value, which bounds the distance to the line that
// is sent.
func swingingDoor(series []sample, within int32) []point {
	var out []point
	for i := 0; i < len(series); {
		if !series[i].ok {
			if len(out) > 0 && out[len(out)-1].ok {
				out = append(out, point{bin: i})
			}
			i++
			continue
		}
		out = append(out, point{i, series[i].v, true})
		i = doorSegment(series, i, within, &out)
	}
	return out
}

// doorSegment goes from the corner at from to the end of its run of known values, appends the
// corners on the way, and returns the first place after the run.
func doorSegment(series []sample, from int, within int32, out *[]point) int {
	corner := from
	var low, high ratio
	open := false // the door has sides
	for n := from + 1; ; n++ {
		if n == len(series) || !series[n].ok {
			if n-1 > corner {
				*out = append(*out, point{n - 1, series[n-1].v, true})
			}
			return n
		}
		dx, dy := int64(n-corner), int64(series[n].v)-int64(series[corner].v)
		if open && (less(ratio{dy, dx}, low) || less(high, ratio{dy, dx})) {
			corner = n - 1
			*out = append(*out, point{corner, series[corner].v, true})
			dx, dy, open = 1, int64(series[n].v)-int64(series[corner].v), false
		}
		down, up := ratio{dy - int64(within), dx}, ratio{dy + int64(within), dx}
		if !open || less(low, down) {
			low = down
		}
		if !open || less(up, high) {
			high = up
		}
		open = true
	}
}

// ratio is an exact slope; x is positive.
type ratio struct{ y, x int64 }

func less(a, b ratio) bool { return a.y*b.x < b.y*a.x }

// restore returns the series of n values that a polyline stands for. Between corners values lie on
// the line, rounded to the nearest step. What lies outside the corners is unknown.
func restore(points []point, n int) []sample {
	out := make([]sample, n)
	for k, p := range points {
		if !p.ok {
			continue
		}
		out[p.bin] = sample{p.v, true}
		if k+1 >= len(points) || !points[k+1].ok {
			continue
		}
		q := points[k+1]
		for i := p.bin + 1; i < q.bin; i++ {
			out[i] = sample{p.v + int32(roundDiv(int64(q.v-p.v)*int64(i-p.bin), int64(q.bin-p.bin))), true}
		}
	}
	return out
}

// roundDiv returns a/b to the nearest whole number, halves away from zero; b is positive.
func roundDiv(a, b int64) int64 {
	if a < 0 {
		return -((-a + b/2) / b)
	}
	return (a + b/2) / b
}
