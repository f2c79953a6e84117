package window

import (
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/readings"
	"liftbank/agent/store/tables"
)

// Detail is the first second of a motor run, in the form of [readings.AppendTrace].
type Detail struct {
	Start time.Time
	Data  []byte // nil when it is not stored
}

// FirstSecond reads the first second of the motor run that began closest to a time, within half a
// second.
func FirstSecond(db *sql.DB, at time.Time) (Detail, error) {
	var found Detail
	spans, err := allSpans(db)
	if err != nil {
		return found, err
	}
	nearest := int64(math.MaxInt64)
	for _, sp := range spans {
		want := at.UnixMilli() - sp.offMS
		if want < 0 || want > tables.MaxMonoMS {
			continue
		}
		var data []byte
		var id, off int64
		err := db.QueryRow(`SELECT id, data, abs(id - ?1) FROM sound_details
			WHERE id BETWEEN ?1 - 500 AND ?1 + 500 AND id >> 40 = ?2 ORDER BY abs(id - ?1) LIMIT 1`,
			tables.Key(sp.ord, want), sp.ord).Scan(&id, &data, &off)
		if err == nil && off < nearest {
			nearest = off
			found = Detail{time.UnixMilli(tables.MonoMS(id) + sp.offMS).UTC(), data}
		}
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return found, fmt.Errorf("history: first second: %w", err)
		}
	}
	return found, nil
}

// Trace returns the samples of a first second that was asked for at a time. One that was stored for
// other batteries than there are now is left out.
func (d Detail) Trace(at time.Time, l readings.Layout) (history.Trace, error) {
	out := history.Trace{Start: at.UTC(), TimesS: []float64{}, Series: []history.TraceSeries{}}
	if len(d.Data) == 0 {
		return out, nil
	}
	samples, err := readings.ParseTrace(d.Data)
	if err != nil {
		return out, fmt.Errorf("history: first second: %w", err)
	}
	out.Start = d.Start
	figures := l.TraceFigures()
	if len(samples) == 0 || len(samples[0].Values) != len(figures) {
		return out, nil
	}
	for _, f := range figures {
		values := make([]*float64, len(samples))
		out.Series = append(out.Series, history.TraceSeries{Figure: f.Figure, Battery: f.Battery, Values: values})
	}
	for i, sample := range samples {
		out.TimesS = append(out.TimesS, sample.At.Seconds())
		for k, v := range sample.Values {
			if v.OK {
				out.Series[k].Values[i] = &v.X
			}
		}
	}
	return out, nil
}
