// Package window reads a unit's past: a span of it thinned to bins, and the first second of a run.
package window

import (
	"cmp"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/readings"
	"liftbank/agent/store/past"
	"liftbank/agent/store/tables"
)

const maxPoints = 4000

// Check returns an error if a query can't be answered.
func Check(q history.Query) error {
	if q.Points < 1 || q.Points > maxPoints || !q.From.Before(q.To) {
		return fmt.Errorf("history: %v to %v, %d points: want a span and 1 to %d points",
			q.From, q.To, q.Points, maxPoints)
	}
	return nil
}

// Empty returns what there is without a file: nothing.
func Empty(q history.Query) history.Window { return newWindow(q).finish() }

// Read returns the span [From, To), thinned to at most Points bins. It reads the tier whose width
// fits the bins, and the next one where that has nothing, because the time is too long ago or too
// recent.
func Read(db *sql.DB, q history.Query) (history.Window, error) {
	w := newWindow(q)
	err := w.read(db)
	return w.finish(), err
}

func (w *window) read(db *sql.DB) error {
	spans, err := allSpans(db)
	if err != nil {
		return err
	}
	if err := w.loadLayouts(db); err != nil {
		return err
	}
	for _, sp := range spans {
		if err := w.addSpan(db, sp); err != nil {
			return err
		}
		if err := w.addRuns(db, sp); err != nil {
			return err
		}
	}
	return w.addFindings(db, spans)
}

// stretch is a span as it is in the file.
type stretch struct{ ord, fromMS, offMS int64 }

func allSpans(db *sql.DB) ([]stretch, error) {
	rows, err := db.Query("SELECT ord, from_ms, off_ms FROM sound_spans ORDER BY ord")
	if err != nil {
		return nil, fmt.Errorf("history: %w", err)
	}
	defer rows.Close()
	var out []stretch
	for rows.Next() {
		var sp stretch
		if err := rows.Scan(&sp.ord, &sp.fromMS, &sp.offMS); err != nil {
			return nil, fmt.Errorf("history: %w", err)
		}
		out = append(out, sp)
	}
	return out, rows.Err()
}

// window is a window being filled.
type window struct {
	fromMS, toMS int64
	stepMS       float64
	out          history.Window
	points       int
	layouts      map[int64]readings.Layout
	bins         map[readings.Series][]bin
	order        []readings.Series
	runs         int
}

type bin struct {
	min, max float32
	sum      float64
	n        int32
}

func newWindow(q history.Query) *window {
	from, to := q.From.UnixMilli(), q.To.UnixMilli()
	points := int(min(int64(q.Points), max((to-from)/readings.Step.Milliseconds(), 1)))
	w := &window{
		fromMS: from, toMS: to, stepMS: float64(to-from) / float64(points), points: points,
		layouts: map[int64]readings.Layout{}, bins: map[readings.Series][]bin{}, runs: q.Points,
	}
	w.out = history.Window{
		From: q.From.UTC(), To: q.To.UTC(), StepS: w.stepMS / 1000, TimesS: make([]int64, points),
		Series: []history.Series{}, Runs: []history.Run{}, Findings: []history.Span{},
	}
	for i := range w.out.TimesS {
		w.out.TimesS[i] = (from + int64(float64(i)*w.stepMS)) / 1000
	}
	return w
}

func (w *window) loadLayouts(db *sql.DB) error {
	rows, err := db.Query("SELECT id, series FROM sound_layouts")
	if err != nil {
		return fmt.Errorf("history: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var text string
		if err := rows.Scan(&id, &text); err != nil {
			return fmt.Errorf("history: %w", err)
		}
		if l, err := past.ParseLayout(text); err == nil {
			w.layouts[id] = l
		}
	}
	return rows.Err()
}

// tierFor returns the widest tier that is no wider than a bin.
func (w *window) tierFor() int {
	best := 0
	for i, t := range past.Tiers {
		if float64(t.Width.Milliseconds()) <= w.stepMS {
			best = i
		}
	}
	return best
}

// addSpan adds the aggregates of one span.
func (w *window) addSpan(db *sql.DB, sp stretch) error {
	lo, hi := tables.Key(sp.ord, w.fromMS-sp.offMS), tables.Key(sp.ord, w.toMS-sp.offMS)
	if w.toMS-sp.offMS <= 0 || w.fromMS-sp.offMS > tables.MaxMonoMS {
		return nil
	}
	if w.fromMS <= sp.offMS {
		lo = tables.Key(sp.ord, 0)
	}
	// The tier that fits, coarser ones before what it has, then finer ones behind it: the last hour
	// has no hour yet.
	covered := struct{ from, to int64 }{hi, lo}
	for i := w.tierFor(); i < len(past.Tiers); i++ {
		if i > w.tierFor() && covered.from-lo < past.Tiers[i].Width.Milliseconds() {
			break // it would lie over what is there
		}
		first, last, err := w.scanBetween(db, sp, past.Tiers[i], lo, covered.from)
		if err != nil {
			return err
		}
		if last > 0 {
			covered.from, covered.to = min(covered.from, first), max(covered.to, last)
		}
	}
	for i := w.tierFor() - 1; i >= 0; i-- {
		_, last, err := w.scanBetween(db, sp, past.Tiers[i], covered.to, hi)
		if err != nil {
			return err
		}
		covered.to = max(covered.to, last)
	}
	return nil
}

// scanBetween adds what a tier has between two keys and returns the keys that it covers; both are 0
// when it has nothing there.
func (w *window) scanBetween(db *sql.DB, sp stretch, t past.Tier, lo, hi int64) (first, last int64, err error) {
	if lo >= hi {
		return 0, 0, nil
	}
	width := t.Width.Milliseconds()
	lo = max(lo-width+1, tables.Key(sp.ord, 0)) // one that began before and reaches in
	var a, b sql.NullInt64
	row := db.QueryRow("SELECT min(id), max(id) FROM "+t.Table+" WHERE id >= ? AND id < ?", lo, hi)
	if err := row.Scan(&a, &b); err != nil {
		return 0, 0, fmt.Errorf("history: %w", err)
	}
	if !a.Valid {
		return 0, 0, nil
	}
	return a.Int64, b.Int64 + width, w.scan(db, sp, t, lo, hi)
}

func (w *window) scan(db *sql.DB, sp stretch, t past.Tier, lo, hi int64) error {
	rows, err := db.Query("SELECT id, layout, data FROM sound_"+t.Table+" WHERE id >= ? AND id < ? ORDER BY id", lo, hi)
	if err != nil {
		return fmt.Errorf("history: %w", err)
	}
	defer rows.Close()
	var data sql.RawBytes
	for rows.Next() {
		var id, layout int64
		if err := rows.Scan(&id, &layout, &data); err != nil {
			return fmt.Errorf("history: %w", err)
		}
		l := w.layouts[layout]
		row, err := readings.ParseRow(len(l), data)
		if err != nil {
			continue
		}
		at := tables.MonoMS(id) + sp.offMS
		w.addRow(l, row, at, at+t.Width.Milliseconds())
	}
	return rows.Err()
}

// addRow spreads an aggregate over the bins that it covers.
func (w *window) addRow(l readings.Layout, row readings.Row, fromMS, toMS int64) {
	a := max(int(math.Floor(float64(fromMS-w.fromMS)/w.stepMS)), 0)
	b := min(int(math.Floor(float64(toMS-1-w.fromMS)/w.stepMS)), w.points-1)
	if float64(toMS-fromMS) <= w.stepMS { // no wider than a bin: the one that its middle lies in
		a = int(math.Floor((float64(fromMS+toMS)/2 - float64(w.fromMS)) / w.stepMS))
		b = a
	}
	if a < 0 || b >= w.points {
		return
	}
	for i, st := range row.Stats {
		if !st.Known {
			continue
		}
		bins := w.bins[l[i]]
		if bins == nil {
			bins = make([]bin, w.points)
			w.bins[l[i]] = bins
			w.order = append(w.order, l[i])
		}
		low, mean, high := float32(l.Real(i, st.Min)), l.Real(i, st.Mean), float32(l.Real(i, st.Max))
		for k := a; k <= b; k++ {
			c := &bins[k]
			if c.n == 0 {
				c.min, c.max = low, high
			}
			c.min, c.max = min(c.min, low), max(c.max, high)
			c.sum += mean
			c.n++
		}
	}
}

func (w *window) addRuns(db *sql.DB, sp stretch) error {
	if w.toMS-sp.offMS <= 0 {
		return nil
	}
	rows, err := db.Query("SELECT id, duration_ms, mean_a, peak_a FROM sound_runs WHERE id >= ? AND id < ? ORDER BY id",
		tables.Key(sp.ord, w.fromMS-sp.offMS), tables.Key(sp.ord, w.toMS-sp.offMS))
	if err != nil {
		return fmt.Errorf("history: runs: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var id, duration int64
		var r history.Run
		if err := rows.Scan(&id, &duration, &r.MeanA, &r.PeakA); err != nil {
			return fmt.Errorf("history: runs: %w", err)
		}
		r.At, r.DurationS = time.UnixMilli(tables.MonoMS(id)+sp.offMS).UTC(), float64(duration)/1000
		w.out.Runs = append(w.out.Runs, r)
		w.out.RunCount++
		if len(w.out.Runs) >= 2*w.runs+100 {
			w.keepLongest()
		}
	}
	return rows.Err()
}

// keepLongest drops all runs but the longest, as many as were asked for.
func (w *window) keepLongest() {
	if len(w.out.Runs) > w.runs {
		slices.SortStableFunc(w.out.Runs, func(a, b history.Run) int { return cmp.Compare(b.DurationS, a.DurationS) })
		w.out.Runs = w.out.Runs[:w.runs]
	}
}

func (w *window) addFindings(db *sql.DB, spans []stretch) error {
	offset := map[int64]int64{}
	for _, sp := range spans {
		offset[sp.ord] = sp.offMS
	}
	at := func(key int64) time.Time { return time.UnixMilli(tables.MonoMS(key) + offset[tables.Span(key)]).UTC() }
	rows, err := db.Query("SELECT id, name, subject, severity, ended FROM sound_findings ORDER BY id")
	if err != nil {
		return fmt.Errorf("history: findings: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var ended sql.NullInt64
		var f history.Span
		if err := rows.Scan(&id, &f.Name, &f.Subject, &f.Severity, &ended); err != nil {
			return fmt.Errorf("history: findings: %w", err)
		}
		f.From = at(id)
		if ended.Valid {
			to := at(ended.Int64)
			f.To = &to
		}
		if f.From.Before(w.out.To) && (f.To == nil || f.To.After(w.out.From)) {
			w.out.Findings = append(w.out.Findings, f)
		}
	}
	return rows.Err()
}

func (w *window) finish() history.Window {
	w.keepLongest()
	slices.SortStableFunc(w.out.Runs, func(a, b history.Run) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(w.out.Findings, func(a, b history.Span) int { return a.From.Compare(b.From) })
	for _, name := range w.order {
		sr := history.Series{
			Figure: name.Figure, Battery: name.Battery,
			Min: make([]*float64, w.points), Mean: make([]*float64, w.points), Max: make([]*float64, w.points),
		}
		numbers := make([]float64, 0, 3*w.points)
		for i, c := range w.bins[name] {
			if c.n == 0 {
				continue
			}
			numbers = append(numbers, tidyNumber(float64(c.min)), tidyNumber(c.sum/float64(c.n)),
				tidyNumber(float64(c.max)))
			n := len(numbers)
			sr.Min[i], sr.Mean[i], sr.Max[i] = &numbers[n-3], &numbers[n-2], &numbers[n-1]
		}
		w.out.Series = append(w.out.Series, sr)
	}
	return w.out
}

// tidyNumber rounds to a thousandth, so that a figure is short in JSON.
func tidyNumber(x float64) float64 { return math.Round(x*1000) / 1000 }
