package trial

import (
	"fmt"
	"time"

	"liftbank/rules"
	"liftbank/sim/curve"
)

// WriteCurve writes the readings of a scan, a row for each battery, with the true charge. It leaves
// out a battery without a reading.
//
// A board with the contactor's coil wired scans right after a change. What it read before held
// until then, so that is written too: a curve has no contacts, and over the whole second since the
// scan before it the current would seem to rise to that of the run.
func (t *Trial) WriteCurve(w *curve.Writer, out *rules.Output) error {
	edges, last := t.Core.Scan().Edges, t.wrote
	if len(edges) > 0 && last.at > 0 && edges[0].At > last.at && edges[0].At < t.Now() {
		for i := range last.rows {
			if err := t.writeRow(w, edges[0].At, i, last.rows[i]); err != nil {
				return err
			}
		}
	}
	t.wrote = curveRows{at: t.Now(), rows: last.rows[:0]}
	for i := range out.Battery {
		b := &out.Battery[i]
		row := curve.Row{
			Battery: b.ID, VoltageV: b.In.VoltageV.Value, CurrentA: b.In.CurrentA.Value,
			TempC: b.In.TempC.Value, TempKnown: b.In.TempC.OK(),
		}
		if !b.In.VoltageV.OK() || !b.In.CurrentA.OK() {
			row.Battery = ""
		}
		t.wrote.rows = append(t.wrote.rows, row)
		if err := t.writeRow(w, t.Now(), i, row); err != nil {
			return err
		}
	}
	return nil
}

// curveRows are the rows that were written last, by battery; one without a name has no reading.
type curveRows struct {
	at   time.Duration
	rows []curve.Row
}

func (t *Trial) writeRow(w *curve.Writer, at time.Duration, battery int, row curve.Row) error {
	if row.Battery == "" {
		return nil
	}
	if err := w.Write(at.Seconds(), row, t.Rig.Unit.SoCPct(battery)); err != nil {
		return fmt.Errorf("write curve: %w", err)
	}
	return nil
}
